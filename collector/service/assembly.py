"""The parts of the daemon, made and joined: the stores, the line, the cards, what judges, what plans.

Here alone is written which part is given what; what a part does with it is the part's own affair. Each is made complete,
in the order in which they need one another: what the recorder hands things to is made before it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from contextlib import AsyncExitStack
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from collector.assessment.bank_evidence import BankEvidenceBook
from collector.assessment.banks import BankJudging
from collector.assessment.equipment import file_behind, units_replaced
from collector.assessment.expected_courses import ExpectedCourses
from collector.assessment.hold_up import Judging
from collector.assessment.live_discharge import LiveJudging
from collector.assessment.past.taking import TakesPast
from collector.assessment.past.taking_back import TakesBack
from collector.assessment.worker import Worker
from collector.cards.commissioning.confirmation_feed import Teaching
from collector.cards.corrections.learning import Learning
from collector.cards.mib.interpretation import CardMeaning
from collector.cards.polling.poller import Answer, Poller
from collector.cards.polling.reader import CardReader
from collector.cards.polling.schedule import phases_for
from collector.cards.snmp.transport import Transport
from collector.cards.traps.journal import HeardNotifications
from collector.cards.traps.listener import Listening
from collector.configuration import Configuration
from collector.configuration.channel_tables import MailSettings, MqttSettings
from collector.configuration.secrets import Login, Token
from collector.messaging.centre.site_feed import SiteFeed
from collector.messaging.channels.mail_replies import MailReplies
from collector.messaging.delivery.answer_links import AnswerLinks, answer_key
from collector.messaging.delivery.broker_answers import BrokerAnswers
from collector.messaging.delivery.office import PostOffice, collector_name, home_zone
from collector.messaging.delivery.state import StateFeed
from collector.messaging.delivery.taking_on import TakingOn
from collector.messaging.mqtt.generator_status import SetWords
from collector.messaging.mqtt.heard_answers import AnswerBox
from collector.planning.estate_ridethrough import EstateRides
from collector.planning.isolation_answers import TakingOut
from collector.planning.planner import Planner
from collector.planning.shed_advice import ShedAdviser
from collector.planning.shutdown_answers import SwitchingOff
from collector.planning.signed_shutdowns import SignedShutdowns
from collector.planning.size_answers import SizesAhead
from collector.planning.table_trial import TableTrials
from collector.planning.test_dates import PlannedSources, PlannedTests
from collector.process.background_budget import Budget
from collector.process.clock import Clock
from collector.read_model.history.queries import LookingBack
from collector.recorder.current_state import Present
from collector.recorder.parts import RecorderParts
from collector.recorder.reading_ages import ReadingAges
from collector.recorder.recorder import Recorder
from collector.recorder.trackers.generator_reports import Testimony
from collector.recorder.trackers.load_backfill import fill_anew, fill_between, keep_filling
from collector.service.card_readers import cadence_of, reader_of
from collector.service.generator_watch import SetWatch
from collector.service.parts import Job, Parts
from collector.service.self_monitoring import SelfWatch
from collector.service.stores import open_stores
from collector.storage.ledger.ledger import TRY_EVERY_S
from rules.alarms.catalogue import with_overrides
from rules.monitor.state import Book
from rules.planning.programme.service_due import WorkDue, work_due
from rules.system.load.peaks import total_by_day
from rules.system.load.season import load_growth

BOOTS_FILE: Final = "notifications.json"


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What the parts are made in: what is declared, where it is kept, the time, and what is shown."""

    configuration: Configuration
    folder: Path
    clock: Clock
    present: Present
    accepted: str | None = None
    """The store that may be lost, of `collector.storage.partner.LOSSES`."""


