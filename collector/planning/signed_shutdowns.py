"""Planned shutdowns as they were signed: kept, watched while they run, compared with what happened.

A plan is played before it is signed; what is not adequate is refused. From then on it stands in the ledger
as it is, and only its course moves: it runs from its start, ends, or is withdrawn. The recorder has the plans
looked at with every judgement of a system and every tick, and commits what comes of it with the rest.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Final

from collector.planning.planner import Planner
from collector.planning.signed_book import SignedBook, SignedShutdown, restored, signed_body
from collector.process.clock import Clock
from collector.recorder.current_state import Present
from collector.storage.ledger import Ledger, Transaction
from collector.storage.ledger.records import Action, CourseLine, JournalLine, SignedLine
from rules.alarms.conditions.shutdown import Met, ShutdownFigures
from rules.alarms.events import PowerEvent
from rules.alarms.planned_work import windows
from rules.alarms.windows import Window
from rules.monitor.clock_moved import moved
from rules.monitor.inputs import ShutdownLooked
from rules.phrasing.reasons import said, say
from rules.phrasing.signed_shutdown import begun_words, ended_words, signed_words, withdrawn_words
from rules.planning.ridethrough.scenario import Scenario
from rules.planning.ridethrough.signed_course import PlanCourse, Status, looked
from rules.planning.ridethrough.signed_plan import (
    AbortLimits,
    NotCarriedError,
    SignedPlan,
    sign,
    watch,
)
from rules.plant.estate import Estate
from rules.plant.reading import Stamp
from rules.values.reason import told
from rules.values.serial import to_plain

FURTHEST: Final = timedelta(days=92)
"""How far ahead a shutdown may be signed: load and banks move on, and it would rest on old figures."""
WARN_WITHIN: Final = timedelta(hours=4)
"""How long before its start it is told that a plan would not be signed any more; before that it is shown."""
KEEP_EVERY: Final = timedelta(seconds=30)
"""How often it is kept that a running plan was seen."""
_log: Final = logging.getLogger(__name__)


class NotSigned(Exception):  # noqa: N818 - it says how things stand
    """A plan is not signed, or cannot be withdrawn; the text says why."""


class SignedShutdowns(SignedBook):
    """The signed plans of the estate."""

    def __init__(  # noqa: PLR0917 - of what, where it is kept, by what it is judged, and who hears of it
        self,
        estate: Estate,
        ledger: Ledger,
        clock: Clock,
        present: Present,
        planner: Planner,
        tell_moved: Callable[[], Awaitable[None]],
    ) -> None:
        """`tell_moved` is called when signing or withdrawing changed what is planned work."""
        super().__init__(clock, present, {})
        self._estate = estate
        self._ledger = ledger
        self._planner = planner
        self._unsaved: set[str] = set()
        self._saved_at: dict[str, datetime] = {}
        self._untold: set[str] = set(estate.systems)
        self._signing = asyncio.Lock()
        self._tell_moved = tell_moved

    async def restore(self, ledger: Ledger) -> None:
        """Go on from the ledger. A plan that is not what was signed any more is told of and left out."""
        damaged = []
        for line, course in await ledger.signed():
            if line.system not in self._estate.systems:
                continue
            try:
                self._kept[line.id] = restored(line, course)
            except (TypeError, ValueError, KeyError) as error:
                _log.error("signed plan %s: %s", line.id, error)
                damaged.append(line)
        if damaged:
            async with ledger.transaction() as tx:
                for line in damaged:
                    tx.add_event(_damage(line, self._clock.now()))

    # --- what people do -----------------------------------------------------------------------------------

    async def sign(
        self,
        system: str,
        scenario: Scenario,
        starts_at: datetime,
        *,
        by: str,
        note: str = "",
        limits: AbortLimits | None = None,
    ) -> SignedShutdown:
        """Play a shutdown on what is known now, and sign it.

        Raises NotSigned with the reason, ValueError for a wrong question, NotYet and Busy as the planner does.
        """
        async with self._signing:
            now = self._clock.now()
            if not now < starts_at <= now + FURTHEST:  # before it is turned into UTC, which year 1 cannot be
                raise ValueError(f"starts_at: want a time to come, at most {FURTHEST.days} days away")
            starts_at = starts_at.astimezone(UTC)
            result = await self._planner.ridethrough(system, scenario, starts_at)
            state = self._present.systems.get(system)
            if state is None:
                raise NotSigned("The system was not judged yet.")
            try:
                plan = sign(
                    result, scenario, state,
                    starts_at=starts_at, by=by, at=now, note=note, limits=limits,
                    generator=self._estate.generator_of(system), units=self._estate.units_of(system),
                )  # fmt: skip
            except NotCarriedError as error:
                why = " ".join(said(error.result.because))
                raise NotSigned(f"Not signed: {error}: {why}") from error
            except ValueError as error:
                raise NotSigned(f"Not signed: {error}") from error
            self._refuse_overlap(plan)
            kept = SignedShutdown(plan.digest, plan, PlanCourse(), (), now)
            await self._commit(
                kept,
                "sign_plan",
                by,
                note,
                PowerEvent(now, "plan_signed", system, told(signed_words(plan, self._name(plan)))),
            )
            self._kept[kept.id] = kept
            self._untold.add(system)
        await self._tell_moved()
        return kept

    async def withdraw(self, plan: str, *, by: str, note: str = "") -> SignedShutdown:
        """Withdraw a plan that is to come or runs. Raises KeyError for none, NotSigned for one that is over."""
        kept = self._kept[plan]
        if not kept.course.open:
            raise NotSigned(f"The plan is over already: {kept.course.status.value}.")
        now = self._clock.now()
        course = replace(kept.course, status=Status.WITHDRAWN, ended_at=now, by=by, why=note)
        self._kept[plan] = withdrawn = replace(kept, course=course)
        self._untold.add(kept.plan.system)
        text = withdrawn_words(course, self._name(kept.plan))
        try:
            await self._commit(
                withdrawn,
                "withdraw_plan",
                by,
                note,
                PowerEvent(now, "plan_withdrawn", kept.plan.system, told(text)),
            )
        except BaseException:
            self._kept[plan] = kept
            raise
        await self._tell_moved()
        return withdrawn

    async def _commit(self, kept: SignedShutdown, what: str, by: str, note: str, event: PowerEvent) -> None:
        plan, now = kept.plan, self._clock.now()
        fresh = kept.course.status is Status.SIGNED
        async with self._ledger.transaction(at_once=fresh) as tx:  # a signature is safe, or was not given
            if fresh:
                tx.add_signed(
                    SignedLine(
                        kept.id,
                        plan.system,
                        plan.starts_at,
                        plan.signed_at,
                        plan.signed_by,
                        body=signed_body(plan),
                    )
                )
            tx.save_course(_course_line(kept, now))
            tx.add_action(Action(now, by, what, plan.system, note, body={"plan": kept.id}))
            body = {"plan": kept.id, "starts_at": plan.starts_at.isoformat()}
            tx.add_event(
                JournalLine(
                    event.at, event.kind, event.about, say(event.what), schema="signed-plan/1", body=body
                )
            )
        self._present.changed()

    def _refuse_overlap(self, plan: SignedPlan) -> None:
        for other in self.of(plan.system):
            if (
                other.course.open
                and plan.starts_at < other.plan.ends_at
                and other.plan.starts_at < plan.ends_at
            ):
                raise NotSigned(
                    f"Not signed: the shutdown that {other.plan.signed_by} signed overlaps it (plan {other.id}); "
                    "withdraw that one first."
                )

    # --- what is known ------------------------------------------------------------------------------------

    def windows(self) -> tuple[Window, ...]:
        """Return what the open plans explain, as planned work that is not over."""
        now = self._clock.now()
        return tuple(
            window
            for kept in self._kept.values()
            if kept.course.open
            for window in windows(kept.plan, kept.id)
            if window.end > now
        )

    def _name(self, plan: SignedPlan) -> str:
        return self._estate.systems[plan.system].name

    # --- what the recorder asks ---------------------------------------------------------------------------

    def waiting(self) -> tuple[str, ...]:
        """Return the systems that a tick has something to say of."""
        open_now = {kept.plan.system for kept in self._kept.values() if kept.course.open}
        return tuple(s for s in self._estate.systems if s in open_now or s in self._untold)

    def look(self, system: str, at: Stamp) -> tuple[ShutdownLooked | None, tuple[PowerEvent, ...]]:
        """Look at a system's plan; return what the watch is told, None where it knows, and what is to be noted."""
        kept = self.next_of(system)
        if kept is None:
            if system not in self._untold:
                return None, ()
            self._untold.discard(system)
            return ShutdownLooked(at, ShutdownFigures(system)), ()
        self._untold.add(system)
        now, state = at.at, self._present.systems.get(system)
        met = () if state is None else watch(kept.plan, state, now)
        course = looked(kept.plan, kept.course, state, now, tuple(b.criterion.value for b in met))
        events = self._moved_on(kept, course, now)
        if not course.open:
            return ShutdownLooked(at, ShutdownFigures(system)), events
        soon = course.status is Status.SIGNED and kept.plan.starts_at - now <= WARN_WITHIN
        figures = ShutdownFigures(
            system,
            tuple(Met(b.criterion.value, b.because, b.spare_s) for b in met),
            (kept.against or ()) if soon else (),
            kept.plan.starts_at,
        )
        return ShutdownLooked(at, figures), events

    def _moved_on(self, kept: SignedShutdown, course: PlanCourse, now: datetime) -> tuple[PowerEvent, ...]:
        """Keep a course as it now is; return what of it belongs in the journal."""
        before = kept.course
        if course == before:
            return ()
        kept = self._kept[kept.id] = replace(kept, course=course)
        material = replace(before, seen_at=None, least_left_s=None, unseen_s=0.0)
        if material != replace(course, seen_at=None, least_left_s=None, unseen_s=0.0) or (
            now - self._saved_at.get(kept.id, before.seen_at or now) >= KEEP_EVERY
        ):
            self._unsaved.add(kept.id)
            self._saved_at[kept.id] = now
        events = []
        if before.status is Status.SIGNED and course.status is not Status.SIGNED:
            text = begun_words(kept.plan, self._name(kept.plan))
            events.append(PowerEvent(now, "plan_begins", kept.plan.system, told(text)))
        if course.status is Status.ENDED:
            text = ended_words(kept.compared, self._name(kept.plan))
            events.append(PowerEvent(now, "plan_ended", kept.plan.system, told(text)))
        return tuple(events)

    def move_clock(self, by: timedelta) -> None:
        """Move along what was seen before the clock was set; a plan stays where it was signed for."""
        for plan, kept in self._kept.items():
            if kept.course.open:
                self._kept[plan] = replace(
                    kept, course=moved(kept.course, by), against_at=moved(kept.against_at, by)
                )
                self._unsaved.add(plan)
        self._saved_at = moved(self._saved_at, by)

    @property
    def pending(self) -> bool:
        """Return whether something is to be kept."""
        return bool(self._unsaved)

    def save(self, tx: Transaction, now: datetime, *, stopping: bool = False) -> None:  # noqa: ARG002 - of the protocol
        """Put what moved into a transaction."""
        for plan in sorted(self._unsaved):
            tx.save_course(_course_line(self._kept[plan], now))

    def committed(self) -> None:
        """Take note that what `save` gave is on the disk."""
        self._unsaved.clear()


def _course_line(kept: SignedShutdown, now: datetime) -> CourseLine:
    return CourseLine(kept.id, now, kept.course.open, body=to_plain(kept.course))


def _damage(line: SignedLine, now: datetime) -> JournalLine:
    text = (
        f"The planned shutdown of {line.system} that {line.signed_by} signed is damaged on the disk: it is no longer "
        "what was signed, and is not followed. Sign another."
    )
    return JournalLine(now, "plan_damaged", line.system, text, body={"plan": line.id})
