"""The parts that the service answers from, each complete, and the jobs that run side by side while it does."""

from __future__ import annotations

from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass

from collector.assessment.expected_courses import ExpectedCourses
from collector.assessment.hold_up import Judging
from collector.assessment.worker import Worker
from collector.cards.polling.reader import CardReader
from collector.cards.traps.journal import HeardNotifications
from collector.cards.traps.listener import Listening
from collector.messaging.delivery.answer_links import AnswerLinks
from collector.messaging.delivery.office import PostOffice
from collector.messaging.delivery.taking_on import TakingOn
from collector.planning.estate_ridethrough import EstateRides
from collector.planning.planner import Planner
from collector.planning.signed_shutdowns import SignedShutdowns
from collector.planning.table_trial import TableTrials
from collector.process.background_budget import Budget
from collector.read_model.history.queries import LookingBack
from collector.recorder.reading_ages import ReadingAges
from collector.recorder.recorder import Recorder
from collector.recorder.trackers.generator_reports import Testimony
from collector.storage.history.store import HistoryStore
from collector.storage.ledger import Ledger
from collector.storage.maintenance.housekeeping import Tidying

Job = Callable[[], Coroutine[object, object, None]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """What was made by `collector.service.assembly.assemble`. `listening`: None where no port for notifications is set."""

    ledger: Ledger
    history: HistoryStore
    tidying: Tidying
    budget: Budget
    readers: Mapping[str, CardReader]
    listening: Listening | None
    heard: HeardNotifications
    recorder: Recorder
    reading_ages: ReadingAges
    testimony: Testimony
    office: PostOffice
    links: AnswerLinks
    taking_on: TakingOn
    worker: Worker
    judging: Judging
    planner: Planner
    signed_plans: SignedShutdowns
    estate_rides: EstateRides
    looking_back: LookingBack
    expected: ExpectedCourses
    tables: TableTrials
    store_error: Callable[[], str | None]
    """Return what ails the stores: what could not be written first, then what could not be tidied or sent."""
    jobs: Mapping[str, Job]
    """What runs side by side while the service does, by name."""
