"""A clock that is set while things last: all that lasts, and all that is left, is what it would have been without.

A story is played twice over real stores, once with the machine's clock set in its middle. Whatever is told, stands
or is counted down must then be the same but for the times of day, which are those of the clock as it was set.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector.process.clock import SystemClock, TurnedClock, stamp
from collector.recorder.batch import ClockSet, PendingCommand, RecorderInput
from collector.storage.ledger.discharge_record import from_evidence
from collector.storage.ledger.records import Evidence
from rules.alarms.lifecycle.states import State
from rules.alarms.windows import Window
from rules.monitor.clock_moved import moved
from rules.monitor.inputs import OperatorAction, OperatorCommand, Tick
from rules.plant.reading import Stamp
from tests.collector.restarting import DARK, STEPS, WIRES, Collector, foretold, with_a_past
from tests.rules.sample_plants import NOON

JUMPS_S = [-86_400.0, -600.0, 600.0, 86_400.0]
OUTAGE = [
    ("A1", "mains", 12.0), ("A1", "battery", 12.0), ("A2", "battery", 48.0), ("A1", "battery", 48.0),
    ("A1", "silent", 48.0), ("A1", "battery", 12.0), ("A1", "mains", 48.0), ("A2", "mains", 48.0),
]  # fmt: skip
TEST = [("A1", "mains", 12.0), ("A1", "test", 48.0), ("A1", "test", 48.0), ("A1", "mains", 48.0)]
HEARD = WIRES | {
    "test": DARK | {"upsTestResultsSummary": 5} | {f"upsInputVoltage.{n}": 230 for n in (1, 2, 3)}
}


@dataclass
class Played:
    """What came of a story: what was told (its moment by a clock that nobody set), what stands, what is in the journal."""

    told: list[tuple[object, ...]]
    state: object
    shown: object
    events: list[tuple[str, str]]
    discharges: list[tuple[str, str, float | None]]


async def played(folder: Path, steps: list[tuple[str, str, float]], jumps: Mapping[int, float]) -> Played:
    """Play a story, the clock being set before the steps that `jumps` names."""
    await asyncio.to_thread(folder.mkdir)
    await with_a_past(folder)
    clock: Any = TurnedClock(NOON)
    one = Collector(folder, units=3, clock=clock)
    await one.start()
    # the highest load of past days is noted by their dates, which are other days by a clock that was set: held still
    peaks = one.recorder.trackers.loads.peaks("A")
    one.recorder.trackers.loads.peaks = lambda _system: peaks  # type: ignore[method-assign,assignment]
    doing, told, set_by = dict.fromkeys(("A1", "A2"), "mains"), [], timedelta()
    for number, (unit, does, lasts_s) in enumerate(steps):
        doing[unit] = does
        for third in range(3):
            # what was noted before the clock was set, and is taken in after it
            late: list[RecorderInput] = [one.answer(name, HEARD[did]) for name, did in doing.items()]
            late += [foretold(clock.now()), one.answer("A3", WIRES["mains"])]
            if third == 1 and number in jumps:
                clock.jump(jumps[number])
                set_by += timedelta(seconds=jumps[number])
            heard = len(one.told)
            first: list[RecorderInput] = [ClockSet()] if clock.was_set() else []
            await one.recorder.process([*first, *late, Tick(stamp(clock))])
            told += [replace(notice, at=notice.at - set_by) for notice in one.told[heard:]]
            await clock.advance(lasts_s / 3)
    state = moved(one.recorder.watch.value(), -set_by, but=(Window,))
    # a reading that rested without it is judged anew after the clock was set: when each was last judged is no matter here
    units = {name: replace(memory, seen_s=0.0, at=NOON) for name, memory in state.units.items()}
    state = replace(state, systems={}, last=None, units=units)  # what is said of banks' dates names days
    shown = {name: moved(system.on_battery, -set_by) for name, system in one.present.systems.items()}
    events = (await one.ledger.events(limit=1000)).items
    kept = await one.ledger.open_evidence() + tuple(await one.ledger.evidence("bank A1"))
    discharges = [(line.id, line.kind, rows_until_s(line)) for line in kept]
    await one.stack.aclose()
    return Played(
        [
            (
                n.id,
                n.kind,
                n.severity,
                n.at,
                n.what,
                n.do,
                n.lines,
                n.alarms,
                n.counted,
            )
            for n in told
        ],
        state,
        shown,
        [(e.kind, e.text) for e in reversed(events)],
        discharges,
    )


def rows_until_s(line: Evidence) -> float | None:
    """Return how long a discharge's rows go on, s."""
    rows = from_evidence(line).rows
    assert all(row.t_s <= later.t_s for row, later in pairwise(rows))
    return rows[-1].t_s if rows else None


