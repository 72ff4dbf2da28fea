"""What a judgement of a bank rests on, as plain values: discharges, hours on charge, a person's measurements.

Each discharge is judged once, when it has ended; what it showed is kept as `DischargeEvidence` and fused
anew with all the others at every judgement. Everything here belongs to the blocks in place at the time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

import numpy as np

from rules.battery.assessment.charging import ChargeHour
from rules.battery.assessment.faults import Claim
from rules.battery.assessment.fusion import CapacityEvidence
from rules.battery.assessment.replacement import BankDemand
from rules.battery.discharge.evidence import BROUGHT, NOT_OF_THIS_BANK, DischargeEvidence
from rules.battery.discharge.likelihood import moments
from rules.battery.model.ageing import MonthTemperature
from rules.battery.model.inverter_losses import Losses, default_losses, learn_losses
from rules.battery.model.recharge import Recharge
from rules.battery.model.same_error import shared_at
from rules.battery.model.size_factors import coldest_of
from rules.battery.state import JudgedDischarge, LifeLesson, ShownToCarry
from rules.plant.estate import Bank
from rules.system.requirements import for_long_enough
from rules.values.constants import SD_90

TELLING_SD: Final = 0.15
"""Standard deviation up to which an estimate tells: what is taken of a bank in service before any record."""


CLAIM_JUDGED: Final = 0.35
"""Widest interval of what was there, as a part of it, beside which a card's minutes are judged: they differ from it by more."""


@dataclass(frozen=True, slots=True)
class HandReading:
    """Values a person measured, by block: volts, or ohms (any one meter's unit)."""

    on: date
    what: str
    values: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class Sibling:
    """Another bank of the same type and about the same age and load; None: not known."""

    bank: str
    voltage_per_cell_v: float | None = None
    temperature_c: float | None = None
    resistance_ohm_per_cell: float | None = None


@dataclass(frozen=True, slots=True)
class BankEvidence:
    """Everything a judgement of one bank rests on. What is older than the blocks in place is left out.

    `asked`: what its system asks of it with the worst single unit lost, None where nothing is asked.
    `recharge`: what was seen since the last discharge; None: nothing but the hours is known. `awaits`: its system will
    ask something of it, which is not known yet. `site`: where it stands; `lessons`: what other banks showed of their life.
    """

    bank: Bank
    as_of: datetime
    temperature_c: float | None = None
    months: tuple[MonthTemperature, ...] = ()
    discharges: tuple[DischargeEvidence, ...] = ()
    hours: tuple[ChargeHour, ...] = ()
    hand: tuple[HandReading, ...] = ()
    asked: BankDemand | None = None
    next_test: date | None = None
    rating_w: float | None = None
    losses: Losses | None = None
    recharge: Recharge | None = None
    siblings: tuple[Sibling, ...] = ()
    awaits: bool = False
    site: str = ""
    lessons: tuple[LifeLesson, ...] = ()

    @property
    def coldest_c(self) -> float:
        """Return the coldest that its room gets, degC, as far as it was seen."""
        return coldest_of(self.months, self.bank.room_temperature_c)

    @property
    def returned(self) -> float | None:
        """Return ampere-hours counted since the last discharge, as a share of the rated; None: not known."""
        return None if self.recharge is None else self.recharge.returned


def capacity_evidence(discharges: Sequence[DischargeEvidence]) -> tuple[CapacityEvidence, ...]:
    """Return what discharges say of capacity. An abrupt failure says nothing of it: see `not_shown`.

    A discharge that was not judged still shows that the bank had as much as it gave; one whose record cannot be of the
    bank that is declared shows nothing, since what it gave is counted in that bank's cells.
    """
    found: list[CapacityEvidence] = []
    for d in discharges:
        if d.failed or (
            d.fraction is None and (_made_up(d) or any(w.code in NOT_OF_THIS_BANK for w in d.doubts))
        ):
            continue
        least = 0.0 if d.ended else d.given
        if d.fraction is None or d.low is None or d.high is None:
            if d.given > 0.05:
                found.append(CapacityEvidence(d.at.date(), max(d.given, 0.8), 1.0, d.published_s, least))
            continue
        depth = d.used / max(d.fraction, 1e-3)
        shared = 0.0 if d.ended else shared_at(depth)
        fraction, sd = _said(d)
        likelihood = None if d.ended else d.likelihood
        found.append(CapacityEvidence(d.at.date(), fraction, sd, d.published_s, least, shared, likelihood))
    return tuple(found)


