"""What one discharge showed, reckoned once when it has ended.

The used fraction and whether the end was reached are arithmetic over what was read. How much the bank
would have given, where it was not run to its end, is an estimate: it comes in from outside
(`rules.battery.discharge.capacity`), and without one the discharge still shows that the bank carried what it carried.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from hashlib import blake2b
from itertools import pairwise
from typing import Final

from rules.battery.discharge.evidence import DischargeEvidence
from rules.battery.model.inverter_losses import Losses
from rules.battery.model.recharge import FULL, Nodes, middle_of
from rules.battery.model.runtime_curve import curve_for
from rules.battery.model.temperature import seconds_at
from rules.plant.estate import Bank, FittedBank
from rules.values.constants import Z_90
from rules.values.verdict import Basis

FULL_RUN_SD: Final = 0.02
"""Standard deviation of a full run's fraction: current and power gain, temperature."""
_FAILED_SHORT_OF: Final = 0.5
"""An output that was lost before this share of the published time is a failure, unless the voltage came down by and by."""
_END_REACHED: Final = 1.005
"""A bank came to its end voltage if it was read within this of it: what is cut off between two readings is not seen."""
_ABOUT_ENDED: Final = 1.02
"""One of several banks that fell together was the one at its end if it was read within this of its end voltage.

Wider than `_END_REACHED`, since nothing of its capacity hangs on it: only who fell for the others' sake. The last seconds run
steeply, and a card is read every two. A share of the end voltage; an assumption.
"""
_NEAR_ITS_END: Final = 1.06
"""A worn bank was read within this of its end voltage `_BY_AND_BY_S` before it fell: 1.73 V for an end at 1.63 V per cell.

A block that breaks takes the voltage from its plateau (some 1.9 V per cell) in one reading. A share; an assumption.
"""
_BY_AND_BY_S: Final = 20.0
"""So long before the end the voltage must have been near it: several readings, which no single stray one stands for. s; an assumption."""
_LONG_ENOUGH_S: Final = 60.0
"""A shorter time on the bank says nothing of a voltage that came down by and by: it began with the first drop. s; an assumption."""


@dataclass(frozen=True, slots=True)
class ShownRow:
    """One moment of a discharge. Seconds from its first row; None: not known."""

    t_s: float
    voltage_v: float | None
    current_a: float | None
    temperature_c: float | None
    output_power_w: float | None


CLAIMED_LOAD: Final = 0.15
"""How much more than at its claim a card's units may have been asked for, for the claim to be held against what was given."""


@dataclass(frozen=True, slots=True)
class Circumstances:
    """When and how a discharge was. `output_lost`: it ended with the load, not with the mains. `with_others`: others of its
    system fell with it, one of which had come to its end: so it was left with a load that it could not carry.

    `missing`: what was not in the bank when it began, as equally likely shares of published time; empty: as
    far as the log shows it. `before_w`: what its units put out when the card claimed `claimed_s`, None: not known.
    """

    at: datetime
    kind: str
    output_lost: bool = False
    with_others: bool = False
    claimed_s: float | None = None
    said_good: bool = True
    missing: Nodes = FULL
    before_w: float | None = None


def _steady(before_w: float | None, rows: Sequence[ShownRow]) -> bool:
    """Return whether the load stayed what it was when the card claimed its minutes: at another nobody promised anything."""
    powers = [w for w in (before_w, *(row.output_power_w for row in rows)) if w]
    return not powers or max(powers) <= (1.0 + CLAIMED_LOAD) * powers[0]


