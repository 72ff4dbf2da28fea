"""Which rows of a log are times on the bank: each of them is a discharge of its own.

The cut comes before any cleaning, for what is cleaned away may be the very rows on mains that lie between
two dips (a card that then says 0 A and level volts looks stuck). What says that the bank carries, in this
order: the unit's own word, the current, the voltage. A word or a current that departs for a row or two
while the voltage runs on as before is a stray row; a bank that is let go rises at once, by its own
resistance and soon by the charger. A silence in which the voltage rose was not all discharge.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from rules.battery.model.runtime_curve import Floats

Marks: TypeAlias = NDArray[np.bool_]


FLOAT_CELL_V: Final = 2.2
"""At or above it a cell is held by its charger; a load takes it lower within seconds."""


SETTLES_S: Final = 30.0
"""So long after the transfer the surface charge may still hold a cell up."""


RISES_V: Final = 0.03
"""V per cell by which a bank rises when its load goes; in a discharge only the dip at the start comes back, by less."""


BY_VOLTS_V: Final = 0.05  # the same where nothing but the voltage speaks


LOAD_V: Final = 0.06  # V per cell and e-fold of power, between 20 and 60 minutes


STRAY_S: Final = 30.0


STRAY_ROWS: Final = 3


_STAYS_V: Final = 0.01


_NEAR_V: Final = 0.02


_LEAST_AMPS: Final = 0.02  # of the log's largest


_LONG_GAP_S: Final = 60.0


class TimeOnBank(NamedTuple):
    """One time on the bank: its first and its last row."""

    first: int
    last: int


def times_on_bank(
    t_s: Floats, cell_v: Floats, current_a: Floats, power_w: Floats, on_battery: Floats
) -> tuple[TimeOnBank, ...]:
    """Return the times on the bank in a log, in order.

    Per row: seconds, V per cell, amperes (positive while discharging), watts given out (or on the battery's
    side), and the unit's word (1 on battery, 0 not). NaN: not known.
    """
    if len(t_s) < 2:
        return ()
    volts = cell_v + LOAD_V * _ln_load(power_w, current_a)
    if np.isfinite(on_battery).any():
        on = _by_word(t_s, cell_v, current_a, on_battery)
    elif np.count_nonzero(np.isfinite(current_a)) >= max(3, len(t_s) // 20):
        known = np.isfinite(current_a)
        amps = np.interp(t_s, t_s[known], current_a[known])
        on = amps > max(_LEAST_AMPS * float(np.max(amps)), 1e-3)
    else:
        on = _by_volts(t_s, cell_v, volts)
    spans = _runs(on)
    usual_s = float(np.median(np.diff(t_s)))
    spans = _bridged(spans, t_s, volts, usual_s)
    return tuple(piece for span in spans for piece in _parted(span, t_s, volts, usual_s))


def rose_between(
    before_v: float | None, after_v: float | None, before_w: float | None, after_w: float | None
) -> bool:
    """Return whether a bank stood higher (V per cell) after a silence than the change of load explains.

    It was let go in between. False where either voltage is not known.
    """
    if before_v is None or after_v is None:
        return False
    load = np.log(after_w / before_w) if before_w and after_w and before_w > 0.0 < after_w else 0.0
    return after_v + LOAD_V * float(load) - before_v > RISES_V


def _ln_load(power_w: Floats, current_a: Floats) -> Floats:
    """Return ln of the load over its middle: 0 where not known, so that a step of load is not taken for a rest."""
    load = np.where(power_w > 0.0, power_w, np.nan)
    if not np.isfinite(load).any():
        load = np.where(current_a > 0.0, current_a, np.nan)
    if not np.isfinite(load).any():
        return np.zeros(len(load))
    return np.asarray(np.nan_to_num(np.log(load / np.nanmedian(load))))


def _by_word(t_s: Floats, cell_v: Floats, current_a: Floats, on_battery: Floats) -> Marks:
    """Return the rows in which the unit says so; a word that lags behind a bank on float is not believed."""
    known = np.isfinite(on_battery)
    places = np.searchsorted(np.flatnonzero(known), np.arange(len(t_s)), side="right") - 1
    on = on_battery[np.flatnonzero(known)[np.maximum(places, 0)]] > 0.5  # no word: as the row before
    for span in _runs(on):
        rows = np.arange(span.first, span.last + 1)
        held = (cell_v[rows] >= FLOAT_CELL_V) & ~(current_a[rows] > 0.0)
        on[rows[held & (t_s[rows] - t_s[span.first] > SETTLES_S)]] = False
    return on


def _by_volts(t_s: Floats, cell_v: Floats, volts: Floats) -> Marks:
    """Return the rows in which the voltage says that the bank carries, by its falls and rises."""
    on = np.zeros(len(t_s), dtype=bool)
    carrying, since, extreme = bool(cell_v[0] < FLOAT_CELL_V), 0, float(volts[0])
    for k in range(len(t_s)):
        if carrying:
            extreme = min(extreme, float(volts[k]))
            held = cell_v[k] >= FLOAT_CELL_V and t_s[k] - t_s[since] > SETTLES_S
            if held or volts[k] > extreme + BY_VOLTS_V:
                last = np.flatnonzero(volts[since:k] <= extreme + _NEAR_V)
                on[since : since + int(last[-1]) + 1] = True
                carrying, since, extreme = False, k, float(volts[k])
        else:
            extreme = max(extreme, float(volts[k]))
            if volts[k] < extreme - BY_VOLTS_V and cell_v[k] < FLOAT_CELL_V - _NEAR_V:
                last = np.flatnonzero(volts[since:k] >= extreme - _NEAR_V)
                carrying, since, extreme = True, since + int(last[-1]) + 1, float(volts[k])
    if carrying:
        on[since:] = True
    return on


def _runs(on: Marks) -> list[TimeOnBank]:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], on.astype(int), [0]))))
    return [TimeOnBank(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _bridged(spans: list[TimeOnBank], t_s: Floats, volts: Floats, usual_s: float) -> list[TimeOnBank]:
    """Return the times on the bank, joined where only stray rows lie between two."""
    joined: list[TimeOnBank] = []
    for span in spans:
        if joined and _stray(joined[-1].last, span.first, t_s, volts, usual_s):
            joined[-1] = TimeOnBank(joined[-1].first, span.last)
        else:
            joined.append(span)
    return joined


def _stray(last: int, first: int, t_s: Floats, volts: Floats, usual_s: float) -> bool:
    between = volts[last + 1 : first]
    brief = t_s[first] - t_s[last] <= max(STRAY_S, (STRAY_ROWS + 1) * usual_s)
    if len(between) > STRAY_ROWS or not brief:
        return False
    return bool(np.all(between <= max(volts[last], volts[first]) + _STAYS_V))


def _parted(span: TimeOnBank, t_s: Floats, volts: Floats, usual_s: float) -> list[TimeOnBank]:
    """Return a time on the bank parted at long silences in which the voltage rose."""
    rows = range(span.first, span.last + 1)
    long_s = max(_LONG_GAP_S, 8.0 * usual_s)
    cuts = [b for a, b in pairwise(rows) if t_s[b] - t_s[a] > long_s and volts[b] - volts[a] > RISES_V]
    starts = [span.first, *cuts]
    return [TimeOnBank(a, b) for a, b in zip(starts, [*(c - 1 for c in cuts), span.last], strict=True)]