@pytest.mark.parametrize(
    ("steps", "at", "by_s"),
    [
        (OUTAGE, 2, -86_400.0),
        (OUTAGE, 4, 86_400.0),
        (OUTAGE, 6, -600.0),
        (TEST, 2, -86_400.0),
        (TEST, 1, 600.0),
    ],
    ids=["outage_begins", "card_silent_in_outage", "outage_ends", "bank_test", "bank_test_begins"],
)
async def test_an_outage_or_a_test_lasts_and_is_left_what_it_would_be_had_nobody_set_the_clock(
    tmp_path: Path, steps: list[tuple[str, str, float]], at: int, by_s: float
) -> None:
    calm = await played(tmp_path / "calm", steps, {})
    turned = await played(tmp_path / "turned", steps, {at: by_s})
    assert turned.told == calm.told
    assert turned.state == calm.state
    assert turned.shown == calm.shown
    said = f"The machine's clock was set {'ahead' if by_s > 0 else 'back'} by {'24 h 0 min' if abs(by_s) > 600 else '10 min 0 s'}."
    assert [text for kind, text in turned.events if kind == "clock_set"] == [said]
    assert [e for e in turned.events if e[0] != "clock_set"] == calm.events
    assert calm.discharges
    assert turned.discharges == calm.discharges
    assert not any(re.search(r"-[0-9]", text) for _, text in turned.events)


JUMPS = st.dictionaries(st.integers(0, 11), st.sampled_from([*JUMPS_S, 3.0, -3.0]), min_size=1, max_size=3)
"""Before which steps of a story the clock is set, and by how much, s."""


@given(steps=STEPS, jumps=JUMPS)
@settings(
    max_examples=6, deadline=None, derandomize=True,  # `tests/backtest/test_clock_set_stories.py` plays many
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)  # fmt: skip
async def test_whatever_happens_and_whenever_the_clock_is_set_nothing_is_told_otherwise(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[str, str, float]], jumps: dict[int, float]
) -> None:
    folder = tmp_path_factory.mktemp("story")
    calm, turned = await played(folder / "calm", steps, {}), await played(folder / "turned", steps, jumps)
    assert turned.told == calm.told
    assert turned.state == calm.state
    assert turned.shown == calm.shown


@pytest.mark.parametrize("by_s", JUMPS_S)
async def test_shelving_ends_by_the_time_that_passed(tmp_path: Path, by_s: float) -> None:
    clock: Any = TurnedClock(NOON)
    one = Collector(tmp_path, units=3, clock=clock)
    await one.start()
    for _ in range(30):
        await one.give(
            one.answer("A1", None), one.answer("A2", WIRES["mains"]), one.answer("A3", WIRES["mains"])
        )
        await clock.advance(5.0)
    alarm = next(a for a in one.present.alarms.values() if a.kind == "card_silent")
    until = clock.now() + timedelta(hours=1)
    shelve = OperatorAction(stamp(clock), OperatorCommand.SHELVE, alarm.id, "ada", "known", until)
    done = asyncio.get_running_loop().create_future()
    await one.recorder.process([PendingCommand(shelve, done)])
    assert await done is None

    async def stands_after(seconds: float) -> State:
        await clock.advance(seconds)
        first: list[RecorderInput] = [ClockSet()] if clock.was_set() else []
        await one.recorder.process([*first, Tick(stamp(clock))])
        return one.recorder.watch.alarms[alarm.id].state

    clock.jump(by_s)
    assert await stands_after(1.0) is State.SHELVED
    assert await stands_after(3500.0) is State.SHELVED
    assert await stands_after(200.0) is not State.SHELVED
    await one.stack.aclose()


def test_what_holds_no_moment_is_left_alone_and_what_does_is_moved_along() -> None:
    by = timedelta(minutes=10)
    window = Window("w", next(iter(Window.__annotations__)), "A", NOON, NOON)  # type: ignore[arg-type]
    value = {"a": (Stamp(NOON, 1.0, "s"), 3), "b": window, "c": [NOON.date()], "d": NOON}
    found = moved(value, by, but=(Window,))
    assert found == {"a": (Stamp(NOON + by, 1.0, "s"), 3), "b": window, "c": [NOON.date()], "d": NOON + by}
    still = {"a": (1, "x"), "b": frozenset({2})}
    assert moved(still, by) is still
    assert moved(datetime(2026, 1, 1), by) == datetime(2026, 1, 1, 0, 10)  # noqa: DTZ001


class Set(SystemClock):
    """The machine's clock, as a test sets it."""

    by = timedelta()

    def _machines(self) -> datetime:
        return datetime.now(UTC) + self.by


def test_the_service_goes_by_the_machines_clock_again_once_it_is_taken_over_and_not_before() -> None:
    clock = Set()
    assert not clock.was_set()
    clock.by = timedelta(hours=-1)
    assert clock.was_set()
    assert abs(clock.now() - datetime.now(UTC)) < timedelta(seconds=1)
    assert abs(clock.take_over() - clock.by) < timedelta(seconds=1)
    assert abs(clock.now() - (datetime.now(UTC) + clock.by)) < timedelta(seconds=1)
    assert not clock.was_set()
