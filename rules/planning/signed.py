"""A planned shutdown, frozen as it was signed, and watched against its abort criteria while it runs.

What was signed does not change when the load or the banks do: the difference is what the watch is for.
Afterwards what happened is set beside what was foretold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from hashlib import sha256
from typing import Final

from rules.estate import Generator, Unit
from rules.parallel import FEEDING, MERELY_UNSEEN
from rules.planning.ridethrough import Ridethrough, Scenario
from rules.planning.safety import ADVICE_ONLY, SAFETY
from rules.planning.supply import OnBanks, on_banks
from rules.requirements import minutes
from rules.verdicts import SystemState, Verdict

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
    """A plan as it was signed: scenario, result, stretches on the banks, limits, who and when."""

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
    safety: tuple[str, ...] = (SAFETY, ADVICE_ONLY)

    @property
    def digest(self) -> str:
        """Return a mark of everything that was signed: a changed plan has another."""
        return sha256(repr(self).encode()).hexdigest()[:16]

    @property
    def ends_at(self) -> datetime | None:
        """Return when the last stretch on the banks ends; None where no supply comes back."""
        last = max((s.until_s for s in self.stretches), default=0.0)
        return None if last == float("inf") else self.starts_at + timedelta(seconds=last)


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
) -> SignedPlan:
    """Return the plan as signed.

    Raises:
        ValueError: the plan was found inadequate or could not be judged, or the load is not known: nobody
            should sign that.
    """
    if result.verdict is not Verdict.ADEQUATE:
        raise ValueError(
            f"want a plan that carries the load; got {result.verdict.value}: {' '.join(result.because)}"
        )
    if state.load.power_w is None:
        raise ValueError("want a known load to hold the plan against")
    stretches, _ = on_banks(scenario.outages, scenario.generator, generator, units)
    counted = tuple(u.id for u in state.units if u.standing in FEEDING and u.id not in scenario.units_out)
    load_w = state.load.power_w * scenario.load_times + sum(w for _, w in scenario.load_added_w)
    return SignedPlan(
        state.id, starts_at, scenario, result, stretches, counted, load_w, by, at, limits or AbortLimits()
    )


@dataclass(frozen=True, slots=True)
class Breach:
    """One abort criterion that is met now, in a sentence."""

    criterion: Criterion
    because: str


def watch(plan: SignedPlan, state: SystemState, now: datetime) -> tuple[Breach, ...]:
    """Return which abort criteria are met at this moment, the gravest first; none before the plan begins."""
    if now < plan.starts_at:
        return ()
    found = [*_time(plan, state, now), *_units(plan, state), *_load(plan, state)]
    order = list(Criterion)
    gravest = [Criterion.ENDS_TOO_EARLY, Criterion.LASTS_TOO_LONG, Criterion.MARGIN_GONE]
    return tuple(sorted(found, key=lambda b: (b.criterion not in gravest, order.index(b.criterion))))


def _load(plan: SignedPlan, state: SystemState) -> list[Breach]:
    load_w = state.load.power_w
    if load_w is None:
        return [Breach(Criterion.NOT_SEEN, "The load is not known: the plan cannot be watched.")]
    if load_w > plan.load_w * (1.0 + plan.limits.load_over):
        why = f"The load is {load_w / 1e3:.1f} kW; {plan.load_w / 1e3:.1f} kW were planned with."
        return [Breach(Criterion.LOAD_ABOVE_PLAN, why)]
    return []


def _units(plan: SignedPlan, state: SystemState) -> list[Breach]:
    found = []
    for unit in state.units:
        if unit.id not in plan.counted_on or unit.standing in FEEDING:
            continue
        word = unit.standing.value.replace("_", " ")
        kind = Criterion.NOT_SEEN if unit.standing in MERELY_UNSEEN else Criterion.UNIT_MISSING
        found.append(Breach(kind, f"Unit {unit.id}, which the plan counts on, is {word}."))
    return found


def _planned_until(plan: SignedPlan, now: datetime) -> datetime | None:
    """Return when the stretch on the banks that began last should end; None: there is none, or no end."""
    into_s = (now - plan.starts_at).total_seconds()
    until_s = next((s.until_s for s in reversed(plan.stretches) if s.from_s <= into_s), float("inf"))
    return None if until_s == float("inf") else plan.starts_at + timedelta(seconds=until_s)


def _time(plan: SignedPlan, state: SystemState, now: datetime) -> list[Breach]:
    """Return what the clock says: on the banks when they should not be, or not for as long as needed."""
    battery, until = state.on_battery, _planned_until(plan, now)
    if battery is None or until is None:
        return []
    late_s = (now - until).total_seconds()
    spare_s = None if battery.ends_earliest is None else (battery.ends_earliest - until).total_seconds()
    if late_s > plan.limits.overrun_s:
        why = f"Still on the banks {minutes(late_s)} after the plan says they rest."
        return [Breach(Criterion.LASTS_TOO_LONG, why)]
    if spare_s is None:
        return [Breach(Criterion.NOT_SEEN, "How long the banks still hold is not known.")]
    if spare_s < 0.0:
        why = f"The banks may end {minutes(-spare_s)} before supply is planned back: break off."
        return [Breach(Criterion.ENDS_TOO_EARLY, why)]
    if spare_s < plan.limits.margin_s:
        why = f"Only {minutes(spare_s)} are to spare; {minutes(plan.limits.margin_s)} were signed for."
        return [Breach(Criterion.MARGIN_GONE, why)]
    return []


@dataclass(frozen=True, slots=True)
class Compared:
    """One thing foretold and what happened; `inside` None where it was not put to the test."""

    what: str
    foretold: str
    happened: str
    inside: bool | None


def compare(
    plan: SignedPlan, on_battery_s: Sequence[float], least_left_s: float | None, *, dropped: bool
) -> tuple[Compared, ...]:
    """Return what was foretold beside what happened: stretches on the banks, what was left, the load."""
    rows = [
        Compared("load", "carried", "lost" if dropped else "carried", not dropped),
    ]
    for number, stretch in enumerate(plan.stretches, start=1):
        planned_s = stretch.until_s - stretch.from_s
        took = on_battery_s[number - 1] if number <= len(on_battery_s) else None
        rows.append(
            Compared(
                f"stretch {number} on the banks",
                f"at most {minutes(planned_s)}",
                "did not happen" if took is None else minutes(took),
                None if took is None else took <= planned_s + plan.limits.overrun_s,
            )
        )
    if plan.result.margin_s is not None:
        rows.append(
            Compared(
                "left at the tightest moment",
                f"{minutes(plan.result.margin_s)} at the least",
                "not known" if least_left_s is None else minutes(max(least_left_s, 0.0)),
                None if least_left_s is None else least_left_s >= plan.result.margin_s,
            )
        )
    return tuple(rows)