def what_it_showed(
    bank: Bank,
    fitted: FittedBank,
    rows: Sequence[ShownRow],
    how: Circumstances,
    *,
    losses: Losses,
    before_v: float | None = None,
) -> DischargeEvidence | None:
    """Return what a discharge showed; None where no power was known at all.

    Rows are those on battery. Power between two rows is the mean of both; a row without power takes the
    last one known.
    """
    seconds, energy_ws, used, drawn_as = 0.0, 0.0, 0.0, 0.0
    curve = curve_for(fitted)
    cells = bank.cells * bank.strings
    halves = bank.reported_cells / bank.cells
    power_w: float | None = None
    for first, second in pairwise(rows):
        step_s = second.t_s - first.t_s
        seconds += step_s
        known = [p for p in (first.output_power_w, second.output_power_w) if p is not None]
        power_w = sum(known) / len(known) if known else power_w
        if power_w is None or step_s <= 0.0:
            continue
        energy_ws += power_w * step_s
        per_cell = (power_w * (1.0 + losses.share) + losses.fixed_w) / cells
        published = seconds_at(curve, max(per_cell, curve.smallest_w), first.temperature_c)
        used += step_s / float(published)
        amps = first.current_a
        if not amps and first.voltage_v:
            amps = (power_w * (1.0 + losses.share) + losses.fixed_w) * halves / first.voltage_v
        drawn_as += (amps or 0.0) * step_s
    if not energy_ws or curve.basis is Basis.NONE:
        return None
    mean_w = energy_ws / seconds
    mean_per_cell = max((mean_w * (1.0 + losses.share) + losses.fixed_w) / cells, curve.smallest_w)
    volts = [row.voltage_v for row in rows if row.voltage_v is not None]
    end_v = fitted.end_voltage_per_cell_v * bank.reported_cells
    # A bank that was perhaps not full and came to its end voltage was empty; it did not fail.
    whole = used + max(how.missing, default=0.0) > _FAILED_SHORT_OF
    ended = bool(volts) and min(volts) <= _END_REACHED * end_v and (whole or _by_and_by(rows, end_v))
    total = used + middle_of(how.missing)
    rated_as = (fitted.rated_capacity_ah or 0.0) * bank.strings * 3600.0
    currents = [row.current_a for row in rows if row.current_a]
    return DischargeEvidence(
        at=how.at,
        kind=how.kind,
        seconds=seconds,
        output_power_w=mean_w,
        published_s=float(curve.seconds(mean_per_cell)),
        used=total,
        fraction=total if ended else None,
        low=used + min(how.missing, default=0.0) - Z_90 * FULL_RUN_SD if ended else None,
        high=used + max(how.missing, default=0.0) + Z_90 * FULL_RUN_SD if ended else None,
        ended=ended,
        failed=how.output_lost and not ended and not how.with_others,
        removed=drawn_as / rated_as if rated_as and drawn_as > 0.0 else None,
        before_v=before_v,
        lowest_v=min(volts) if volts else None,
        opening_current_a=currents[0] if currents else None,
        claimed_s=how.claimed_s if _steady(how.before_w, rows) else None,
        said_good=how.said_good,
        missing=how.missing,
        judged_by=table_digest(fitted),
    )


def _by_and_by(rows: Sequence[ShownRow], end_v: float) -> bool:
    """Return whether the voltage came down to the end over a while, as of a worn bank, not at once, as of a broken one."""
    last_s = rows[-1].t_s
    if last_s - rows[0].t_s < _LONG_ENOUGH_S:
        return False
    earlier = [r.voltage_v for r in rows if r.voltage_v is not None and r.t_s <= last_s - _BY_AND_BY_S]
    return bool(earlier) and min(earlier) <= _NEAR_ITS_END * end_v


def at_its_end(lowest_v: float, fitted: FittedBank, bank: Bank) -> bool:
    """Return whether a bank was about at its end voltage, V as its card reports it."""
    return lowest_v <= _ABOUT_ENDED * fitted.end_voltage_per_cell_v * bank.reported_cells


def table_digest(fitted: FittedBank) -> str:
    """Return a digest of what the run time table of some blocks is made of: another table makes other shares of it."""
    known = (
        fitted.constant_power,
        fitted.end_voltage_per_cell_v,
        fitted.rated_capacity_ah,
        fitted.rated_hours,
    )
    return blake2b(repr(known).encode(), digest_size=8).hexdigest()