async def assemble(around: Surroundings, stack: AsyncExitStack) -> Parts:
    """Make the parts; what has to be closed goes on the stack.

    Raises `collector.storage.database.StoreError`, `collector.cards.snmp.errors.CannotListen`.
    """
    configuration, clock, present = around.configuration, around.clock, around.present
    estate = configuration.estate
    learning = Learning(estate, {name: card.read_as for name, card in configuration.cards.items()})
    meaning = CardMeaning(learning.lookup)
    stores = await open_stores(configuration, around.folder, clock, meaning, around.accepted, stack)
    ledger, history, tidying = stores.ledger, stores.history, stores.tidying
    budget = Budget(clock, lambda: any(map(present.on_banks, present.systems)))

    given = RecorderParts(estate, clock, present, learning)
    put, trackers = given.queue.put, given.trackers
    links, answers = _answer_ways(around)
    office = PostOffice.of(
        configuration,
        ledger,
        clock,
        links,
        answers,
        # who was told of incidents is known to the office itself, which is there before anything is told
        feed_of=lambda: SiteFeed(configuration, ledger, clock, present, lambda: office.told),
    )
    testimony = Testimony(trackers.outages, ledger, clock)
    set_words = _set_words(configuration, clock, testimony)

    worker = await stack.enter_async_context(Worker())
    judging = Judging(estate, worker, clock, present, put)
    planner = Planner(
        estate,
        worker,
        clock,
        present,
        seen=judging.seen,
        record=trackers.loads.of,
        beliefs=judging.spoken_beliefs,
        beliefs_in_outage=partial(judging.spoken_beliefs, urgent=True),
        ledger=ledger,
        set_tested=lambda name: trackers.outages.set_test(name, clock.now()).last,
    )

    async def tell_planned() -> None:
        """Have the watch told of planned work at once; who does that needs the recorder, which needs the plans."""
        await self_watch.plan()

    signed_plans = SignedShutdowns(estate, ledger, clock, present, planner, tell_planned)
    book = BankEvidenceBook(
        estate,
        ledger,
        history,
        present,
        growth=lambda system: load_growth(total_by_day(trackers.loads.of(system).days())),
        next_test=PlannedTests(estate, PlannedSources.of(configuration)).next_test,
    )
    bank_judging = BankJudging(estate, worker, clock, book, put)

    recorder = Recorder(
        Book(estate, with_overrides(configuration.alarms)),
        clock,
        history,
        ledger,
        present,
        given,
        consumers=(judging,),
        plans=(signed_plans,),
        coldest_c=book.coldest_c,
        enqueue=office.enqueue,
        on_kept=office.wake,
        on_discharged=bank_judging.ask,
        on_clock_moved=(office.outbox.move_clock, *(words.move_clock for words in set_words)),
    )
    await recorder.restore()
    readers = await _cards(around, stack, given)
    heard = HeardNotifications(estate, ledger, clock)
    listening = await _listening(around, stack, given, readers, heard)

    def store_error() -> str | None:
        return ledger.trouble or recorder.keeping.trouble or history.trouble or tidying.trouble

    async def work() -> tuple[WorkDue, ...]:
        """Return the work that comes round, due or not, by the programme as the estate file reckons it."""
        return work_due(await planner.jobs.programme(configuration.budget.value()), estate)

    async def behind() -> tuple[str, ...]:
        return file_behind(estate, await ledger.equipment())

    self_watch = SelfWatch(
        around.folder,
        clock,
        office,
        recorder.punctuality,
        put,
        PlannedSources.of(configuration),
        background_s=lambda: worker.oldest_s,
        store_error=store_error,
        worker_error=lambda: worker.trouble,
        file_behind=behind,
        units_replaced=lambda: units_replaced(present.alarms.values(), ledger),
        signed=signed_plans.windows,
        work=work,
    )
    reading_ages = ReadingAges(estate, clock, present, recorder.pace, recorder.punctuality, put)
    estate_rides = EstateRides(estate, planner, clock)

    async def write_waiting() -> None:
        """Have written what waits for the disk, once it takes it, until cancelled."""
        while True:
            await clock.sleep_until(clock.monotonic_s() + TRY_EVERY_S)
            await ledger.write_waiting()

    records = {system: trackers.loads.of(system) for system in estate.systems}
    brought = TakesPast(
        around.folder,
        estate,
        history,
        ledger,
        clock,
        lively=lambda: any(map(present.on_banks, present.systems)),
        filled=lambda system, start, end: fill_between(
            records[system], estate, system, history, start, end, clock.now()
        ),
        back=TakesBack(
            around.folder,
            estate,
            history,
            ledger,
            clock,
            lively=lambda: any(map(present.on_banks, present.systems)),
            anew=lambda system, days: fill_anew(records[system], estate, system, history, days, clock.now()),
            ask=bank_judging.ask,
        ).once,
    )
    live = LiveJudging(estate, worker, clock, keeper=trackers.discharges, book=book, judging=judging)
    jobs: dict[str, Job] = {
        "recorder": recorder.run,
        "tick": recorder.tick,
        "what waits for the disk": write_waiting,
        "judging": judging.run,
        "delivery": office.run,
        "state feed": StateFeed(office, present).run,
        "self watch": self_watch.run,
        "reading ages": reading_ages.run,
        "banks": bank_judging.run,
        "live": live.run,
        "brought past": brought.run,
        "load past": lambda: keep_filling(records, estate, history, clock, budget),
        "tidying": tidying.run,
        "taking out": TakingOut(estate, planner, clock, present, budget=budget).run,
        "shed adviser": partial(ShedAdviser(estate, planner, clock, present).run, worker),
        "switching off": SwitchingOff(estate, planner, clock, present, signed_plans, budget=budget).run,
        "sizes": SizesAhead(estate, planner, clock, present, trackers.loads.of, budget=budget).run,
        "teaching": Teaching(ledger, learning, clock, seen=learning.newest_fact).run,
        "scenarios": estate_rides.run,
        "set watch": SetWatch(estate, clock, trackers.outages, next(iter(set_words), None), put).run,
    }
    taking_on = TakingOn(
        ledger,
        clock,
        office.dispatch,
        standing=lambda: recorder.state,
        ask=recorder.ask,
        sent=office.wake,
    )
    jobs |= _answering(around, links, answers, taking_on)
    for words in set_words:
        jobs["set words"] = words.run
    jobs |= {f"poll {poller.card}": poller.run for poller in given.pollers.values()}
    if listening is not None:
        jobs |= {"notifications": listening.run, "notifications heard": heard.run}
    return Parts(
        ledger=ledger,
        history=history,
        tidying=tidying,
        budget=budget,
        readers=readers,
        listening=listening,
        heard=heard,
        recorder=recorder,
        reading_ages=reading_ages,
        testimony=testimony,
        office=office,
        links=links,
        taking_on=taking_on,
        worker=worker,
        judging=judging,
        planner=planner,
        signed_plans=signed_plans,
        estate_rides=estate_rides,
        looking_back=LookingBack(estate, history, ledger),
        expected=ExpectedCourses(estate, worker, book),
        tables=TableTrials(estate, worker, clock, judging, book),
        store_error=store_error,
        jobs=jobs,
    )


