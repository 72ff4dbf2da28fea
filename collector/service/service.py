"""The daemon as one object: has its parts made (`assembly`), runs them, stops them, and answers `api`.

    async with Service(configuration, folder) as service:
        await service.run()

`Service` is all that `api` knows of the collector.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from contextlib import AsyncExitStack
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from collector.assessment.expected_courses import ExpectedDischarge
from collector.configuration import Configuration
from collector.messaging.delivery.letter import Telling
from collector.planning.table_trial import TriedTable
from collector.process.clock import Clock, SystemClock, stamp
from collector.process.task_cancellation import ended, step_of_stop
from collector.read_model.alarm_quality import quality_between
from collector.read_model.beginning.past_tests import Brought, keep_past_test
from collector.read_model.own_figures import HeardSite, OwnFigures, Readiness
from collector.recorder.current_state import Present
from collector.recorder.trackers.unit_work import WorkBegins, WorkCloses
from collector.service.assembly import Surroundings, assemble, site_token
from collector.service.card_readers import notes_of
from collector.service.parts import Parts
from collector.storage.history.store import Bucket
from collector.storage.ledger.access import AccessTables
from collector.storage.ledger.discharge_record import DischargeRecord
from collector.storage.ledger.records import IncidentLine, JournalLine, Outgoing, Page, Place, Placed, Sending
from rules.alarms.quality import Quality
from rules.battery.assessment.runtime_trend import BankRuntime, bank_runtime
from rules.generator.outage_source import OutageSource, SetWord
from rules.monitor.inputs import OperatorAction, OperatorCommand
from rules.plant.estate import Estate
from rules.plant.reading import Reading
from rules.plant.unread import OldReading, Unread
from rules.system.observation import age_s

TURNING_WITHIN_S: Final = 30.0


class Service:
    """Collects, judges, keeps and tells. Use as an async context manager, then `run`.

    `accepted`: the store that may be lost, of `collector.storage.partner.LOSSES`; without it a loss is refused.
    """

    def __init__(
        self,
        configuration: Configuration,
        folder: Path,
        clock: Clock | None = None,
        *,
        accepted: str | None = None,
    ) -> None:
        self.configuration = configuration
        self.folder = folder
        self.clock: Clock = clock or SystemClock()
        self.present = Present(configuration.estate)
        self.started_at: datetime = self.clock.now()
        self.readers = 0
        """How many live streams are open; the HTTP side counts them."""
        self._stopping = asyncio.Event()
        self._closed = False
        self._stack = AsyncExitStack()
        self._turned_s = self.clock.monotonic_s()
        self._turned_batches = -1
        self._around = Surroundings(configuration, folder, self.clock, self.present, accepted)
        self._parts: Parts

    @property
    def estate(self) -> Estate:
        """Return what is installed."""
        return self.configuration.estate

    async def __aenter__(self) -> Self:
        """Open the stores and go on from what they hold. Raises `collector.storage.database.StoreError`."""
        try:
            await self._open()
        except BaseException:
            await self._stack.aclose()
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close everything; what was taken in has been committed, and on a clean stop what is under way too.

        Safe to call twice.
        """
        if self._closed:
            return
        self._closed = True
        try:
            if kind is None or issubclass(kind, asyncio.CancelledError):
                with step_of_stop("keeping what was under way"):
                    await self.recorder.keeping.keep_open()
        finally:
            await self._stack.aclose()

    async def close(self) -> None:
        """Close everything, as at the end of the block."""
        await self.__aexit__(None, None, None)

    async def _open(self) -> None:
        self._parts = parts = await assemble(self._around, self._stack)
        self.ledger, self.history, self.recorder = parts.ledger, parts.history, parts.recorder
        self.office, self.planner, self.signed_plans = parts.office, parts.planner, parts.signed_plans
        self.estate_rides, self.looking_back = parts.estate_rides, parts.looking_back
        self.answer_links, self.taking_on = parts.links, parts.taking_on
        self.outages, self.learning = parts.recorder.trackers.outages, parts.recorder.learning
        self.access = AccessTables(parts.ledger)

    async def run(self) -> None:
        """Run until `stop` or cancellation. A fault in shared machinery is raised."""
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(job(), name=name) for name, job in self._parts.jobs.items()]
            await self._stopping.wait()
            await ended(tasks)

    def stop(self) -> None:
        """Ask `run` to end, and wake whoever waits for news."""
        self._stopping.set()
        self.present.changed()

    @property
    def stopping(self) -> bool:
        """Return whether the service has been asked to stop."""
        return self._stopping.is_set()

    def turning(self) -> bool:
        """Return whether batches still go through: what the service manager's watchdog is fed by."""
        now_s = self.clock.monotonic_s()
        if self.recorder.batches != self._turned_batches:
            self._turned_batches = self.recorder.batches
            self._turned_s = now_s
        return now_s - self._turned_s < TURNING_WITHIN_S

    @property
    def acts(self) -> bool:
        """Return whether what people do is carried out: here it is."""
        return True

    @property
    def told(self) -> Mapping[str, tuple[Telling, ...]]:
        """Return who was told of each incident that is looked after."""
        return self.office.told

    # --- what api asks ------------------------------------------------------------------------------------

    def readiness(self) -> Readiness:
        """Return whether at least one card answers, and which do not."""
        silent = tuple(
            name
            for name, poller in self.recorder.pollers.items()
            if poller.figures.silent_since is not None or not poller.figures.answered
        )
        count = len(self.recorder.pollers)
        return Readiness(len(silent) < count, count, count - len(silent), silent)

    def own_figures(self) -> OwnFigures:
        """Return how the service itself keeps up."""
        done, worker, budget = self.recorder.punctuality, self._parts.worker, self._parts.budget
        return OwnFigures(
            polls=done.polls,
            late=done.late,
            missed=done.missed,
            oldest_reading_s=max(self._parts.reading_ages.ages_s().values(), default=None),
            wait_s=done.waits_s,
            busy_s=done.busy_s,
            background_count=worker.waiting_count,
            background_s=worker.oldest_s,
            budget_count=budget.waiting,
            budget_debt_s=budget.debt_s,
            budget_spent_s=budget.spent_s,
        )

    def reading_age_s(self, reading: Reading) -> float:
        """Return how old a reading is, in s, by seconds that no set clock changes where it was read since the start."""
        return age_s(reading.stamp, stamp(self.clock))

    def unread(self, unit: str) -> Unread | None:
        """Return why there is no newer reading of a unit than the last, None where no card of it is read."""
        return self.recorder.punctuality.why(unit, self.present)

    def heard(self) -> tuple[HeardSite, ...]:
        """Return none: cards are read here."""
        return ()

    def not_read(self) -> dict[str, OldReading]:
        """Return the units that are not being read, each with the age of its last reading and why."""
        return self._parts.reading_ages.old()

    def read_every_s(self, unit: str) -> float | None:
        """Return how often a unit is read now, in s, None where no card of it is."""
        card = self.estate.card_of(unit)
        return None if card is None else self.recorder.pace.period_s(unit)

    def card_notes(self, card: str) -> tuple[str, ...]:
        """Return what people should know of how a card is read, the newest last."""
        reader = self._parts.readers.get(card)
        return () if reader is None else notes_of(reader)

    async def series(
        self, unit: str, quantity: str, line: int | None, *, start: datetime, end: datetime, points: int
    ) -> tuple[Bucket, ...]:
        """Return a quantity over time; see `collector.storage.history.store.HistoryStore.series`."""
        return await self.history.series(unit, quantity, line=line, start=start, end=end, points=points)

    async def events(
        self,
        *,
        kinds: tuple[str, ...] = (),
        about: str | None = None,
        start: datetime | None = None,
        end: datetime | None = None,
        before: int | None = None,
        limit: int = 200,
    ) -> Page[JournalLine]:
        """Return the journal, newest first."""
        return await self.ledger.events(
            kinds=kinds, about=about, start=start, end=end, before=before, limit=limit
        )

    async def alarm_quality(self, start: datetime, end: datetime) -> Quality:
        """Return the figures of the alarms themselves over a period (EEMUA 191, ISA-18.2)."""
        return await quality_between(self.ledger, start, end)

    async def messages(
        self,
        *,
        sending: Sending | None = None,
        incident: str | None = None,
        before: int | None = None,
        limit: int = 200,
    ) -> Page[Outgoing]:
        """Return what was sent or waits to be sent, newest first."""
        return await self.ledger.messages(sending=sending, incident=incident, before=before, limit=limit)

    def runtimes(self, system: str, start: datetime, end: datetime) -> tuple[BankRuntime, ...]:
        """Return what each bank of a system would have given at its power of today, by each discharge judged."""
        judged = self.present.hold_ups.get(system)
        found = []
        for bank in self.estate.banks_of_system(system):
            belief, state = self._parts.judging.beliefs.get(bank.id), self.present.banks.get(bank.id)
            power_w = None if judged is None else judged.bank_asked_w.get(bank.id)
            if belief is not None and state is not None and power_w and not belief.beyond_table(power_w):
                found.append(bank_runtime(belief, state.discharges, power_w, start, end))
        return tuple(found)

    def site_token(self) -> str | None:
        """Return the token that the site's own systems show, None where the estate file names none."""
        return site_token(self.configuration)

    async def set_word(
        self, generator: str, *, running: bool, carries: bool, load_w: float | None = None
    ) -> int | None:
        """Take the site's word about a generator as of now; return its line in the journal, None where it is no news."""
        return await self._parts.testimony.word(
            generator, SetWord(self.clock.now(), running, carries, load_w)
        )

    async def mark_outage(
        self, incident: str, *, by: str, source: OutageSource, lost_at: datetime | None = None
    ) -> int:
        """Take a person's mark on an outage; return its line in the journal. Raises NoSuchOutage."""
        return await self._parts.testimony.mark(incident, by, source, lost_at)

    async def incidents(self, *, after: Place | None = None, limit: int = 200) -> Placed[IncidentLine]:
        """Return incidents, newest first."""
        return await self.ledger.incidents(after=after, limit=limit)

    async def act(
        self, deed: OperatorCommand, alarm: str, *, who: str, why: str = "", until: datetime | None = None
    ) -> str | None:
        """Carry out an operator's action on an alarm; return why it was refused, or None once it is safe."""
        return await self.recorder.ask(OperatorAction(stamp(self.clock), deed, alarm, who, why, until))

    async def expected_of(self, record: DischargeRecord) -> ExpectedDischarge | None:
        """Return what a discharge on record was expected to be; None where it could not be reckoned in time."""
        return await self._parts.expected.in_time(record)

    async def table_tried(self, bank: str, text: str, *, per_block: bool = False) -> TriedTable:
        """Return what a maker's table would come to at a bank, its watts a cell's or a block's; nothing is kept.

        Raises TableRefused, NotYet.
        """
        state = self.present.systems.get(self.estate.units[self.estate.banks[bank].feeds[0]].system)
        now = None if state is None else state.hold_up
        return await self._parts.tables.tried(bank, text, now, per_block=per_block)

    async def bring_past_test(self, bank: str, text: str, *, at: datetime, by: str, kind: Brought) -> str:
        """Keep a past test as evidence of a bank; return its id. Raises PastTestError."""
        return await keep_past_test(self.ledger, self.estate, bank, text, at=at, by=by, kind=kind)

    async def work_begins(self, unit: str, *, by: str, until: datetime, note: str = "") -> str | None:
        """Follow work on a unit from now on, or give it more time; return why not, or None once it is safe."""
        return await self.recorder.ask(WorkBegins(self.clock.now(), unit, by, until, note))

    async def work_closes(self, unit: str, *, by: str, note: str = "") -> str | None:
        """End the following of work on a unit; return why not, or None once it is safe."""
        return await self.recorder.ask(WorkCloses(self.clock.now(), unit, by, note))
