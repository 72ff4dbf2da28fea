"""The parts of the daemon, made and joined: the stores, the line, the cards, what judges, what plans.

Here alone is written which part is given what; what a part does with it is the part's own affair.
"""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine, Iterator
from contextlib import AsyncExitStack
from pathlib import Path
from typing import Final

from collector.assessment.bank_evidence import BankEvidenceBook
from collector.assessment.banks import BankJudging
from collector.assessment.equipment import file_behind, units_replaced
from collector.assessment.hold_up import Judging
from collector.assessment.live_discharge import LiveJudging
from collector.assessment.worker import Worker
from collector.cards.commissioning.confirmation_feed import Teaching
from collector.cards.corrections.learning import Learning
from collector.cards.mib.interpretation import CardMeaning
from collector.cards.polling.poller import Answer, Poller
from collector.cards.snmp.transport import Transport
from collector.cards.traps.journal import HeardNotifications
from collector.cards.traps.listener import Listening
from collector.configuration import Configuration
from collector.configuration.history_server import history_server
from collector.configuration.secrets import Login, Token
from collector.messaging.delivery.office import PostOffice, collector_name, home_zone
from collector.messaging.delivery.state import StateFeed
from collector.messaging.mqtt.generator_status import SetWords
from collector.planning.estate_ridethrough import EstateRides
from collector.planning.isolation_answers import TakingOut
from collector.planning.planner import Planner
from collector.planning.shed_advice import ShedAdviser
from collector.planning.shutdown_answers import SwitchingOff
from collector.planning.signed_shutdowns import SignedShutdowns
from collector.planning.size_answers import SizesAhead
from collector.planning.test_dates import PlannedSources, PlannedTests
from collector.process.background_budget import Budget
from collector.process.clock import Clock
from collector.read_model.history_queries import LookingBack
from collector.recorder.current_state import Present
from collector.recorder.reading_ages import ReadingAges
from collector.recorder.recorder import Recorder
from collector.recorder.trackers.generator_reports import Testimony
from collector.recorder.trackers.load_backfill import keep_filling
from collector.service.card_readers import cadence_of, reader_of
from collector.service.generator_watch import SetWatch
from collector.service.self_monitoring import SelfWatch
from collector.storage.data_folder import LEDGER_FILE, RESERVE_FILE
from collector.storage.database import make_folder
from collector.storage.folder_lock import held
from collector.storage.history.open_store import open_store
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import HistoryStore
from collector.storage.ledger import Ledger
from collector.storage.ledger.ledger import TRY_EVERY_S
from collector.storage.ledger.records import JournalLine
from collector.storage.ledger.retention import let_go
from collector.storage.maintenance.clock_trust import LettingGo
from collector.storage.maintenance.exact_retention import ExactSpans
from collector.storage.maintenance.housekeeping import Tidying
from collector.storage.opening_room import give_room, take_room
from collector.storage.partner import PartnerLoss, join, losses, refuse
from collector.storage.store_files import opened
from rules.alarms.catalogue import with_overrides
from rules.alarms.conditions.service import SERVICE
from rules.monitor.state import Book
from rules.planning.programme.service_due import WorkDue, work_due
from rules.system.load_record import total_by_day
from rules.system.season import load_growth

BOOTS_FILE: Final = "notifications.json"

Job = Coroutine[object, object, None]