def _answer_ways(around: Surroundings) -> tuple[AnswerLinks, AnswerBox | None]:
    """Return the links by which people answer, and where brokers put what they answer; None where none takes any."""
    configuration = around.configuration
    by_broker = any(isinstance(c, MqttSettings) and c.takes_answers for c in configuration.channels.values())
    links = AnswerLinks(answer_key(around.folder), configuration.delivery.answers_at, by_broker=by_broker)
    by_reply = any(isinstance(c, MailSettings) and c.replies for c in configuration.channels.values())
    return links, AnswerBox() if by_broker or by_reply else None


def _answering(
    around: Surroundings, links: AnswerLinks, answers: AnswerBox | None, taking_on: TakingOn
) -> dict[str, Job]:
    """Return who takes the answers that come by brokers and by mail, where they do."""
    if answers is None:
        return {}
    zone = ZoneInfo(home_zone(around.configuration))
    ways = around.configuration.channels.values()
    replies = {
        f"replies to {way.id}": MailReplies(
            way.id, around.configuration.path.parent / way.replies, answers, around.clock
        ).run
        for way in ways
        if isinstance(way, MailSettings) and way.replies
    }
    return {"answers": BrokerAnswers(answers, links, taking_on, around.clock, zone).run, **replies}


async def _cards(
    around: Surroundings, stack: AsyncExitStack, given: RecorderParts
) -> Mapping[str, CardReader]:
    """Make the readers of the cards, and the pollers that hand on what they read."""
    transport = await stack.enter_async_context(Transport())
    estate, cards = around.configuration.estate, around.configuration.cards.values()
    answers: asyncio.Queue[Answer] = given.queue  # type: ignore[assignment]
    readers = {card.id: reader_of(card, transport) for card in cards}
    for card in cards:
        given.pollers[card.id] = Poller(
            card.id,
            readers[card.id],
            cadence_of(card),
            around.clock,
            answers,
            group=estate.units[estate.cards[card.id].covers[0]].system,
            phases=phases_for(len(cards)),
        )
    around.present.figures = {name: poller.figures for name, poller in given.pollers.items()}
    return readers


async def _listening(
    around: Surroundings,
    stack: AsyncExitStack,
    given: RecorderParts,
    readers: Mapping[str, CardReader],
    heard: HeardNotifications,
) -> Listening | None:
    """Open the port for notifications, where one is set."""
    wanted = around.configuration.notifications
    if wanted.port is None:
        return None
    listening = Listening(
        readers,
        lambda card: given.pollers[card].poke(),
        host=wanted.host,
        port=wanted.port,
        boots_file=around.folder / BOOTS_FILE,
        tell=heard.hear,
    )
    await stack.enter_async_context(await listening.open())
    return listening


def _set_words(configuration: Configuration, clock: Clock, testimony: Testimony) -> tuple[SetWords, ...]:
    """Return who listens to the broker of the site's word, one or none."""
    settings = configuration.set_words
    if settings.host is None:
        return ()
    login = configuration.secrets.get(settings.secret or "")
    words = SetWords(
        settings,
        login if isinstance(login, Login) else None,
        clock,
        f"{settings.topics_below}/{collector_name(configuration)}",
        tuple(configuration.estate.generators),
        lambda: site_token(configuration),
        testimony.word,
        testimony.refusal,
    )
    return (words,)


def site_token(configuration: Configuration) -> str | None:
    """Return the token that the site's own systems show, None where the estate file names none."""
    name = configuration.listen.site_secret
    secret = None if name is None else configuration.secrets.get(name)
    return secret.token.reveal() if isinstance(secret, Token) else None
