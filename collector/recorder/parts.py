"""What the recorder works with and others hold on to as well: made before it, so that both are made complete."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Protocol, Self

from collector.cards.corrections.learning import Learning
from collector.cards.polling.poller import Poller
from collector.process.clock import Clock
from collector.recorder.batch import InputQueue
from collector.recorder.current_state import Present
from collector.recorder.persistent import Persistent
from collector.recorder.trackers.countdowns import Countdowns
from collector.recorder.trackers.discharges import DischargeKeeper
from collector.recorder.trackers.load_records import LoadRecords
from collector.recorder.trackers.outages import OutageTracker
from collector.recorder.trackers.transfers import Transfers
from collector.recorder.trackers.unit_work import UnitWorks
from rules.alarms.events import PowerEvent
from rules.battery.model.health import BankBelief
from rules.monitor.inputs import ShutdownLooked
from rules.plant.estate import Estate
from rules.plant.reading import Reading, Stamp
from rules.system.observation import SystemObservation, SystemView


class Consumer(Protocol):
    """Whoever is handed what passes the recorder: each reading, each bank judged, each look at a system."""

    def carry(self, reading: Reading) -> None:
        """Take in a reading, once it is what is known of its unit."""

    def believe(self, belief: BankBelief) -> None:
        """Take in what a judgement of a bank came to."""

    def look(self, view: SystemView, seen: SystemObservation) -> None:
        """Take in a system's present state."""

    def move_clock(self, by: timedelta) -> None:
        """Move along what was noted before the clock was set."""


class FollowedPlans(Persistent, Protocol):
    """Plans that are looked at with every judgement of their system and every tick, and remembered."""

    def waiting(self) -> Sequence[str]:
        """Return the systems that a tick has something to say of."""

    def look(self, system: str, at: Stamp) -> tuple[ShutdownLooked | None, tuple[PowerEvent, ...]]:
        """Look at a system's plan; return what the watch is told, None where it knows, and what is to be noted."""


@dataclass(frozen=True, slots=True)
class Trackers:
    """What is followed over many batches, each with a module of its own."""

    discharges: DischargeKeeper
    outages: OutageTracker
    transfers: Transfers
    works: UnitWorks
    countdowns: Countdowns
    loads: LoadRecords

    @classmethod
    def of(cls, estate: Estate, clock: Clock, present: Present) -> Self:
        """Return the trackers of an estate, which know nothing yet."""
        return cls(
            DischargeKeeper(estate),
            OutageTracker(estate),
            Transfers(estate),
            UnitWorks(estate),
            Countdowns(estate, present.lit),
            LoadRecords(estate, clock),
        )

    @property
    def persistent(self) -> tuple[Persistent, ...]:
        """Return them as what outlives a restart."""
        return (self.countdowns, self.outages, self.transfers, self.works, self.discharges, self.loads)


class RecorderParts:
    """The queue into the recorder, the pollers that fill it (whoever opens the cards adds them), what it learns and follows."""

    def __init__(self, estate: Estate, clock: Clock, present: Present, learning: Learning) -> None:
        self.pollers: dict[str, Poller] = {}
        self.queue = InputQueue(clock, self._lively)
        self.learning = learning
        self.trackers = Trackers.of(estate, clock, present)

    def _lively(self) -> bool:
        """Return whether anything goes on that must be judged without delay: an outage, a test, its aftermath."""
        return any(poller.urgent for poller in self.pollers.values())