class Assembly:
    """All parts over one data folder. `open` makes them, in the order in which they need one another."""

    def __init__(
        self,
        configuration: Configuration,
        folder: Path,
        clock: Clock,
        present: Present,
        accepted: str | None = None,
    ) -> None:
        self._accepted = accepted
        self._configuration = configuration
        self._estate = configuration.estate
        self._folder = folder
        self._clock = clock
        self._present = present
        self.budget = Budget(clock, lambda: any(map(present.on_banks, present.systems)))
        self.listening: Listening | None = None

    async def open(self, stack: AsyncExitStack) -> None:
        """Make the parts; what has to be closed goes on the stack. Raises `collector.storage.database.StoreError`."""
        await self._stores(stack)
        await self._line()
        await self._cards(stack)
        await self._judging(stack)
        await self._planning()
        self._banks()
        self.self_watch = self._self_watch()
        self.reading_ages = ReadingAges(
            self._estate,
            self._clock,
            self._present,
            self.recorder.pace,
            self.recorder.punctuality,
            self.recorder.queue.put,
        )
        self.signed_plans.moved = self.self_watch.plan

    def jobs(self) -> Iterator[tuple[str, Job]]:
        """Return what runs side by side while the service does, each with its name."""
        yield "recorder", self.recorder.run()
        yield "tick", self.recorder.tick()
        yield "what waits for the disk", self._write_waiting()
        yield "judging", self.judging.run()
        yield "delivery", self.office.run()
        yield "state feed", StateFeed(self.office, self._present).run()
        yield "self watch", self.self_watch.run()
        yield "reading ages", self.reading_ages.run()
        yield "banks", self.bank_judging.run()
        yield "live", self.live_judging.run()
        yield "load past", self._fill_load_records()
        yield "tidying", self.tidying.run()
        yield "taking out", self.taking_out.run()
        yield "shed adviser", self.shed_adviser.run()
        yield "switching off", self.switching_off.run()
        yield "sizes", self.sizes_ahead.run()
        yield "teaching", self.teaching.run()
        yield "scenarios", self.estate_rides.run()
        yield (
            "set watch",
            SetWatch(
                self._estate,
                self._clock,
                self.recorder.memories.aftermath,
                self.set_words,
                self.recorder.queue.put,
            ).run(),
        )
        if self.set_words is not None:
            yield "set words", self.set_words.run()
        for poller in self.recorder.pollers.values():
            yield f"poll {poller.card}", poller.run()
        if self.listening is not None:
            yield "notifications", self.listening.run()
            yield "notifications heard", self.heard.run()

    async def _stores(self, stack: AsyncExitStack) -> None:
        make_folder(self._folder)
        stack.enter_context(held(self._folder))
        stack.callback(take_room, self._folder)  # once the stores are closed
        give_room(self._folder)
        local = self._configuration.history.store == "sqlite"
        lost = losses(self._folder, opened) if local else ()
        anew = refuse(self._folder, lost, self._accepted)
        self.ledger = await stack.enter_async_context(
            Ledger(self._folder / LEDGER_FILE, reserve=self._folder / RESERVE_FILE)
        )
        cards = self._configuration.cards
        self.learning = learning = Learning(
            self._estate, {name: card.read_as for name, card in cards.items()}
        )
        facts = await self.ledger.facts()
        learning.restore(facts, await self.ledger.corrections())
        self.teaching = Teaching(
            self.ledger, learning, self._clock, seen=max((fact.seq for fact in facts), default=0)
        )
        meaning = CardMeaning(learning.lookup)
        self.history: HistoryStore = await stack.enter_async_context(
            open_store(
                self._folder,
                meaning,
                exact_days=self._configuration.history.keep_days,
                server=history_server(self._configuration),
            )
        )
        if isinstance(self.history, SqliteHistory):
            join(self.history.database, self.ledger.database, anew=anew)
            await self._note_accepted(lost)
        kept = self._configuration.history
        self.tidying = Tidying(
            self.history,
            self._clock,
            ExactSpans(self._estate, self.history, self.ledger, self._clock),
            LettingGo(self.ledger, self._clock),
            lambda now: let_go(self.ledger, now, message_days=kept.keep_messages_days),
        )

    async def _note_accepted(self, lost: tuple[PartnerLoss, ...]) -> None:
        """Write into the journal what was lost, and that it was gone on without."""
        if not lost:
            return
        async with self.ledger.transaction() as tx:
            for loss in lost:
                text = f"Went on with a loss that was accepted (--accept-loss {loss.store}): {loss.what}."
                tx.add_event(
                    JournalLine(
                        self._clock.now(), "store_loss_accepted", SERVICE, text, body={"store": loss.store}
                    )
                )

    async def _line(self) -> None:
        self.heard = HeardNotifications(self._estate, self.ledger, self._clock)
        self.office = PostOffice.of(self._configuration, self.ledger, self._clock)
        book = Book(self._estate, with_overrides(self._configuration.alarms))
        self.recorder = Recorder(
            book,
            self._clock,
            self.history,
            self.ledger,
            self._present,
            enqueue=self.office.enqueue,
            learning=self.learning,
        )
        self.recorder.keeping.on_kept = self.office.wake
        self.recorder.on_clock_moved.append(self.office.outbox.move_clock)
        await self.recorder.restore()
        self.testimony = Testimony(self.recorder.memories.aftermath, self.ledger, self._clock)
        self.set_words = self._set_words()
        if self.set_words is not None:
            self.recorder.on_clock_moved.append(self.set_words.move_clock)

    async def _cards(self, stack: AsyncExitStack) -> None:
        transport = await stack.enter_async_context(Transport())
        answers: asyncio.Queue[Answer] = self.recorder.queue  # type: ignore[assignment]
        self.readers = readers = {
            card.id: reader_of(card, transport) for card in self._configuration.cards.values()
        }
        for card in self._configuration.cards.values():
            self.recorder.pollers[card.id] = Poller(
                card.id,
                readers[card.id],
                cadence_of(card),
                self._clock,
                answers,
                group=self._estate.units[self._estate.cards[card.id].covers[0]].system,
            )
        await self._listen(stack)
        self._present.figures = {name: p.figures for name, p in self.recorder.pollers.items()}

    async def _listen(self, stack: AsyncExitStack) -> None:
        """Open the port for notifications, where one is set. Raises `collector.cards.snmp.errors.CannotListen`."""
        wanted = self._configuration.notifications
        if wanted.port is None:
            return
        pollers = self.recorder.pollers
        self.listening = Listening(
            self.readers,
            lambda card: pollers[card].poke(),
            host=wanted.host,
            port=wanted.port,
            boots_file=self._folder / BOOTS_FILE,
            tell=self.heard.hear,
        )
        await stack.enter_async_context(await self.listening.open())

    async def _judging(self, stack: AsyncExitStack) -> None:
        self.worker = await stack.enter_async_context(Worker())
        self.recorder.judging = self.judging = Judging(
            self._estate, self.worker, self._clock, self._present, self.recorder.queue.put
        )

    async def _planning(self) -> None:
        self.planner = Planner(
            self._estate,
            self.worker,
            self._clock,
            self._present,
            seen=self.judging.seen,
            record=self.recorder.memories.loads.of,
            beliefs=self.judging.spoken_beliefs,
            beliefs_in_outage=lambda: self.judging.spoken_beliefs(urgent=True),
            ledger=self.ledger,
            set_tested=lambda name: self.recorder.memories.aftermath.set_test(name, self._clock.now()).last,
        )
        self.signed_plans = self.recorder.memories.plans = SignedShutdowns(
            self._estate, self.ledger, self._clock, self._present, self.planner
        )
        await self.signed_plans.restore()
        self.switching_off = SwitchingOff(
            self._estate, self.planner, self._clock, self._present, self.signed_plans, budget=self.budget
        )
        self.estate_rides = EstateRides(self._estate, self.planner, self._clock)
        self.sizes_ahead = SizesAhead(
            self._estate,
            self.planner,
            self._clock,
            self._present,
            self.recorder.memories.loads.of,
            budget=self.budget,
        )
        self.shed_adviser = ShedAdviser(self._estate, self.planner, self._clock, self._present)
        self.taking_out = TakingOut(
            self._estate, self.planner, self._clock, self._present, budget=self.budget
        )

    def _banks(self) -> None:
        self.evidence = BankEvidenceBook(
            self._estate,
            self.ledger,
            self.history,
            self._present,
            growth=lambda system: load_growth(total_by_day(self.recorder.memories.loads.of(system).days())),
            next_test=PlannedTests(self._estate, planned_sources(self._configuration)).next_test,
        )
        self.recorder.views.coldest_c = self.evidence.coldest_c
        self.looking_back = LookingBack(self._estate, self.history, self.ledger)
        self.bank_judging = BankJudging(
            self._estate, self.worker, self._clock, self.evidence, self.recorder.queue.put
        )
        self.recorder.on_discharged = self.bank_judging.ask
        self.live_judging = LiveJudging(
            self._estate,
            self.worker,
            self._clock,
            keeper=self.recorder.memories.keeper,
            book=self.evidence,
            judging=self.judging,
        )

    def _self_watch(self) -> SelfWatch:
        return SelfWatch(
            self._folder,
            self._clock,
            self.office,
            self.recorder.punctuality,
            self.recorder.queue.put,
            planned_sources(self._configuration),
            background_s=lambda: self.worker.oldest_s,
            store_error=self._store_error,
            worker_error=lambda: self.worker.trouble,
            file_behind=self._file_behind,
            units_replaced=self._units_replaced,
            signed=self.signed_plans.windows,
            work=self._work_due,
        )

    async def _work_due(self) -> tuple[WorkDue, ...]:
        """Return the work that comes round, due or not, by the programme as the estate file reckons it."""
        return work_due(await self.planner.programme(self._configuration.budget.value()), self._estate)

    async def _file_behind(self) -> tuple[str, ...]:
        return file_behind(self._estate, await self.ledger.equipment())

    async def _units_replaced(self) -> tuple[str, ...]:
        return await units_replaced(self._present.alarms.values(), self.ledger)

    def _fill_load_records(self) -> Job:
        records = {system: self.recorder.memories.loads.of(system) for system in self._estate.systems}
        return keep_filling(records, self._estate, self.history, self._clock, self.budget)

    async def _write_waiting(self) -> None:
        """Have written what waits for the disk, once it takes it, until cancelled."""
        while True:
            await self._clock.sleep_until(self._clock.monotonic_s() + TRY_EVERY_S)
            await self.ledger.write_waiting()

    def _store_error(self) -> str | None:
        """Return what ails the stores: what could not be written first, then what could not be tidied or sent."""
        unwritten = self.ledger.trouble or self.recorder.keeping.trouble
        return unwritten or self.history.trouble or self.tidying.trouble

    def _set_words(self) -> SetWords | None:
        """Return who listens to the broker of the site's word, None where none is named."""
        configuration = self._configuration
        settings = configuration.set_words
        if settings.host is None:
            return None
        login = configuration.secrets.get(settings.secret or "")
        return SetWords(
            settings,
            login if isinstance(login, Login) else None,
            self._clock,
            f"{settings.topics_below}/{collector_name(configuration)}",
            tuple(self._estate.generators),
            lambda: site_token(configuration),
            self.testimony.word,
            self.testimony.refusal,
        )


def planned_sources(configuration: Configuration) -> PlannedSources:
    """Return where the estate file says that planned work is declared."""
    return PlannedSources(
        configuration.path.parent,
        home_zone(configuration),
        configuration.planned_work,
        configuration.calendars,
    )


def site_token(configuration: Configuration) -> str | None:
    """Return the token that the site's own systems show, None where the estate file names none."""
    name = configuration.listen.site_secret
    secret = None if name is None else configuration.secrets.get(name)
    return secret.token.reveal() if isinstance(secret, Token) else None
