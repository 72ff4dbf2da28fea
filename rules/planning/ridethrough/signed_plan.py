"""A planned shutdown, frozen as it was signed, and watched against its abort criteria while it runs.

What was signed does not change when the load or the banks do: the difference is what the watch is for.
What came of it afterwards is the business of `signed_course`.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from hashlib import sha256
from typing import Any, Final

from rules.planning.ridethrough.result import Ridethrough
from rules.planning.ridethrough.scenario import Scenario
from rules.planning.ridethrough.supply import FOR_EVER, OnBanks, on_banks
from rules.plant.estate import Generator, Unit
from rules.system.parallel import FEEDING, MERELY_UNSEEN
from rules.system.state import SystemState
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.serial import to_plain
from rules.values.verdict import Verdict

LOAD_OVER: Final = 0.10
OVERRUN: Final = timedelta(seconds=30)


class Criterion(StrEnum):
    """Why a planned shutdown should be broken off."""

    LOAD_ABOVE_PLAN = "load_above_plan"
    UNIT_MISSING = "unit_missing"
    ENDS_TOO_EARLY = "ends_too_early"
    LASTS_TOO_LONG = "lasts_too_long"
    NOT_SEEN = "not_seen"
    MARGIN_GONE = "margin_gone"


@dataclass(frozen=True, slots=True)
class AbortLimits:
    """Limits signed with the plan. `load_over`: fraction above the planned load; `margin_s`: least to spare."""

    load_over: float = LOAD_OVER
    overrun_s: float = OVERRUN.total_seconds()
    margin_s: float = 0.0


@dataclass(frozen=True, slots=True)
class SignedPlan:
    """A plan as it was signed: scenario, result, stretches on the banks, limits, who, when and why."""

    system: str
    starts_at: datetime
    scenario: Scenario
    result: Ridethrough
    stretches: tuple[OnBanks, ...]
    counted_on: tuple[str, ...]
    load_w: float
    signed_by: str
    signed_at: datetime
    limits: AbortLimits = field(default_factory=AbortLimits)
    safety: tuple[Reason, ...] = (reason(Code.SAFETY), reason(Code.ADVICE_ONLY))
    note: str = ""

    @property
    def digest(self) -> str:
        """Return a mark of everything that was signed: a changed plan has another."""
        return digest_of(to_plain(self))

    @property
    def ends_at(self) -> datetime:
        """Return when the last stretch on the banks ends."""
        return self.starts_at + timedelta(seconds=max(s.until_s for s in self.stretches))


def digest_of(plain: dict[str, Any]) -> str:
    """Return the mark of a plan's plain form: 16 hexadecimal digits of SHA-256 over it, keys in order.

    It is taken of the plain form, so that a plan that an earlier program signed keeps its mark.
    """
    text = json.dumps(plain, sort_keys=True, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return sha256(text.encode()).hexdigest()[:16]


class NotCarriedError(ValueError):
    """A plan was asked for that is not known to carry the load; `result` has the reasons."""

    def __init__(self, result: Ridethrough) -> None:
        super().__init__(f"not carried: {result.verdict.value}")
        self.result = result


def sign(
    result: Ridethrough,
    scenario: Scenario,
    state: SystemState,
    *,
    starts_at: datetime,
    by: str,
    at: datetime,
    generator: Generator | None,
    units: Sequence[Unit],
    limits: AbortLimits | None = None,
    note: str = "",
) -> SignedPlan:
    """Return the plan as signed; nobody should sign what is refused.

    Raises:
        NotCarriedError: the plan was found inadequate, or could not be judged.
        ValueError: the load is not known, or no supply is planned to come back.
    """
    if any(outage.for_s is None for outage in scenario.outages):
        raise ValueError("want a shutdown that ends: every outage with the seconds that it lasts")
    if result.verdict is not Verdict.ADEQUATE:
        raise NotCarriedError(result)
    if state.load.power_w is None:
        raise ValueError("want a known load to hold the plan against")
    stretches, _ = on_banks(scenario.outages, scenario.generator, generator, units)
    if any(stretch.until_s == FOR_EVER for stretch in stretches):
        raise ValueError("want a shutdown after which supply comes back; got one without")
    counted = tuple(u.id for u in state.units if u.standing in FEEDING and u.id not in scenario.units_out)
    stands_w = state.load.power_w if result.load is None else result.load.power_w
    load_w = stands_w * scenario.load_times + sum(w for _, w in scenario.load_added_w)
    return SignedPlan(
        state.id,
        starts_at,
        scenario,
        result,
        stretches,
        counted,
        load_w,
        by,
        at,
        limits or AbortLimits(),
        note=note,
    )


@dataclass(frozen=True, slots=True)
class Breach:
    """One abort criterion that is met now, and why.

    `spare_s`: what the banks have left beyond the planned end of the stretch, negative where they have not
    that much or it is over; None for a criterion that is not about time.
    """

    criterion: Criterion
    because: Reason
    spare_s: float | None = None


GRAVEST: Final = (Criterion.ENDS_TOO_EARLY, Criterion.LASTS_TOO_LONG, Criterion.MARGIN_GONE)


def watch(plan: SignedPlan, state: SystemState, now: datetime) -> tuple[Breach, ...]:
    """Return which abort criteria are met at this moment, the gravest first; none before the plan begins."""
    if now < plan.starts_at:
        return ()
    found = [*_time(plan, state, now), *_units(plan, state), *_load(plan, state)]
    order = list(Criterion)
    return tuple(sorted(found, key=lambda b: (b.criterion not in GRAVEST, order.index(b.criterion))))


def objections(plan: SignedPlan, state: SystemState, replayed: Ridethrough) -> tuple[Reason, ...]:
    """Return why the plan would not be signed as things stand now; empty while it would be.

    `replayed`: the plan's own scenario played on the present load, banks and units.
    """
    found = [breach.because for breach in (*_units(plan, state), *_load(plan, state))]
    if replayed.verdict is not Verdict.ADEQUATE:
        found = [*replayed.because, *found]
    return tuple(dict.fromkeys(found))


def _load(plan: SignedPlan, state: SystemState) -> list[Breach]:
    load_w = state.load.power_w
    if load_w is None:
        return [Breach(Criterion.NOT_SEEN, reason(Code.BREACH_LOAD_NOT_KNOWN))]
    if load_w > plan.load_w * (1.0 + plan.limits.load_over):
        why = reason(Code.BREACH_LOAD, load_w=load_w, planned_w=plan.load_w)
        return [Breach(Criterion.LOAD_ABOVE_PLAN, why)]
    return []


def _units(plan: SignedPlan, state: SystemState) -> list[Breach]:
    """Return one breach for all units that are missing, and one for all that are merely not seen."""
    by_kind: dict[Criterion, list[Reason]] = {}
    for unit in state.units:
        if unit.id in plan.counted_on and unit.standing not in FEEDING:
            kind = Criterion.NOT_SEEN if unit.standing in MERELY_UNSEEN else Criterion.UNIT_MISSING
            by_kind.setdefault(kind, []).append(reason(Code.UNIT_STANDS, unit.id, standing=unit.standing))
    return [Breach(kind, reason(Code.BREACH_UNITS, units=tuple(who))) for kind, who in by_kind.items()]


def _planned_until(plan: SignedPlan, now: datetime) -> datetime:
    """Return when the stretch on the banks that began last should end."""
    into_s = (now - plan.starts_at).total_seconds()
    stretch = next((s for s in reversed(plan.stretches) if s.from_s <= into_s), plan.stretches[0])
    return plan.starts_at + timedelta(seconds=stretch.until_s)


def _time(plan: SignedPlan, state: SystemState, now: datetime) -> list[Breach]:
    """Return what the clock says: on the banks when they should not be, or not for as long as needed."""
    battery = state.on_battery
    if battery is None:
        return []
    until = _planned_until(plan, now)
    late_s = (now - until).total_seconds()
    if late_s > plan.limits.overrun_s:
        why = reason(Code.BREACH_OVERRUN, late_s=late_s)
        return [Breach(Criterion.LASTS_TOO_LONG, why, -late_s)]
    if battery.ends_earliest is None:
        return [Breach(Criterion.NOT_SEEN, reason(Code.BREACH_END_NOT_KNOWN))]
    spare_s = (battery.ends_earliest - until).total_seconds()
    if spare_s < 0.0:
        why = reason(Code.BREACH_ENDS_TOO_EARLY, short_s=-spare_s)
        return [Breach(Criterion.ENDS_TOO_EARLY, why, spare_s)]
    if spare_s < plan.limits.margin_s:
        why = reason(Code.BREACH_MARGIN, spare_s=spare_s, signed_s=plan.limits.margin_s)
        return [Breach(Criterion.MARGIN_GONE, why, spare_s)]
    return []
