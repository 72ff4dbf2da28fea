"""What is shown comes from here: a running service, or a data folder, each of this one shape."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Protocol

from collector.cards.corrections.learning import Learning
from collector.configuration import Configuration
from collector.messaging.delivery.letter import Telling
from collector.planning.signed_book import SignedBook
from collector.process.clock import Clock
from collector.read_model.own_figures import HeardSite, OwnFigures
from collector.recorder.current_state import Present
from collector.recorder.trackers.outages import OutageTracker
from collector.storage.ledger.records import IncidentLine, JournalLine, Outgoing, Page, Place, Placed, Sending
from rules.plant.estate import Estate
from rules.plant.reading import Reading
from rules.plant.unread import OldReading, Unread


class SheetSource(Protocol):
    """All that a sheet is made of, at the moment its clock shows."""

    @property
    def configuration(self) -> Configuration:
        """What the estate file says."""

    @property
    def estate(self) -> Estate:
        """What is installed."""

    @property
    def clock(self) -> Clock:
        """The clock by which everything is as old as it is said to be."""

    @property
    def present(self) -> Present:
        """The newest readings, verdicts, alarms and answers."""

    @property
    def outages(self) -> OutageTracker:
        """What is known of the outages of supplies."""

    @property
    def signed_plans(self) -> SignedBook:
        """The shutdowns that were signed."""

    @property
    def learning(self) -> Learning:
        """What is known of the cards."""

    @property
    def told(self) -> Mapping[str, tuple[Telling, ...]]:
        """Who was told of each incident that is looked after."""

    @property
    def acts(self) -> bool:
        """Whether what people do here is carried out."""

    def own_figures(self) -> OwnFigures | None:
        """Return how the service itself keeps up, None where none runs."""

    def heard(self) -> tuple[HeardSite, ...]:
        """Return the sites that are heard from afar, none where cards are read here."""

    def not_read(self) -> Mapping[str, OldReading]:
        """Return the units that are not being read, each with the age of its last reading and why."""

    def unread(self, unit: str) -> Unread | None:
        """Return why there is no newer reading of a unit than the last, None where nobody reads it here."""

    def reading_age_s(self, reading: Reading) -> float:
        """Return how old a reading is, in s."""

    def read_every_s(self, unit: str) -> float | None:
        """Return how often a unit is read now, in s, None where it is not."""

    def card_notes(self, card: str) -> tuple[str, ...]:
        """Return what people should know of how a card is read, the newest last."""

    async def incidents(self, *, after: Place | None = None, limit: int = 200) -> Placed[IncidentLine]:
        """Return incidents, newest first."""

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

    async def messages(
        self,
        *,
        sending: Sending | None = None,
        incident: str | None = None,
        before: int | None = None,
        limit: int = 200,
    ) -> Page[Outgoing]:
        """Return what was sent or waits to be sent, newest first."""
