"""A collector over real stores that can be killed and started again, and stories played through it."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path

from hypothesis import strategies as st

from collector.cards.corrections.learning import Learning
from collector.cards.mib.interpretation import CardMeaning
from collector.cards.mib.upsmib import TablePart
from collector.cards.mib.wire_values import CardRead, WireValue
from collector.cards.polling.poller import Answer
from collector.process.clock import NeverSet, stamp
from collector.recorder.batch import RecorderInput
from collector.recorder.current_state import Present
from collector.recorder.parts import RecorderParts
from collector.recorder.recorder import Recorder
from collector.recorder.trackers.load_records import LoadRecords
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.ledger import Ledger
from rules.alarms.incidents.incident import IncidentChange, Notice
from rules.monitor.inputs import Tick
from rules.monitor.outputs import Change
from rules.monitor.state import Book
from rules.system.hold_up.judgement import HoldUpJudgement
from rules.system.state import UNKNOWN_HOLD_UP, EndOfLife, HoldUp, HoldUps, LineLoad, Load, OnBattery
from rules.values.verdict import Basis, EndedBy
from tests.collector.cards.sample_cards import GOOD
from tests.rules.sample_plants import NOON, estate

DARK: dict[str, WireValue] = GOOD | {
    "upsOutputSource": 5,
    "upsBatteryVoltage": 4900,
    "upsBatteryCurrent": 330,
}
DARK |= {f"upsInputVoltage.{line}": 0 for line in (1, 2, 3)}
HOLDS_S = 600.0


@dataclass
class Turned(NeverSet):
    """The time of day goes on over a restart; the monotonic seconds begin anew."""

    at: datetime = NOON
    began: datetime = NOON
    run: int = 1
    start_id: str = "run-1"

    def now(self) -> datetime:
        return self.at

    def monotonic_s(self) -> float:
        return 1000.0 * self.run + (self.at - self.began).total_seconds()

    async def sleep_until(self, monotonic_s: float) -> None:
        raise AssertionError(f"nothing sleeps here until {monotonic_s}")

    def call_at(self, monotonic_s: float, wake: Callable[[], object]) -> Callable[[], object]:
        raise AssertionError(f"nothing calls {wake} here at {monotonic_s}")

    def restart(self) -> None:
        self.run += 1
        self.start_id = f"run-{self.run}"
        self.began = self.at


@dataclass
class Collector:
    """A recorder over real stores, which can be killed: then only what is on the disk is left."""

    folder: Path
    units: int = 2
    clock: Turned = field(default_factory=Turned)
    told: list[Notice] = field(default_factory=list)

    async def start(self) -> None:
        plant = estate(self.units)
        self.stack = AsyncExitStack()
        self.ledger = await self.stack.enter_async_context(Ledger(self.folder / "ledger.sqlite"))
        learning = Learning(plant)
        self.history = history = SqliteHistory(self.folder / "history.sqlite", CardMeaning(learning.lookup))
        await self.stack.enter_async_context(history)
        self.present = Present(plant)
        self.recorder = Recorder(
            Book(plant),
            self.clock,
            history,
            self.ledger,
            self.present,
            RecorderParts(plant, self.clock, self.present, learning),
            enqueue=self._tell,
        )
        await self.recorder.restore()

    def _tell(self, _tx: object, changes: Sequence[Change]) -> None:
        self.told += [c.notice for c in changes if isinstance(c, IncidentChange) and c.notice is not None]

    async def kill(self) -> None:
        await self.stack.aclose()
        self.clock.restart()

    def answer(self, unit: str, wire: dict[str, WireValue] | None) -> Answer:
        now = stamp(self.clock)
        if wire is None:
            return Answer(f"card {unit}", now, 5.0, 0.0, 0.1, silence="no answer")
        return Answer(f"card {unit}", now, 5.0, 0.0, 0.1, CardRead(frozenset(TablePart), wire, alarms=()))

    async def give(self, *inputs: RecorderInput) -> None:
        await self.recorder.process([*inputs, Tick(stamp(self.clock))])

    @property
    def on_battery(self) -> OnBattery | None:
        return self.present.systems["A"].on_battery


def foretold(at: datetime) -> HoldUpJudgement:
    held = HoldUp(HOLDS_S, HOLDS_S + 60.0, HOLDS_S + 120.0, EndedBy.BANK, Basis.TESTED)
    ups = HoldUps(held, UNKNOWN_HOLD_UP, (), EndOfLife(UNKNOWN_HOLD_UP, UNKNOWN_HOLD_UP))
    return HoldUpJudgement("A", at, 1, ups, 15_000.0)


WIRES: dict[str, dict[str, WireValue] | None] = {
    "mains": GOOD,
    "battery": DARK,
    "bypass": GOOD | {"upsOutputSource": 4},
    "off": GOOD | {"upsOutputSource": 2},
    "bank low": DARK | {"upsBatteryStatus": 3},
    "silent": None,
    "other card": GOOD | {"upsIdentModel": "FW 60"},
}
STEPS = st.lists(
    st.tuples(
        st.sampled_from(("A1", "A2")), st.sampled_from(sorted(WIRES)), st.sampled_from((3.0, 12.0, 48.0))
    ),
    min_size=1,
    max_size=12,
)


def wordless(text: str) -> str:
    """Return a text without its numbers: those in an alarm's words are told anew by each reading, and are no
    reason to write to the disk."""
    return re.sub(r"[0-9.]+", "#", text)


async def with_a_past(folder: Path) -> None:
    """Put two days of load on record, with a peak above what the stories' cards say.

    A new peak counts once it stood for five minutes, and is saved every five minutes: a kill can take it with it.
    The ledger is made once, and copied.
    """
    name = "ledger.sqlite"
    if not _with_a_past:
        with tempfile.TemporaryDirectory() as first:
            await _make_a_past(Path(first) / name)
            _with_a_past.append((Path(first) / name).read_bytes())
    (folder / name).write_bytes(_with_a_past[0])


_with_a_past: list[bytes] = []


async def _make_a_past(path: Path) -> None:
    records = LoadRecords(estate(3), Turned())
    lines = tuple(LineLoad(line, 16_000.0, 17_600.0) for line in (1, 2, 3))
    for quarter in range(2 * 96):
        at = NOON - timedelta(minutes=15 * (quarter + 1))
        records.of("A").add_quarter(at, Load(48_000.0, 52_800.0, lines))
    async with Ledger(path) as ledger, ledger.transaction() as tx:
        records.save(tx, NOON, stopping=True)


async def story(folder: Path, steps: list[tuple[str, str, float]], *, killed: bool) -> tuple[object, ...]:
    """Return all that came of a story: what was told, the journal, alarms, incidents, states."""
    await with_a_past(folder)
    one = Collector(folder, units=3)
    await one.start()
    doing = dict.fromkeys(("A1", "A2"), "mains")
    for unit, does, lasts_s in steps:
        doing[unit] = does
        for _ in range(3):  # A3's card always answers: the watch looked up to this moment
            answers = [one.answer(name, WIRES[did]) for name, did in doing.items()]
            await one.give(*answers, foretold(one.clock.at), one.answer("A3", GOOD))
            if killed:
                await one.kill()
                await one.start()
            await one.give()
            one.clock.at += timedelta(seconds=lasts_s / 3)
    await one.give(*(one.answer(name, WIRES[did]) for name, did in doing.items()), one.answer("A3", GOOD))
    state = one.recorder.state
    events = await one.ledger.events(limit=1000)
    incidents = await one.ledger.incidents(limit=1000)
    found = (
        [
            (n.id, n.kind, n.severity, n.at, wordless(n.what), n.alarms, n.counted, n.urgent, n.level)
            for n in one.told
        ],
        sorted(
            (e.at, e.kind, e.about or "", wordless(e.text), e.alarm or "", e.incident or "")
            for e in events.items
        ),
        {
            a.id: replace(a, mark_s=0.0, run_s=0.0, what=None, facts=None, by_when=None, by_when_for=None)
            for a in state.alarms.values()
        },
        {i.id: (i.members, i.counted, i.severity, i.about, i.notices) for i in state.incidents.values()},
        sorted((i.id, i.opened, i.closed) for i in incidents.items),
        {name: system.on_battery for name, system in one.present.systems.items()},
    )
    await one.stack.aclose()
    return found
