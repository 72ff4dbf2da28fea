"""The daemon as one object: opens the stores, wires everything, runs it, stops it.

    async with Service(configuration, folder) as service:
        await service.run()

`Service` is all that `api` knows of the collector.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Mapping, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from collector.alarm_quality import quality_between
from collector.bank_evidence import BankEvidenceBook
from collector.bank_judging import BankJudging
from collector.clock import Clock, SystemClock, stamp
from collector.configuration import CardAccess, Configuration
from collector.configuration.secrets import Login, Token
from collector.database import StoreError, make_folder
from collector.delivery.post_office import PostOffice, collector_name, home_zone
from collector.delivery.state import StateFeed
from collector.estate_rides import EstateRides
from collector.evidence import file_behind
from collector.heard import HeardNotifications
from collector.history.influx import InfluxHistory
from collector.history.influx_place import influx_place
from collector.history.sqlite import SqliteHistory
from collector.history.store import Bucket, HistoryStore
from collector.judging import Judging
from collector.ledger import Ledger
from collector.ledger.records import IncidentLine, JournalLine, Outgoing, Page, Sending
from collector.ledger.retention import let_go
from collector.live_judging import LiveJudging
from collector.load_past import fill_all
from collector.looking_back import LookingBack
from collector.planned_tests import PlannedTests
from collector.planner import Planner
from collector.polling import Answer, Poller
from collector.present import Present
from collector.recording import Recorder
from collector.schedule import Cadence
from collector.self_watch import PlannedSources, SelfWatch
from collector.set_watch import SetWatch
from collector.set_words import SetWords
from collector.shed_adviser import ShedAdviser
from collector.signed_plans import SignedPlans
from collector.sizes_ahead import SizesAhead
from collector.snmp.card import CardReader
from collector.snmp.client import Patience
from collector.snmp.credentials import credentials_of
from collector.snmp.learning import Learning
from collector.snmp.listening import Listening
from collector.snmp.meaning import CardMeaning
from collector.snmp.transport import Transport
from collector.switching_off import SwitchingOff
from collector.taking_out import TakingOut
from collector.teaching import Teaching
from collector.testimony import Testimony
from collector.tidying import Tidying
from collector.unit_work import WorkBegins, WorkCloses
from collector.worker import Worker
from rules.alarms.catalogue import with_overrides
from rules.alarms.inputs import Deed, OperatorAction
from rules.alarms.quality import Quality
from rules.estate import Estate
from rules.generator import SetWord, Source
from rules.peaks import total_by_day
from rules.planning.service_due import WorkDue, work_due
from rules.runtime_trend import BankRuntime, bank_runtime
from rules.season import load_growth
from rules.watch.state import Book

SPOOL_FILE: Final = "spool.sqlite"
HISTORY_FILE: Final = "history.sqlite"
LEDGER_FILE: Final = "ledger.sqlite"
BOOTS_FILE: Final = "notifications.json"
DECLARED_BEFORE: Final = timedelta(days=31)
"""A replacement may be recorded so long before the new cabinet's card answers."""
ASK_AGAIN_S: Final = 60.0
TURNING_WITHIN_S: Final = 30.0
_log = logging.getLogger(__name__)
MOST_NOTES: Final = 8


@dataclass(frozen=True, slots=True)
class Readiness:
    """Whether the service reads its cards: how many answer, of how many."""

    ready: bool
    cards: int
    answering: int
    silent: tuple[str, ...]


