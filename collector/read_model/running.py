"""What is asked of a running service beyond what a sheet is made of: plans, the past, and what people do."""

from __future__ import annotations

from datetime import datetime
from typing import Protocol

from collector.assessment.expected_courses import ExpectedDischarge
from collector.messaging.delivery.answer_links import AnswerLinks
from collector.messaging.delivery.taking_on import TakingOn
from collector.planning.estate_ridethrough import EstateRides
from collector.planning.planner import Planner
from collector.planning.signed_shutdowns import SignedShutdowns
from collector.planning.table_trial import TriedTable
from collector.read_model.beginning.past_tests import Brought
from collector.read_model.history.queries import LookingBack
from collector.read_model.own_figures import OwnFigures, Readiness
from collector.read_model.source import SheetSource
from collector.storage.history.store import Bucket
from collector.storage.ledger.access import AccessTables
from collector.storage.ledger.discharge_record import DischargeRecord
from rules.alarms.quality import Quality
from rules.battery.assessment.runtime_trend import BankRuntime
from rules.generator.outage_source import OutageSource
from rules.monitor.inputs import OperatorCommand


class RunningSource(SheetSource, Protocol):
    """A running service, as far as pages and HTTP know it."""

    readers: int
    """How many live streams are open; the HTTP side counts them."""

    @property
    def started_at(self) -> datetime:
        """When it was started."""

    @property
    def stopping(self) -> bool:
        """Whether it has been asked to stop."""

    @property
    def access(self) -> AccessTables:
        """Who may look and act."""

    @property
    def planner(self) -> Planner:
        """Who answers questions about plans."""

    @property
    def signed_plans(self) -> SignedShutdowns:
        """The shutdowns that were signed; others are signed and withdrawn here."""

    @property
    def estate_rides(self) -> EstateRides:
        """The scenarios that are played for all systems."""

    @property
    def answer_links(self) -> AnswerLinks:
        """The links by which people answer messages."""

    @property
    def taking_on(self) -> TakingOn:
        """Who takes incidents on."""

    @property
    def looking_back(self) -> LookingBack:
        """What can be asked of the past."""

    def turning(self) -> bool:
        """Return whether batches still go through."""

    def readiness(self) -> Readiness:
        """Return whether at least one card answers, and which do not."""

    def own_figures(self) -> OwnFigures:
        """Return how the service itself keeps up."""

    def runtimes(self, system: str, start: datetime, end: datetime) -> tuple[BankRuntime, ...]:
        """Return what each bank of a system would have given at its power of today, by each discharge judged."""

    def site_token(self) -> str | None:
        """Return the token that the site's own systems show, None where the estate file names none."""

    async def series(
        self, unit: str, quantity: str, line: int | None, *, start: datetime, end: datetime, points: int
    ) -> tuple[Bucket, ...]:
        """Return a quantity over time."""

    async def alarm_quality(self, start: datetime, end: datetime) -> Quality:
        """Return the figures of the alarms themselves over a period."""

    async def set_word(
        self, generator: str, *, running: bool, carries: bool, load_w: float | None = None
    ) -> int | None:
        """Take the site's word about a generator as of now; return its line in the journal, None where it is no news."""

    async def mark_outage(
        self, incident: str, *, by: str, source: OutageSource, lost_at: datetime | None = None
    ) -> int:
        """Take a person's mark on an outage; return its line in the journal. Raises NoSuchOutage."""

    async def act(
        self, deed: OperatorCommand, alarm: str, *, who: str, why: str = "", until: datetime | None = None
    ) -> str | None:
        """Carry out an operator's action on an alarm; return why it was refused, or None once it is safe."""

    async def work_begins(self, unit: str, *, by: str, until: datetime, note: str = "") -> str | None:
        """Follow work on a unit from now on, or give it more time; return why not, or None once it is safe."""

    async def work_closes(self, unit: str, *, by: str, note: str = "") -> str | None:
        """End the following of work on a unit; return why not, or None once it is safe."""

    async def expected_of(self, record: DischargeRecord) -> ExpectedDischarge | None:
        """Return what a discharge on record was expected to be; None where it could not be reckoned in time."""

    async def table_tried(self, bank: str, text: str, *, per_block: bool = False) -> TriedTable:
        """Return what a maker's table would come to at a bank, its watts a cell's or a block's; nothing is kept.

        Raises TableRefused, NotYet.
        """

    async def bring_past_test(self, bank: str, text: str, *, at: datetime, by: str, kind: Brought) -> str:
        """Keep a past test as evidence of a bank; return its id. Raises PastTestError."""
