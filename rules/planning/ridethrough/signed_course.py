"""What came of a signed plan: what is noted while it runs, and what is said of it afterwards, misses included.

A plan is signed, runs from its start, and has ended once its last stretch is over and the banks rest again.
Somebody may withdraw it before its end. What was signed is never changed by any of this.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final

from rules.planning.ridethrough.signed_plan import SignedPlan
from rules.system.state import SystemState
from rules.values.code import Code
from rules.values.reason import Reason, reason

UNSEEN: Final = timedelta(seconds=60)
"""A gap between two looks that is longer than this is one in which nobody watched."""


class Status(StrEnum):
    """How far a signed plan has come."""

    SIGNED = "signed"
    RUNNING = "running"
    ENDED = "ended"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True)
class Spell:
    """One time on the banks while the plan ran; `until` None: still on them."""

    since: datetime
    until: datetime | None = None

    def lasted_s(self, now: datetime) -> float:
        """Return how long it lasted, or has lasted up to now, in s."""
        return ((self.until or now) - self.since).total_seconds()


@dataclass(frozen=True, slots=True)
class PlanCourse:
    """What has happened of a plan so far.

    `least_left_s`: the least time left that was reckoned, at the cautious end. `unseen_s`: for how long
    nobody watched. `broken`: the abort criteria that were met at some time. `by`, `why`: of a withdrawal.
    """

    status: Status = Status.SIGNED
    began_at: datetime | None = None
    ended_at: datetime | None = None
    seen_at: datetime | None = None
    spells: tuple[Spell, ...] = ()
    least_left_s: float | None = None
    dropped: bool = False
    unseen_s: float = 0.0
    broken: tuple[str, ...] = ()
    by: str = ""
    why: str = ""

    @property
    def open(self) -> bool:
        """Return whether the plan is still to come or runs."""
        return self.status in {Status.SIGNED, Status.RUNNING}


def looked(
    plan: SignedPlan,
    course: PlanCourse,
    state: SystemState | None,
    now: datetime,
    broken: tuple[str, ...] = (),
) -> PlanCourse:
    """Return the course after a look at the system, None where it was not judged yet."""
    if not course.open or now < plan.starts_at:
        return course
    if course.status is Status.SIGNED:
        course = replace(course, status=Status.RUNNING, began_at=plan.starts_at, seen_at=plan.starts_at)
    if state is None:
        return course
    gap = now - (course.seen_at or now)
    unseen_s = course.unseen_s + (gap.total_seconds() if gap > UNSEEN else 0.0)
    course = replace(
        course,
        seen_at=now,
        unseen_s=unseen_s,
        spells=_spells(plan, course.spells, state, now),
        least_left_s=_least(course.least_left_s, state, now),
        dropped=course.dropped or state.feeds_nothing,
        broken=(*course.broken, *(b for b in broken if b not in course.broken)),
    )
    if now >= plan.ends_at and state.on_battery is None:
        return replace(course, status=Status.ENDED, ended_at=now)
    return course


def _least(before_s: float | None, state: SystemState, now: datetime) -> float | None:
    """Return the least time left that was reckoned so far."""
    battery = state.on_battery
    if battery is None or battery.ends_earliest is None:
        return before_s
    left_s = max((battery.ends_earliest - now).total_seconds(), 0.0)
    return left_s if before_s is None else min(before_s, left_s)


def _spells(
    plan: SignedPlan, spells: tuple[Spell, ...], state: SystemState, now: datetime
) -> tuple[Spell, ...]:
    open_now = bool(spells) and spells[-1].until is None
    if state.on_battery is not None and not open_now:
        since = max(state.on_battery.since, plan.starts_at)
        return (*spells, Spell(since))
    if state.on_battery is None and open_now:
        return (*spells[:-1], replace(spells[-1], until=now))
    return spells


@dataclass(frozen=True, slots=True)
class Compared:
    """One thing foretold and what happened; `inside` None where it was not put to the test."""

    what: Reason
    foretold: Reason
    happened: Reason
    inside: bool | None


def compare(plan: SignedPlan, course: PlanCourse) -> tuple[Compared, ...]:
    """Return what was foretold beside what happened: the load, stretches on the banks, what was left."""
    end = course.ended_at or course.seen_at or plan.starts_at
    rows = [_load(course)]
    rows += _stretches(plan, course, end)
    if plan.result.margin_s is not None:
        least_s = course.least_left_s
        rows.append(
            Compared(
                reason(Code.ROW_LEFT),
                reason(Code.SAID_AT_LEAST, seconds=plan.result.margin_s),
                reason(Code.SAID_NOT_KNOWN) if least_s is None else reason(Code.SAID_LEFT, seconds=least_s),
                None if least_s is None else least_s >= plan.result.margin_s,
            )
        )
    if course.unseen_s > 0.0:
        unseen = reason(Code.SAID_NOT_FOR, seconds=course.unseen_s)
        rows.append(Compared(reason(Code.ROW_WATCHED), reason(Code.SAID_THROUGHOUT), unseen, False))
    return tuple(rows)


def _load(course: PlanCourse) -> Compared:
    """Return whether the load was carried; nothing was shown where the banks were not needed or nobody watched."""
    load, carried = reason(Code.ROW_LOAD), reason(Code.SAID_CARRIED)
    if course.dropped:
        return Compared(load, carried, reason(Code.SAID_LOST), False)
    if course.unseen_s > 0.0:
        return Compared(load, carried, reason(Code.SAID_CARRIED_AS_SEEN), None)
    if not course.spells:
        return Compared(load, carried, reason(Code.SAID_CARRIED_WITHOUT_BANKS), None)
    return Compared(load, carried, carried, True)


def _stretches(plan: SignedPlan, course: PlanCourse, end: datetime) -> Iterator[Compared]:
    """Yield each planned stretch with the time on the banks that began in it."""
    starts = [plan.starts_at + timedelta(seconds=stretch.from_s) for stretch in plan.stretches]
    took: dict[int, float] = {}
    for spell in course.spells:
        number = max((n for n, start in enumerate(starts) if start <= spell.since), default=0)
        took[number] = took.get(number, 0.0) + spell.lasted_s(end)
    for number, stretch in enumerate(plan.stretches):
        planned_s, seen_s = stretch.until_s - stretch.from_s, took.get(number)
        yield Compared(
            reason(Code.ROW_STRETCH, number=number + 1),
            reason(Code.SAID_AT_MOST, seconds=planned_s),
            reason(Code.SAID_NOT_HAPPENED) if seen_s is None else reason(Code.SAID_LASTED, seconds=seen_s),
            None if seen_s is None else seen_s <= planned_s + plan.limits.overrun_s,
        )
