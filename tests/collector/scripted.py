"""A recorder whose cards read as a test says: everything behind the wire is the real one, on a turned clock."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import cast

from collector.cards.corrections.learning import Learning
from collector.cards.mib.upsmib import TablePart
from collector.cards.mib.wire_values import CardRead, WireState
from collector.cards.polling.poller import Answer
from collector.process.clock import TurnedClock, stamp
from collector.recorder.current_state import Present
from collector.recorder.parts import Consumer, RecorderParts
from collector.recorder.recorder import Recorder
from collector.storage.history.store import HistoryStore
from collector.storage.ledger import Ledger
from rules.monitor.state import Book
from rules.plant.estate import Estate
from rules.plant.reading import Reading, Stamp
from tests.collector.cards.sample_cards import GOOD
from tests.rules.sample_plants import reading

WHOLE = CardRead(frozenset(TablePart), GOOD, alarms=())


class Forgetful:
    """A history that takes everything in and keeps nothing."""

    async def append(self, _records: object) -> None:
        return None

    async def keep_exact(self, *_span: object) -> None:
        return None

    async def last(self, _unit: str) -> None:
        return None


@dataclass
class Scripted:
    """The recorder, its clock, and what each unit's card says; a unit that is left out does not answer."""

    recorder: Recorder
    clock: TurnedClock
    plant: Estate
    ledger: Ledger
    says: dict[str, Reading] = field(default_factory=dict)

    async def read(self, units: Sequence[str] = (), every_s: float = 0.0) -> None:
        """Have the units' cards (all of them, unless named) answer now, then let time pass."""
        answers = []
        for card in self.plant.cards.values():
            unit = card.covers[0]
            if not units or unit in units:
                silent = "no answer" if unit not in self.says else None
                wire = None if silent else WHOLE
                answers.append(Answer(card.id, stamp(self.clock), 5.0, 0.0, 0.1, wire, silence=silent))
        await self.recorder.process(answers)
        if every_s:
            await self.clock.advance(every_s)

    async def go(self, seconds: float, every_s: float = 5.0) -> None:
        """Read every card at its cadence for a while."""
        for _ in range(round(seconds / every_s)):
            await self.read(every_s=every_s)

    async def journal(self, prefix: str) -> list[str]:
        """Return the texts of the journal whose kind begins so, oldest first."""
        page = await self.ledger.events(limit=1000)
        return [line.text for line in reversed(page.items) if line.kind.startswith(prefix)]


@asynccontextmanager
async def scripted(
    plant: Estate,
    folder: Path,
    start: datetime,
    says: Mapping[str, Reading] | None = None,
    consumers: Sequence[Consumer] = (),
) -> AsyncIterator[Scripted]:
    """Open a recorder on the ledger of a folder, going on from what it holds."""
    clock = TurnedClock(start)
    async with Ledger(folder / "ledger.sqlite") as ledger:
        present = Present(plant)
        parts = RecorderParts(plant, clock, present, Learning(plant))
        history = cast("HistoryStore", Forgetful())
        recorder = Recorder(Book(plant), clock, history, ledger, present, parts, consumers=consumers)
        site = Scripted(recorder, clock, plant, ledger, dict(says or {u: reading(u) for u in plant.units}))

        def interpret(_card: str, unit: str, at: Stamp, _state: WireState) -> Reading:
            return replace(site.says[unit], stamp=at)

        recorder.learning.interpret = interpret  # type: ignore[method-assign,assignment]
        await recorder.restore()
        yield site
