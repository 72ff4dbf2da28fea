"""The values that answers of a running service are made of, and how it refuses: what is named outside the collector."""

from collector.assessment.expected_courses import ExpectedDischarge
from collector.assessment.worker import JudgementFailed, Superseded
from collector.messaging.centre.acts import OPEN as ACT_OPEN
from collector.messaging.centre.acts import ActStanding
from collector.messaging.delivery.answer_links import AnswerLink, NoAnswerLinkError
from collector.messaging.delivery.taking_on import LONGEST_MIN, NotTakenOn, TakenOn, on_the_way
from collector.messaging.mqtt.generator_status import SetSaid
from collector.planning.estate_ridethrough import EstateRide, EstateStage
from collector.planning.planner import WORK, Busy, NotYet
from collector.planning.signed_book import SignedShutdown
from collector.planning.signed_shutdowns import NotSigned
from collector.planning.table_trial import TableRefused, TriedTable
from collector.planning.what_if import WhatIf, in_time, play_shutdown
from collector.read_model.beginning.past_tests import PastTestError
from collector.read_model.centre.acting import HandedOnError
from collector.read_model.centre.at_the_site import AtTheSiteError
from collector.recorder.trackers.outages import NoSuchOutage
from collector.storage.ledger.discharge_record import DischargeRecord, DischargeRow

__all__ = [
    "ACT_OPEN",
    "LONGEST_MIN",
    "WORK",
    "ActStanding",
    "AnswerLink",
    "AtTheSiteError",
    "Busy",
    "DischargeRecord",
    "DischargeRow",
    "EstateRide",
    "EstateStage",
    "ExpectedDischarge",
    "HandedOnError",
    "JudgementFailed",
    "NoAnswerLinkError",
    "NoSuchOutage",
    "NotSigned",
    "NotTakenOn",
    "NotYet",
    "PastTestError",
    "SetSaid",
    "SignedShutdown",
    "Superseded",
    "TableRefused",
    "TakenOn",
    "TriedTable",
    "WhatIf",
    "in_time",
    "on_the_way",
    "play_shutdown",
]
