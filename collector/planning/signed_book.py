"""Signed shutdowns as they stand, to be looked up: those that a running service follows, or those that a ledger holds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final

from collector.process.clock import Clock
from collector.recorder.current_state import Present
from collector.storage.ledger.records import CourseLine, SignedLine
from rules.phrasing.reasons import said
from rules.planning.ridethrough.result import Ridethrough
from rules.planning.ridethrough.signed_course import Compared, PlanCourse, Status, compare
from rules.planning.ridethrough.signed_plan import Breach, SignedPlan, digest_of, objections, watch
from rules.values.reason import Reason
from rules.values.serial import from_plain, to_plain

WORDS: Final = "words"
"""What a plan's reasons were told as; its mark is made of the rest."""


@dataclass(frozen=True, slots=True)
class SignedShutdown:
    """A signed plan as it stands. `id` is the digest of what was signed.

    `against`: why it would not be signed now, None while that was not looked at since the start.
    """

    id: str
    plan: SignedPlan
    course: PlanCourse
    against: tuple[Reason, ...] | None = None
    against_at: datetime | None = None

    @property
    def compared(self) -> tuple[Compared, ...]:
        """Return what was foretold beside what happened, empty before there is something to compare."""
        over = self.course.status in {Status.ENDED, Status.WITHDRAWN} and self.course.began_at is not None
        return compare(self.plan, self.course) if over else ()


class SignedBook:
    """The signed plans, by the digest of what was signed."""

    def __init__(self, clock: Clock, present: Present, kept: Mapping[str, SignedShutdown]) -> None:
        self._clock = clock
        self._present = present
        self._kept = dict(kept)

    def of(self, system: str) -> tuple[SignedShutdown, ...]:
        """Return the plans of a system in the order of their starts."""
        found = [kept for kept in self._kept.values() if kept.plan.system == system]
        return tuple(sorted(found, key=lambda k: (k.plan.starts_at, k.plan.signed_at)))

    def get(self, plan: str) -> SignedShutdown | None:
        """Return one plan, or None."""
        return self._kept.get(plan)

    def next_of(self, system: str) -> SignedShutdown | None:
        """Return the plan of a system that runs or comes next, or None."""
        return next((kept for kept in self.of(system) if kept.course.open), None)

    def last_of(self, system: str) -> SignedShutdown | None:
        """Return the plan of a system that ran last, or None."""
        return next((kept for kept in reversed(self.of(system)) if kept.compared), None)

    def breaches(self, kept: SignedShutdown) -> tuple[Breach, ...]:
        """Return the abort criteria of a plan that are met now; none unless it runs."""
        state = self._present.systems.get(kept.plan.system)
        if state is None or not kept.course.open:
            return ()
        return watch(kept.plan, state, self._clock.now())

    def replayed(self, plan: str, result: Ridethrough) -> None:
        """Take in the plan's scenario as played on what is known now."""
        kept = self._kept.get(plan)
        state = None if kept is None else self._present.systems.get(kept.plan.system)
        if kept is not None and state is not None:
            self.objected(plan, objections(kept.plan, state, result))

    def objected(self, plan: str, against: tuple[Reason, ...]) -> None:
        """Take in what speaks against a plan now."""
        if plan in self._kept:
            self._kept[plan] = replace(self._kept[plan], against=against, against_at=self._clock.now())


def signed_body(plan: SignedPlan) -> dict[str, Any]:
    """Return a plan as the ledger keeps it: what its mark is made of, and beside that its reasons as they were told."""
    words = said((*plan.result.because, *plan.result.assumptions))
    return {**to_plain(plan), WORDS: list(words)}


def restored(line: SignedLine, course: CourseLine | None) -> SignedShutdown:
    """Return a plan as it is kept. Raises TypeError, ValueError or KeyError where it is not what was signed."""
    if digest_of({name: part for name, part in line.body.items() if name != WORDS}) != line.id:
        raise ValueError("its mark does not fit")
    so_far = PlanCourse() if course is None else from_plain(PlanCourse, course.body)
    return SignedShutdown(line.id, from_plain(SignedPlan, line.body), so_far)
