"""What a bank has not back yet when a discharge begins: an energy balance, never the card's charge percent.

A constant-voltage charger first gives its current limit (often 0.1 C, sometimes less), then, near full,
a current that decays: the last tenth is slow, and 24 h to full is usual at 0.1 C and float voltage
(EN 62040-3 has makers declare the hours to 90 %). What was measured wins: ampere-hours returned,
times what the bank keeps of them; and a bank at its float voltage that takes hardly any current is full,
whatever was reckoned. Where nothing of this is known the answer is wide: see `by_rest`.

"Missing" is told as equally likely values ("nodes"), in shares of published time, as the used fraction is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from rules.battery.model.float_voltage import FLOAT_AT_25_C, OPEN_CIRCUIT_V
from rules.battery.model.runtime_curve import Floats

USUAL_CURRENT: Final = 0.1  # of rated ampere-hours
KEPT: Final = 0.92  # of the ampere-hours returned, while charging; gassing and heat take the rest
LIMIT_SPREAD: Final = 0.4  # of ln(current limit) where none was read: about 0.05 to 0.2 C
PROMISED_CURRENT: Final = 0.046
PROMISED_SPREAD: Final = 0.334
"""The middle and the spread of ln of the current limit, of rated ampere-hours, that a promise counts on where none was
read: an emptied bank then has nine tenths of its hold-up again after 8 to 24 h (EN 62040-3 has makers declare it). What
a discharge showed is judged by the usual limit instead, for there too slow a charger flatters the bank."""
GIVEN_AT_ONCE: Final = 0.6
"""Rated ampere-hours that a bank emptied within an hour has given, where nobody counted them."""
_SLOW_FROM: Final = 0.15  # missing charge under which the current decays
FULL_AFTER_H: Final = 72.0
HARDLY: Final = 0.001
"""Missing charge that counts as none."""

Nodes = tuple[float, ...]
FULL: Final[Nodes] = (0.0,)
UNSEEN: Final[Nodes] = (0.0, 0.0, 0.0, 0.0, 0.04, 0.12, 0.25, 0.42, 0.65)
"""A bank nobody watched: as likely full as not."""
ABOUT_FULL: Final = 0.05
"""Missing at the most where a discharge is held against others that began full."""
IN_THE_MIDDLE: Final[Nodes] = tuple(np.round(np.linspace(0.02, 0.9, 12), 3).tolist())
"""A discharge taken up while it runs: nothing is known of what went before."""
_AT_FLOAT_V: Final = -0.03
_FLOAT_C: Final = 0.006  # of rated ampere-hours per hour: what a full bank takes, warm or old
_TAIL_H: Final = (0.6, 1.1, 1.6, 2.4)  # missing charge over the decaying current
_REST_FULL_V, _REST_FALL_V, _REST_DOUBT = (
    2.13,
    0.17,
    0.15,
)  # open circuit: full, over the whole charge, its doubt
_MOST_NODES: Final = 9
_ALIKE: Final = 0.012
_RESTS_H: Final = 0.4
_TELLS_AFTER_H: Final = 1.0  # sooner a current that is small is the charger's limit, not a tail


@dataclass(frozen=True, slots=True)
class Recharge:
    """What was seen between a discharge and a later moment.

    `hours` between the two; `returned` as a share of rated ampere-hours, counted in `seen_h` of them, None
    where no current was read. `off_float_v`: V per cell over the float set point at that moment,
    `current_c`: amperes into the bank per rated ampere-hour then. `full`: it was seen full since.
    """

    hours: float
    returned: float | None = None
    seen_h: float = 0.0
    off_float_v: float | None = None
    current_c: float | None = None
    full: bool = False


def missing_charge(
    removed: ArrayLike, hours: float, *, current: ArrayLike = USUAL_CURRENT, kept: ArrayLike = KEPT
) -> Floats:
    """Return the charge still missing, as a share of rated ampere-hours, `hours` after a discharge.

    `removed` at its end, same unit; `current` in shares of rated ampere-hours. Straight while the charger
    is at its limit, then exponential with a smooth join.
    """
    out = np.asarray(removed, dtype=np.float64)
    rate = np.asarray(current, dtype=np.float64) * np.asarray(kept, dtype=np.float64)
    bulk_h = np.maximum(out - _SLOW_FROM, 0.0) / rate
    start = np.minimum(out, _SLOW_FROM)
    decay = start * np.exp(-np.maximum(hours - bulk_h, 0.0) * rate / _SLOW_FROM)
    return np.asarray(np.where(hours < bulk_h, out - rate * hours, decay))


@lru_cache(maxsize=4)
def charger_limits(draws: int) -> Floats:
    """Return equally likely current limits that may be promised of chargers nobody has read, in shares of rated Ah.

    Always the same for a number of draws, so that a recharge followed in steps ends where one step would.
    """
    return PROMISED_CURRENT * np.exp(np.random.default_rng(6204).normal(0.0, PROMISED_SPREAD, draws))


def recharged(used: ArrayLike, hours: float, *, returned: float | None = None) -> Floats:
    """Return the used fraction, one a draw, after so many hours more on a charger.

    `returned`: rated ampere-hours that were read to go in meanwhile, as a share; None: not read. What a high rate
    leaves unreached and rest brings back (`after_recharge`) is not counted on: this needs no memory but `used`.
    """
    before = np.asarray(used, dtype=np.float64)
    if returned is not None:
        return np.asarray(np.maximum(before - returned * KEPT / GIVEN_AT_ONCE, 0.0))
    left = missing_charge(before * GIVEN_AT_ONCE, hours, current=charger_limits(before.size))
    return np.asarray(np.where(left < HARDLY, 0.0, left / GIVEN_AT_ONCE))


def used_after_recharge(
    used: ArrayLike,
    removed: float,
    hours: float,
    seed: int,
    *,
    returned: float | None = None,
    draws: int,
) -> Floats:
    """Return draws of the used fraction left `hours` after a discharge that ended at `used`.

    `removed` and `returned` in shares of rated ampere-hours; without `returned` (no current reading) the
    charger's limit is drawn between about 0.05 and 0.2 C. Full after three days.
    """
    seen = Recharge(hours, returned, 0.0 if returned is None else hours)
    return after_recharge(used, removed, seen, seed, draws=draws)


def after_recharge(used: ArrayLike, removed: float, seen: Recharge, seed: int, *, draws: int) -> Floats:
    """Return draws of the used fraction left at the end of what was seen of a recharge.

    `used` (one value, or one a draw) and `removed` (a share of rated ampere-hours) at the discharge's end,
    everything missing counted. What was counted is taken off, times what a bank keeps; for hours nobody saw
    the charger's limit is drawn, unless the bank stands where no charger holds it. At a high rate a bank ends
    with charge left in it that the acid does not bring up in time (the two wells of Manwell and McGowan,
    Solar Energy 50, 1993); at rest this levels out, and what is missing is then no more than the charge taken.
    """
    rng = np.random.default_rng(seed)
    start = np.broadcast_to(np.asarray(used, dtype=np.float64), (draws,))
    if removed <= 0.0 or seen.full:
        return np.zeros(draws)
    stands = seen.off_float_v is not None and seen.off_float_v < OPEN_CIRCUIT_V - FLOAT_AT_25_C
    idle = stands and not (seen.current_c or 0.0) > _FLOAT_C
    if seen.hours >= FULL_AFTER_H and not idle:
        return np.zeros(draws)
    kept = np.clip(rng.normal(KEPT, 0.04, draws), 0.7, 1.0)
    left = np.full(draws, removed)
    if seen.returned is not None:
        left = np.clip(left - seen.returned * kept, 0.0, removed)
    unseen_h = max(seen.hours - seen.seen_h, 0.0) if seen.returned is not None else seen.hours
    if unseen_h > 0.0 and not idle:
        limit = USUAL_CURRENT * np.exp(rng.normal(0.0, LIMIT_SPREAD, draws))
        left = missing_charge(left, unseen_h, current=limit, kept=kept)
    left = np.minimum(left, _most_missing(seen, rng, draws))
    # What a high rate left unreached comes within reach at rest: then charge alone is missing.
    rest = np.exp(-seen.hours / (_RESTS_H * np.exp(rng.normal(0.0, 0.5, draws))))
    at_once, rested = start * left / removed, np.minimum(left, start * left / removed)
    return np.asarray(rest * at_once + (1.0 - rest) * rested)


def _most_missing(seen: Recharge, rng: np.random.Generator, draws: int) -> Floats:
    """Return draws of the charge that can be missing at all, given what the bank takes at its float voltage."""
    if seen.hours < _TELLS_AFTER_H or seen.off_float_v is None or seen.off_float_v < _AT_FLOAT_V:
        return np.full(draws, np.inf)
    if seen.current_c is None:
        return np.full(draws, np.inf)
    if seen.current_c <= 0.0:  # a meter that shows discharge only says nothing of the charge
        return np.full(draws, np.inf)
    return np.asarray(0.01 + seen.current_c * 2.0 * np.exp(rng.normal(0.0, 0.4, draws)))


def by_rest(off_float_v: float | None, cell_v: float | None, current_c: float | None) -> Nodes:
    """Return what may be missing in a bank of which only the moments before a transfer are known.

    `off_float_v`: V per cell over the float set point; `cell_v` per cell; `current_c`: amperes into it per
    rated ampere-hour, None where no current (or no rating) is known.
    """
    if off_float_v is None or cell_v is None:
        return UNSEEN
    if off_float_v >= _AT_FLOAT_V:
        if current_c is None or current_c <= 0.0:
            return (0.0, 0.0, 0.0, 0.0, 0.0, 0.03, 0.07, 0.14)
        return FULL if current_c <= _FLOAT_C else tuple(min(current_c * h, 0.9) for h in _TAIL_H)
    if current_c is not None and current_c > _FLOAT_C:
        return tuple(np.linspace(0.1, 0.85, _MOST_NODES).tolist())
    middle = (_REST_FULL_V - cell_v) / _REST_FALL_V
    around = np.linspace(middle - _REST_DOUBT, middle + _REST_DOUBT, 7)
    return tuple(np.clip(around, 0.0, 0.9).tolist())


def nodes_of(draws: Floats, most: int = _MOST_NODES) -> Nodes:
    """Return draws as a few equally likely values; as one where they hardly differ."""
    if float(np.ptp(np.quantile(draws, (0.05, 0.95)))) < _ALIKE:
        return (max(float(np.mean(draws)), 0.0),)
    places = (np.arange(most) + 0.5) / most
    return tuple(float(v) for v in np.maximum(np.quantile(draws, places), 0.0))


def later(nodes: Nodes, more: float, doubt: float) -> Nodes:
    """Return what is missing after `more` was used unseen, give or take `doubt`."""
    if more <= 0.0:
        return nodes
    if len(nodes) > 1:
        return tuple(n + more for n in nodes)
    return tuple(max(nodes[0] + more + k * doubt, 0.0) for k in (-1.2, 0.0, 1.2))


def middle_of(nodes: Sequence[float]) -> float:
    """Return the middle of what may be missing."""
    return float(np.median(nodes)) if len(nodes) else 0.0