class Service:
    """Collects, judges, keeps and tells. Use as an async context manager, then `run`."""

    def __init__(self, configuration: Configuration, folder: Path, clock: Clock | None = None) -> None:
        self.configuration = configuration
        self.folder = folder
        self.clock: Clock = clock or SystemClock()
        self.present = Present(configuration.estate)
        self.started_at: datetime = self.clock.now()
        self.readers = 0
        """How many live streams are open; the HTTP side counts them."""
        self._stopping = asyncio.Event()
        self._stack = AsyncExitStack()
        self._turned_s = self.clock.monotonic_s()
        self._turned_batches = -1
        self.listening: Listening | None = None

    @property
    def estate(self) -> Estate:
        """Return what is installed."""
        return self.configuration.estate

    async def __aenter__(self) -> Self:
        """Open the stores and go on from what they hold. Raises `collector.database.StoreError`."""
        try:
            await self._open()
        except BaseException:
            await self._stack.aclose()
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close everything; what was taken in has been committed, and on a clean stop what is under way too."""
        try:
            if kind is None or issubclass(kind, asyncio.CancelledError):
                await self.recorder.keeping.keep_open()
        finally:
            await self._stack.aclose()

    async def _open(self) -> None:
        make_folder(self.folder)
        self.ledger = await self._stack.enter_async_context(Ledger(self.folder / LEDGER_FILE))
        cards = self.configuration.cards
        learning = Learning(self.estate, {name: card.read_as for name, card in cards.items()})
        facts = await self.ledger.facts()
        learning.restore(facts, await self.ledger.corrections())
        self._teaching = Teaching(
            self.ledger, learning, self.clock, seen=max((fact.seq for fact in facts), default=0)
        )
        meaning = CardMeaning(learning.lookup)
        self.history: HistoryStore
        kept = self.configuration.history
        if kept.store == "influxdb":
            self.history = await self._stack.enter_async_context(
                InfluxHistory(self.folder / SPOOL_FILE, influx_place(self.configuration), meaning)
            )
        else:
            self.history = await self._stack.enter_async_context(
                SqliteHistory(self.folder / HISTORY_FILE, meaning, exact_days=kept.keep_days)
            )
        self.tidying = Tidying(
            self.history,
            self.clock,
            lambda now: let_go(self.ledger, now, message_days=kept.keep_messages_days),
        )
        self.heard = HeardNotifications(self.estate, self.ledger, self.clock)
        self.office = PostOffice.of(self.configuration, self.ledger, self.clock)
        book = Book(self.estate, with_overrides(self.configuration.alarms))
        self.recorder = Recorder(
            book,
            self.clock,
            self.history,
            self.ledger,
            self.present,
            enqueue=self.office.enqueue,
            learning=learning,
        )
        self.recorder.keeping.on_kept = self.office.wake
        await self.recorder.restore()
        self.testimony = Testimony(self.recorder.memories.aftermath, self.ledger, self.clock)
        self.set_words = self._set_words()
        transport = await self._stack.enter_async_context(Transport())
        answers: asyncio.Queue[Answer] = self.recorder.queue  # type: ignore[assignment]
        readers = {card.id: _reader(card, transport) for card in cards.values()}
        self._card_readers = readers
        for card in cards.values():
            self.recorder.pollers[card.id] = Poller(
                card.id, readers[card.id], _cadence(card), self.clock, answers
            )
        await self._listen(readers)
        self.present.figures = {name: p.figures for name, p in self.recorder.pollers.items()}
        self.worker = worker = await self._stack.enter_async_context(Worker())
        self.recorder.judging = self.judging = Judging(
            self.estate, worker, self.clock, self.present, self.recorder.queue.put
        )
        self.planner = Planner(
            self.estate,
            worker,
            self.clock,
            self.present,
            seen=self.judging.seen,
            record=self.recorder.memories.loads.of,
            beliefs=self.judging.spoken_beliefs,
            beliefs_in_outage=lambda: self.judging.spoken_beliefs(urgent=True),
            ledger=self.ledger,
            set_tested=lambda name: self.recorder.memories.aftermath.set_test(name, self.clock.now()).last,
        )
        self.signed_plans = self.recorder.memories.plans = SignedPlans(
            self.estate, self.ledger, self.clock, self.present, self.planner
        )
        await self.signed_plans.restore()
        self.switching_off = SwitchingOff(
            self.estate, self.planner, self.clock, self.present, self.signed_plans
        )
        self.estate_rides = EstateRides(self.estate, self.planner, self.clock)
        self.sizes_ahead = SizesAhead(
            self.estate, self.planner, self.clock, self.present, self.recorder.memories.loads.of
        )
        self.shed_adviser = ShedAdviser(self.estate, self.planner, self.clock, self.present)
        self.taking_out = TakingOut(self.estate, self.planner, self.clock, self.present)
        self.evidence = BankEvidenceBook(
            self.estate,
            self.ledger,
            self.history,
            self.present,
            growth=lambda system: load_growth(total_by_day(self.recorder.memories.loads.of(system).days())),
            next_test=PlannedTests(self.estate, self._planned_sources()).next_test,
        )
        self.recorder.views.coldest_c = self.evidence.coldest_c
        self.looking_back = LookingBack(self.estate, self.history, self.ledger)
        self.bank_judging = BankJudging(
            self.estate, worker, self.clock, self.evidence, self.recorder.queue.put
        )
        self.recorder.on_discharged = self.bank_judging.ask
        self.self_watch = self._self_watch()
        self.signed_plans.moved = self.self_watch.plan
        self.live_judging = LiveJudging(
            self.estate,
            worker,
            self.clock,
            keeper=self.recorder.memories.keeper,
            book=self.evidence,
            judging=self.judging,
        )

    async def _listen(self, readers: Mapping[str, CardReader]) -> None:
        """Open the port for notifications, where one is set. Raises `collector.snmp.errors.CannotListen`."""
        wanted = self.configuration.notifications
        if wanted.port is None:
            return
        pollers = self.recorder.pollers
        self.listening = Listening(
            readers,
            lambda card: pollers[card].poke(),
            host=wanted.host,
            port=wanted.port,
            boots_file=self.folder / BOOTS_FILE,
            tell=self.heard.hear,
        )
        await self._stack.enter_async_context(await self.listening.open())

    async def run(self) -> None:
        """Run until `stop` or cancellation. A fault in shared machinery is raised."""
        async with asyncio.TaskGroup() as group:
            tasks = [
                group.create_task(self.recorder.run(), name="recorder"),
                group.create_task(self.recorder.tick(), name="tick"),
                group.create_task(self.judging.run(), name="judging"),
                group.create_task(self.office.run(), name="delivery"),
                group.create_task(StateFeed(self.office, self.present).run(), name="state feed"),
                group.create_task(self.self_watch.run(), name="self watch"),
                group.create_task(self.bank_judging.run(), name="banks"),
                group.create_task(self.live_judging.run(), name="live"),
                group.create_task(self._fill_load_records(), name="load past"),
                group.create_task(self.tidying.run(), name="tidying"),
                group.create_task(self.taking_out.run(), name="taking out"),
                group.create_task(self.shed_adviser.run(), name="shed adviser"),
                group.create_task(self.switching_off.run(), name="switching off"),
                group.create_task(self.sizes_ahead.run(), name="sizes"),
                group.create_task(self._teaching.run(), name="teaching"),
                group.create_task(self.estate_rides.run(), name="scenarios"),
            ]
            sets = SetWatch(
                self.estate,
                self.clock,
                self.recorder.memories.aftermath,
                self.set_words,
                self.recorder.queue.put,
            )
            tasks.append(group.create_task(sets.run(), name="set watch"))
            if self.set_words is not None:
                tasks.append(group.create_task(self.set_words.run(), name="set words"))
            tasks += [
                group.create_task(p.run(), name=f"poll {p.card}") for p in self.recorder.pollers.values()
            ]
            if self.listening is not None:
                tasks.append(group.create_task(self.listening.run(), name="notifications"))
                tasks.append(group.create_task(self.heard.run(), name="notifications heard"))
            await self._stopping.wait()
            for task in tasks:
                task.cancel()

    def _self_watch(self) -> SelfWatch:
        return SelfWatch(
            self.folder,
            self.clock,
            self.office,
            lambda: self.present.figures,
            self.recorder.queue.put,
            self._planned_sources(),
            store_error=self._store_error,
            worker_error=lambda: self.worker.trouble,
            file_behind=self._file_behind,
            units_replaced=self._units_replaced,
            signed=self.signed_plans.windows,
            work=self._work_due,
        )

    def _planned_sources(self) -> PlannedSources:
        configuration = self.configuration
        return PlannedSources(
            configuration.path.parent,
            home_zone(configuration),
            configuration.planned_work,
            configuration.calendars,
        )

    async def _units_replaced(self) -> tuple[str, ...]:
        """Return the units taken for other equipment whose replacement was recorded, before it or after."""
        standing = {
            a.about: a.since
            for a in self.present.alarms.values()
            if a.kind == "different_equipment" and a.condition and a.since is not None
        }
        if not standing:
            return ()
        return tuple(
            {
                event.about: None
                for event in await self.ledger.equipment()
                if event.kind == "replaced"
                and event.about in standing
                and event.recorded >= standing[event.about] - DECLARED_BEFORE
            }
        )

    async def _work_due(self) -> tuple[WorkDue, ...]:
        """Return the work that comes round, due or not, by the programme as the estate file reckons it."""
        return work_due(await self.planner.programme(self.configuration.budget.value()), self.estate)

    async def _file_behind(self) -> tuple[str, ...]:
        return file_behind(self.estate, await self.ledger.equipment())

    async def _fill_load_records(self) -> None:
        """Fill the records of the systems' load from the history where they hold too little.

        A history that cannot be asked now (a database server that is away) is asked again.
        """
        records = {system: self.recorder.memories.loads.of(system) for system in self.estate.systems}
        while True:
            try:
                await fill_all(records, self.estate, self.history, self.clock.now())
            except StoreError as error:
                _log.warning("the record of the load is not filled yet: %s", error)
            else:
                return
            await self.clock.sleep_until(self.clock.monotonic_s() + ASK_AGAIN_S)

    def _store_error(self) -> str | None:
        """Return what ails the stores: what could not be written first, then what could not be tidied or sent."""
        return self.recorder.keeping.trouble or self.history.trouble or self.tidying.trouble

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

    def card_notes(self, card: str) -> tuple[str, ...]:
        """Return what people should know of how a card is read, the newest `MOST_NOTES` of it."""
        reader = self._card_readers.get(card)
        notes: Sequence[str] = () if reader is None else getattr(reader.client.security, "notes", ())
        return tuple(dict.fromkeys(notes))[-MOST_NOTES:]

    async def series(
        self, unit: str, quantity: str, line: int | None, *, start: datetime, end: datetime, points: int
    ) -> tuple[Bucket, ...]:
        """Return a quantity over time; see `collector.history.store.HistoryStore.series`."""
        return await self.history.series(unit, quantity, line=line, start=start, end=end, points=points)

    async def events(
        self,
        *,
        about: str | None = None,
        start: datetime | None = None,
        end: datetime | None = None,
        before: int | None = None,
        limit: int = 200,
    ) -> Page[JournalLine]:
        """Return the journal, newest first."""
        return await self.ledger.events(about=about, start=start, end=end, before=before, limit=limit)

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
            belief, state = self.judging.beliefs.get(bank.id), self.present.banks.get(bank.id)
            power_w = None if judged is None else judged.bank_asked_w.get(bank.id)
            if belief is not None and state is not None and power_w and not belief.beyond_table(power_w):
                found.append(bank_runtime(belief, state.discharges, power_w, start, end))
        return tuple(found)

    def site_token(self) -> str | None:
        """Return the token that the site's own systems show, None where the estate file names none."""
        name = self.configuration.listen.site_secret
        secret = None if name is None else self.configuration.secrets.get(name)
        return secret.token.reveal() if isinstance(secret, Token) else None

    async def set_word(
        self, generator: str, *, running: bool, carries: bool, load_w: float | None = None
    ) -> int | None:
        """Take the site's word about a set as of now; return its line in the journal, None where it is no news."""
        return await self.testimony.word(generator, SetWord(self.clock.now(), running, carries, load_w))

    async def mark_outage(
        self, incident: str, *, by: str, source: Source, lost_at: datetime | None = None
    ) -> int:
        """Take a person's mark on an outage; return its line in the journal. Raises NoSuchOutage."""
        return await self.testimony.mark(incident, by, source, lost_at)

    def _set_words(self) -> SetWords | None:
        """Return who listens to the broker of the site's word, None where none is named."""
        configuration = self.configuration
        settings = configuration.set_words
        if settings.host is None:
            return None
        login = configuration.secrets.get(settings.secret or "")

        return SetWords(
            settings,
            login if isinstance(login, Login) else None,
            self.clock,
            f"{settings.topics_below}/{collector_name(configuration)}",
            tuple(self.estate.generators),
            self.site_token,
            self.testimony.word,
            self.testimony.refusal,
        )

    async def incidents(self, *, after: int = 0, limit: int = 200) -> Page[IncidentLine]:
        """Return incidents, newest first."""
        return await self.ledger.incidents(after=after, limit=limit)

    async def act(
        self, deed: Deed, alarm: str, *, who: str, why: str = "", until: datetime | None = None
    ) -> str | None:
        """Carry out an operator's action on an alarm; return why it was refused, or None once it is safe."""
        return await self.recorder.ask(OperatorAction(stamp(self.clock), deed, alarm, who, why, until))

    async def work_begins(self, unit: str, *, by: str, until: datetime, note: str = "") -> str | None:
        """Follow work on a unit from now on, or give it more time; return why not, or None once it is safe."""
        return await self.recorder.ask(WorkBegins(self.clock.now(), unit, by, until, note))

    async def work_closes(self, unit: str, *, by: str, note: str = "") -> str | None:
        """End the following of work on a unit; return why not, or None once it is safe."""
        return await self.recorder.ask(WorkCloses(self.clock.now(), unit, by, note))


def _reader(card: CardAccess, transport: Transport) -> CardReader:
    polling = card.polling
    patience = Patience(deadline_s=polling.deadline_s, retries=polling.retries)
    credentials = credentials_of(card.credentials, card.snmp_version)
    reader = CardReader.of(transport, card.target.host, card.target.port, credentials, patience)
    reader.most = polling.objects_per_request
    reader.size = min(reader.size, reader.most)
    return reader


def _cadence(card: CardAccess) -> Cadence:
    polling = card.polling
    return Cadence(
        every_s=polling.every_s,
        on_battery_every_s=polling.on_battery_every_s,
        slow_every_s=polling.slow_every_s,
        nameplate_every_s=polling.nameplate_every_s,
    )
