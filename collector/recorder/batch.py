"""A batch on its way through the recorder: what may be in it, and what came of it until that is committed."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Callable, Iterable
from dataclasses import dataclass, field
from datetime import timedelta
from time import monotonic
from typing import Final, TypeVar

from collector.cards.polling.poller import Answer
from collector.process.clock import Clock
from collector.recorder.trackers.unit_work import WorkBegins, WorkCloses
from collector.storage.history.store import WireReading
from collector.storage.ledger.records import Evidence
from collector.storage.ledger.whence import Whence, asking
from rules.battery.assessment.bank import BankJudgement
from rules.monitor.inputs import Input, OperatorAction
from rules.monitor.outputs import Change
from rules.system.hold_up.judgement import HoldUpJudgement

LARGEST_BATCH: Final = 100
"""What is taken in together, where much waits: nothing of a batch is shown or told before the last of it is judged, and
in the first minute of a large estate a poll with its system's first judgement costs ten times what it does at rest."""
QUEUE_LENGTH: Final = 5000
GATHERED_S: Final = 0.1
"""How long what can wait does, at rest."""
GATHERED_LIVELY_S: Final = 0.02
"""The same in an outage: a round's replies come within less, and its systems are judged and committed once and not per card."""

TURN_EVERY_S: Final = 0.002
"""How long a batch is taken in at a stretch: a notification that comes meanwhile waits for no longer."""

T = TypeVar("T")

Doing = OperatorAction | WorkBegins | WorkCloses
"""What somebody did or said."""


@dataclass(frozen=True, slots=True)
class ClockSet:
    """The machine's time of day was set, and is to be taken over."""


RecorderInput = Answer | HoldUpJudgement | BankJudgement | Input | ClockSet


@dataclass(frozen=True, slots=True)
class PendingCommand:
    """What somebody did or said, and where its refusal (or None) is awaited."""

    action: Doing
    done: asyncio.Future[str | None]
    whence: Whence | None = field(default_factory=asking.get)
    """For whom: what the task knows that hands it over, since another one commits it."""


Queue = asyncio.Queue[RecorderInput | PendingCommand]


class InputQueue(Queue):
    """What waits to be taken in, in order, and since when: each thing until the batch it was in is `finished`.

    At rest what comes within `GATHERED_S` goes through together: the cards of a system are read in one round, so the
    system is judged once and the round is committed once; while `lively` what comes within `GATHERED_LIVELY_S`. Whatever
    somebody waits for (a poll that was asked for, a word, a judgement) takes all that waits along at once.
    """

    def __init__(self, clock: Clock, lively: Callable[[], bool] = lambda: False) -> None:
        self._clock = clock
        self._lively = lively
        self._since_s: deque[float] = deque()
        self._longest_s = 0.0
        self._under_way = 0
        self._hurried = asyncio.Event()
        super().__init__(QUEUE_LENGTH)

    def _put(self, item: RecorderInput | PendingCommand) -> None:
        self._since_s.append(self._clock.monotonic_s())
        super()._put(item)
        if not _can_wait(item):
            self._hurried.set()

    async def batch(self) -> list[RecorderInput | PendingCommand]:
        """Wait for something, and return it with all that waits behind it, in order, `LARGEST_BATCH` at most."""
        found = [await self.get()]
        if _can_wait(found[0]):
            await self._gathered(GATHERED_LIVELY_S if self._lively() else GATHERED_S)
        self._hurried.clear()
        while len(found) < LARGEST_BATCH and not self.empty():
            found.append(self.get_nowait())
        self._under_way = len(found)
        return found

    async def _gathered(self, for_s: float) -> None:
        """Wait until what came first has waited for so long, or something comes that cannot wait."""
        call_off = self._clock.call_at(self._since_s[0] + for_s, self._hurried.set)
        try:
            await self._hurried.wait()
        finally:
            call_off()

    def finished(self, count: int) -> None:
        """Note that the `count` things that came first have been taken in and shown."""
        self._longest_s = max(self._longest_s, self.age_s)
        self._under_way = 0
        for _ in range(count):
            self._since_s.popleft()

    @property
    def under_way(self) -> bool:
        """Return whether a batch is being taken in; what is still being gathered waits for the clock."""
        return self._under_way > 0

    @property
    def unfinished(self) -> int:
        """Return how many things wait or are being taken in."""
        return len(self._since_s)

    @property
    def age_s(self) -> float:
        """Return how long the oldest thing has waited, in s; 0 where nothing waits."""
        return self._clock.monotonic_s() - self._since_s[0] if self._since_s else 0.0

    def longest_s(self) -> float:
        """Return the longest that anything waited since this was last asked, in s."""
        longest_s, self._longest_s = max(self._longest_s, self.age_s), 0.0
        return longest_s


def _can_wait(item: RecorderInput | PendingCommand) -> bool:
    """Return whether nobody waits for this: a poll on its grid, which the others of its round follow."""
    return isinstance(item, Answer) and not item.early


@dataclass(slots=True)
class BatchResult:
    """What one batch brought, on its way to be committed."""

    records: list[WireReading] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)
    evidence: list[Evidence] = field(default_factory=list)
    judgements: list[BankJudgement] = field(default_factory=list)
    asked: list[tuple[PendingCommand, str | None]] = field(default_factory=list)
    touched: dict[str, None] = field(default_factory=dict)
    rested: dict[str, None] = field(default_factory=dict)
    """Systems with a reading that need not be judged."""
    clock_moved: timedelta = timedelta()
    """By how much the time of day was set meanwhile."""


async def in_turns(things: Iterable[T]) -> AsyncIterator[T]:
    """Return things one by one; whoever else waits for the event loop gets a turn every `TURN_EVERY_S`, and at the end.

    Taking in an answer costs a few tenths of a millisecond, a turn a tenth.
    """
    since_s = monotonic()
    for thing in things:
        yield thing
        if monotonic() - since_s >= TURN_EVERY_S:
            await asyncio.sleep(0)
            since_s = monotonic()
    await asyncio.sleep(0)
