"""What is remembered over a restart beside the alarms' lines, and how the ledger gets what it has not yet.

Everything here is written in the transaction of the changes it belongs to: a kill leaves the memories at the same
moment as the journal.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta

from collector.cards.corrections.learning import Learning
from collector.planning.signed_shutdowns import SignedShutdowns
from collector.process.clock import Clock
from collector.recorder.monitor_state import WatchKeeping
from collector.recorder.trackers.countdowns import COUNTDOWN, Countdowns
from collector.recorder.trackers.discharges import DischargeKeeper
from collector.recorder.trackers.load_records import PEAKS, LoadRecords
from collector.recorder.trackers.outages import AFTERMATH, OutageTracker
from collector.recorder.trackers.transfers import TRANSFERS, Transfers
from collector.recorder.trackers.unit_work import UNIT_WORK, UnitWorks
from collector.storage.ledger import Ledger, Transaction
from rules.monitor.state import Touched, WatchState
from rules.monitor.state_diff import Changed
from rules.plant.estate import Estate
from rules.system.hold_up_sampling import HoldUpJudgement


@dataclass(frozen=True, slots=True)
class PendingWrites:
    """What the ledger has not yet: parts of the watch's state, countdowns, the peaks, or another memory's news."""

    state: WatchState
    parts: Changed
    told: tuple[HoldUpJudgement, ...]
    loads: bool
    news: bool

    def __bool__(self) -> bool:
        """Return whether there is anything to write."""
        return bool(self.parts or self.told or self.loads or self.news)


class PersistentState:
    """The memories, each with a module of its own."""

    def __init__(self, estate: Estate, clock: Clock, learning: Learning) -> None:
        self.learning = learning
        self.keeper = DischargeKeeper(estate)
        self.aftermath = OutageTracker(estate)
        self.transfers = Transfers(estate)
        self.works = UnitWorks(estate)
        self.countdowns = Countdowns()
        self.loads = LoadRecords(estate, clock)
        self.plans: SignedShutdowns | None = None
        self._watch = WatchKeeping()
        self._estate = estate
        self._clock = clock

    async def restore(self, ledger: Ledger) -> WatchState:
        """Go on from what the ledger holds, and return the watch's state."""
        state = await self._watch.restore(ledger)
        self.countdowns.restore(await ledger.snapshots(COUNTDOWN), self._estate.systems)
        self.aftermath.restore(await ledger.snapshot(AFTERMATH))
        self.transfers.restore(await ledger.snapshot(TRANSFERS))
        self.works.restore(await ledger.snapshot(UNIT_WORK))
        closed = self.keeper.resume(await ledger.open_evidence())
        async with ledger.transaction() as tx:
            for line in closed:
                tx.save_evidence(line)
        self.loads.restore(await ledger.snapshot(PEAKS))
        return state

    def move_clock(self, by: timedelta) -> None:
        """Move along what was noted before the clock was set. Loads of past hours stay where they were noted."""
        self.learning.clock_moved += by
        self.keeper.move_clock(by)
        self.aftermath.move_clock(by)
        self.transfers.move_clock(by)
        self.works.move_clock(by)
        self.countdowns.move_clock(by)
        if self.plans is not None:
            self.plans.move_clock(by)

    def note(self, touched: Touched) -> None:
        """Take note of what changed of the watch's state, each part with its value before."""
        self._watch.note(touched)

    def unkept(self, state: WatchState, lit: Collection[str]) -> PendingWrites:
        """Return what the ledger has not yet, as the watch is now; `lit` are the systems on their banks."""
        memories = (self.learning, self.aftermath, self.transfers, self.works)
        news = any(memory.due for memory in memories) or (self.plans is not None and self.plans.due)
        return PendingWrites(
            state, self._watch.unkept(state), self.countdowns.unkept(lit), self.loads.due, bool(news)
        )

    def save(self, tx: Transaction, unkept: PendingWrites) -> None:
        """Put what the ledger has not into a transaction; `kept` once it is committed."""
        now = self._clock.now()
        self.learning.save(tx, now)
        self._save_news(tx, now)
        if self.plans is not None:
            self.plans.save(tx)
        self._watch.save(tx, unkept.state, unkept.parts, now)
        self.countdowns.save(tx, unkept.told, now)
        if unkept.loads:
            self.loads.save(tx)

    def kept(self, saved: PendingWrites) -> None:
        """Take note that the ledger has it."""
        self.aftermath.due = self.transfers.due = self.works.due = False
        if self.plans is not None:
            self.plans.committed()
        self._watch.kept(saved.parts)
        self.countdowns.kept(saved.told)
        if saved.loads:
            self.loads.kept()

    def save_open(self, tx: Transaction) -> None:
        """Put what is still under way into a transaction, for a clean stop."""
        for line in self.keeper.flush():
            tx.save_evidence(line)
        self._save_news(tx, self._clock.now())
        self.loads.save(tx)

    def _save_news(self, tx: Transaction, now: datetime) -> None:
        self.aftermath.save(tx, now)
        self.transfers.save(tx, now)
        self.works.save(tx, now)