def _said(d: DischargeEvidence) -> tuple[float, float]:
    """Return what the record of a judged discharge itself said of health: mean and standard deviation."""
    if d.likelihood and not d.ended:
        return moments(d.likelihood)
    mean, low, high = d.fraction or 0.0, d.low or 0.0, d.high or 0.0
    return _seen(mean, max((high - low) / SD_90, 0.005), d.taken_before)


def _seen(mean: float, sd: float, before: tuple[float, float] | None) -> tuple[float, float]:
    """Return what the record itself said: a normal estimate with a normal prior divided out.

    Where hardly more than the prior is left, the result is held at 0.3 to 1.3 and a deviation of 1.
    """
    if before is None:
        return mean, sd
    precision = 1.0 / sd**2 - 1.0 / before[1] ** 2
    if precision <= 1.0:
        return mean, 1.0
    own = (mean / sd**2 - before[0] / before[1] ** 2) / precision
    return min(max(own, 0.3), 1.3), precision**-0.5


def tells(d: DischargeEvidence) -> bool:
    """Return whether a discharge says anything of the bank that table and age did not: it proves or disproves it.

    A failure and a run to the end do; an estimate does where its own part is good to 15 points, about a tenth
    of what the bank gives. A flicker of seconds shows that it carried, and no more.
    """
    if d.failed or d.ended:
        return True
    if d.fraction is None or d.low is None or d.high is None:
        return False
    return _said(d)[1] <= TELLING_SD


def losses_from(discharges: Sequence[DischargeEvidence], rating_w: float | None) -> Losses:
    """Return the inverter losses that discharges show, drawn towards the default; the default where none does.

    `rating_w`: of the units behind the bank, summed.
    """
    if rating_w is None:
        return default_losses(None)
    # What is refused, or whose amperes are not believed, says nothing of an inverter.
    pairs = [(d.output_power_w, d.battery_power_w or 0.0) for d in discharges if d.shows_losses]
    if not pairs:
        return default_losses(rating_w)
    return learn_losses(np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs]), rating_w)


def last_shown(discharges: Sequence[DischargeEvidence]) -> ShownToCarry | None:
    """Return the last time the bank carried a load for a minute, None where it then failed or never did."""
    good = [
        d
        for d in discharges
        if not d.failed and not _made_up(d) and for_long_enough(d.seconds) and d.output_power_w > 0.0
    ]
    if not good or (discharges and discharges[-1].failed):
        return None
    return ShownToCarry(good[-1].at, good[-1].output_power_w, good[-1].seconds)


def _made_up(d: DischargeEvidence) -> bool:
    """Return whether a discharge is known by a log that is refused alone: that it was there at all, nobody else says."""
    return d.refused and d.kind in BROUGHT


def claims_of(discharges: Sequence[DischargeEvidence]) -> list[Claim]:
    """Return what the card promised at each discharge beside the best word on what was there."""
    found = []
    for d in discharges:
        whole = None
        if d.ended or d.failed:
            whole = d.seconds
        elif d.fraction is not None and d.used > 0.3 * d.fraction and d.by_itself > 0.0 and _well_known(d):
            whole = d.seconds * max(d.fraction - d.used + d.by_itself, d.by_itself) / d.by_itself
        found.append(Claim(d.at.date(), d.claimed_s, whole, d.said_good, d.failed))
    return found


def _well_known(d: DischargeEvidence) -> bool:
    """Return whether what a bank would have given is known well enough to hold a card's minutes against it."""
    return (
        d.fraction is not None
        and d.low is not None
        and d.high is not None
        and d.high - d.low <= CLAIM_JUDGED * d.fraction
    )


def judged(d: DischargeEvidence) -> JudgedDischarge:
    """Return a discharge as it is shown."""
    depth = None if not d.fraction else min(d.used / d.fraction, 1.0)
    return JudgedDischarge(d.at, d.kind, depth, d.fraction, d.low, d.high, d.doubts)
