"""A plant read, judged and recorded by hand: readings as a test wants them, on a clock that it turns."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, cast

from collector.cards.corrections.learning import Learning
from collector.cards.mib.upsmib import TablePart
from collector.cards.mib.wire_values import CardRead, WireState
from collector.cards.polling.poller import Answer
from collector.planning.planner import Planner
from collector.planning.signed_shutdowns import SignedShutdowns
from collector.process.clock import TurnedClock
from collector.process.clock import stamp as clock_stamp
from collector.recorder.current_state import Present
from collector.recorder.parts import RecorderParts
from collector.recorder.recorder import Recorder
from collector.storage.history.store import HistoryStore
from collector.storage.ledger import Ledger
from rules.monitor.inputs import PlannedWork, Tick
from rules.monitor.state import Book
from rules.plant.estate import Estate
from rules.plant.reading import InputLine, InputReading, OutputSource, Reading, Stamp
from rules.system.assessment import task_of
from rules.system.hold_up.judgement import HoldUpJudgement, hold_ups
from rules.system.load.record import PeakRecord
from rules.system.observation import glance
from tests.collector.cards.sample_cards import GOOD
from tests.collector.scripted import Forgetful
from tests.rules.sample_plants import NOON, estate, known_banks, reading

WHOLE = CardRead(frozenset(TablePart), GOOD, alarms=())


class AtOnce:
    """A judging process that answers in place."""

    async def ask(
        self, _key: str, function: Callable[..., Any], *arguments: object, about: object = None
    ) -> Any:
        return function(*arguments)


@dataclass
class Site:
    """System A: two units with a bank each. `watts` by line of each unit, `off` those that feed nothing."""

    plant: Estate
    clock: TurnedClock
    ledger: Ledger
    present: Present
    recorder: Recorder
    planner: Planner
    plans: SignedShutdowns
    watts: float = 3000.0
    mains: bool = True
    silent: frozenset[str] = frozenset()
    judged: dict[tuple[float, frozenset[str]], HoldUpJudgement] = field(default_factory=dict)
    """What was judged of each load: full banks every time, so that a test need not wait for it."""

    def interpret(self, card_id: str, unit: str, stamp: Stamp, state: WireState) -> Reading:
        source = OutputSource.NORMAL if self.mains else OutputSource.BATTERY
        volts = 230.0 if self.mains else 0.0
        lines = tuple(InputLine(n, 50.0 if self.mains else 0.0, volts) for n in (1, 2, 3))
        read = reading(unit, (self.watts,) * 3, source=source)
        return replace(read, stamp=stamp, input=InputReading(0, lines))

    async def read(self) -> None:
        """Read every card once, and judge the hold-up on what they say."""
        now = clock_stamp(self.clock)
        answers = []
        for unit in self.plant.units:
            card = self.plant.card_of(unit)
            assert card is not None
            answers.append(
                Answer(card.id, now, 5.0, 0.0, 0.1, silence="no answer")
                if unit in self.silent
                else Answer(card.id, now, 5.0, 0.0, 0.1, WHOLE)
            )
        await self.recorder.process([*answers, Tick(now)])
        view = self.recorder.views.of("A", self.recorder.state)
        task = task_of(view, glance(view))
        asked = (self.watts, self.silent)
        if asked not in self.judged:
            self.judged[asked] = hold_ups(task, known_banks(self.plant), seed=1)
        await self.recorder.process([replace(self.judged[asked], as_of=task.as_of)])

    async def run_for(self, seconds: float, every_s: float = 10.0) -> None:
        """Let time pass, read every `every_s`."""
        end_s = self.clock.monotonic_s() + seconds
        while self.clock.monotonic_s() < end_s:
            await self.clock.advance(every_s)
            await self.read()

    async def moved(self) -> None:
        """Tell the watch what the plans explain, as the service's own watch does."""
        await self.recorder.process([PlannedWork(clock_stamp(self.clock), self.plans.windows())])

    async def journal(self) -> list[str]:
        """Return the kinds of the journal's lines, oldest first."""
        return [line.kind for line in (await self.ledger.events(after=0, limit=1000)).items]

    def standing(self) -> set[str]:
        """Return the alarms that stand and are told."""
        return {a.id for a in self.present.alarms.values() if a.state.active}


@asynccontextmanager
async def site(
    folder: Path, clock: TurnedClock | None = None, *, plant: Estate | None = None
) -> AsyncIterator[Site]:
    """Open the plant on a data folder; a second time it goes on from what is kept there."""
    plant, clock = plant or estate(2), clock or TurnedClock(NOON)
    async with Ledger(folder / "ledger.sqlite") as ledger:
        present = Present(plant)
        parts = RecorderParts(plant, clock, present, Learning(plant))
        known = known_banks(plant)

        def seen(_system: str) -> Any:
            view = recorder.views.of("A", recorder.state)
            return view, glance(view, present.hold_ups.get("A"))

        planner = Planner(
            plant, AtOnce(), clock, present,
            seen=seen, record=lambda _system: PeakRecord((1, 2, 3)), beliefs=lambda banks: {bank: known[bank] for bank in banks}, ledger=ledger,
        )  # fmt: skip

        async def moved() -> None:
            await made.moved()

        plans = SignedShutdowns(plant, ledger, clock, present, planner, moved)
        history = cast("HistoryStore", Forgetful())
        recorder = Recorder(Book(plant), clock, history, ledger, present, parts, plans=(plans,))
        await recorder.restore()
        made = Site(plant, clock, ledger, present, recorder, planner, plans)
        recorder.learning.interpret = made.interpret  # type: ignore[method-assign]
        await made.read()
        await made.moved()
        yield made
