"""A replay of readings and judgements gives the same alarms, and a judgement made again from its seed is the same.

The day goes through the real recorder; the replay runs in another process, whose sets and mappings of text
have another order, on a watch that knows nothing.
"""

import os
import pickle
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import cast

import numpy as np
import pytest

from collector.assessment.hold_up import seed_of
from collector.process.clock import stamp
from collector.recorder import recorder as recording
from collector.recorder.parts import Consumer
from rules.alarms.lifecycle.alarm import Happened
from rules.battery.assessment.bank import BankJudgement, judge_bank
from rules.battery.assessment.evidence import BankEvidence
from rules.battery.discharge.evidence import DischargeEvidence
from rules.battery.model.health import BankBelief
from rules.monitor.inputs import Input, OperatorAction, OperatorCommand, Tick
from rules.monitor.live import Live
from rules.monitor.outputs import Change
from rules.monitor.step import advance
from rules.plant.reading import OutputSource, Reading
from rules.system.assessment import task_of
from rules.system.hold_up.judgement import HoldUpJudgement, hold_ups
from rules.system.hold_up.sampling import DRAWS
from rules.system.hold_up.task import HoldUpTask
from rules.system.observation import SystemObservation, SystemView
from tests.collector.replaying import Record, Result
from tests.collector.scripted import Scripted, scripted
from tests.rules.sample_plants import NOON, estate, known_banks, reading

ROOT = Path(__file__).resolve().parents[3]
MINUTE_S = 60.0


@dataclass
class JudgesAtOnce:
    """Judges a system every half an hour, and every two minutes of an outage, without a process of its own."""

    beliefs: Mapping[str, BankBelief]
    jobs: list[tuple[HoldUpTask, Mapping[str, BankBelief], int]] = field(default_factory=list)
    made: list[HoldUpJudgement] = field(default_factory=list)
    fresh: list[HoldUpJudgement] = field(default_factory=list)
    asked_s: float = -1e9

    def look(self, view: SystemView, seen: SystemObservation) -> None:
        every_s = 120.0 if seen.on_battery else 1800.0
        if view.now.monotonic_s - self.asked_s >= every_s:
            self.asked_s = view.now.monotonic_s
            job = (task_of(view, seen), self.beliefs, seed_of(f"{view.system} {view.now.at.isoformat()}"))
            self.jobs.append(job)
            self.made.append(hold_ups(*job, DRAWS))
            self.fresh.append(self.made[-1])

    def carry(self, _reading: Reading) -> None: ...

    def believe(self, _belief: BankBelief) -> None: ...


async def minutes(site: Scripted, judges: JudgesAtOnce, count: int, every_s: float = MINUTE_S) -> None:
    for _ in range(round(count * MINUTE_S / every_s)):
        await site.read()
        await site.recorder.process([*judges.fresh, Tick(stamp(site.clock))])
        judges.fresh.clear()
        await site.clock.advance(every_s)


async def a_day(site: Scripted, judges: JudgesAtOnce, evidence: BankEvidence) -> BankJudgement:
    """A working day: an outage, a test that showed a weak bank, a card that hangs, a load too large, somebody who acknowledges."""
    await minutes(site, judges, 2 * 60)
    for seconds in range(0, 600, 10):
        source = {"source": OutputSource.BATTERY, "on_battery_s": float(seconds)}
        site.says = {u: reading(u, **source) for u in site.plant.units}  # type: ignore[arg-type]
        await site.read()
        await site.recorder.process([*judges.fresh, Tick(stamp(site.clock))])
        judges.fresh.clear()
        await site.clock.advance(10.0)
    site.says = {u: reading(u) for u in site.plant.units}
    await minutes(site, judges, 20)
    for alarm in list(site.recorder.state.alarms):
        action = OperatorAction(
            stamp(site.clock), OperatorCommand.ACKNOWLEDGE, alarm, "R. Haugen", "seen", None
        )
        await site.recorder.process([action])
    weak = judge_bank(evidence)
    await site.recorder.process([weak])
    await minutes(site, judges, 60)
    hung = site.says.pop("A2")
    await minutes(site, judges, 30, every_s=10.0)
    site.says["A2"] = hung
    await minutes(site, judges, 60)
    site.says = {u: reading(u, (9800.0, 6000.0, 6000.0)) for u in site.plant.units}
    await minutes(site, judges, 3 * 60)
    return weak


@pytest.mark.slow
async def test_a_day_replayed_gives_the_same_alarms_and_its_judgements_are_the_same_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant = estate(2)
    inputs: list[Input] = []
    changes: list[tuple[Change, ...]] = []

    def noted(live: Live, given: Input) -> tuple[Change, ...]:
        found = advance(live, given)
        inputs.append(given)
        changes.append(found)
        return found

    monkeypatch.setattr(recording, "advance", noted)
    judges = JudgesAtOnce(known_banks(plant))
    bank = next(iter(plant.banks.values()))
    lost = DischargeEvidence(
        at=NOON, kind="test", seconds=900.0, output_power_w=9000.0, published_s=1800.0,
        used=0.5, fraction=0.7, low=0.64, high=0.76,
    )  # fmt: skip
    evidence = BankEvidence(bank, NOON + timedelta(hours=2), 22.0, discharges=(lost,), rating_w=27_000.0)
    async with scripted(plant, tmp_path, NOON, consumers=(cast("Consumer", judges),)) as site:
        weak = await a_day(site, judges, evidence)
        lived, book = site.recorder.state, site.recorder._book
    kinds = {c.alarm.kind for found in changes for c in found if isinstance(c, Happened)}
    assert {"on_battery", "card_silent"} <= kinds  # it was a day on which things happened
    assert len(judges.made) > 15

    record = Record(book, tuple(inputs), tuple(judges.jobs), ((evidence, weak.seed),))
    kept, result = tmp_path / "record", tmp_path / "result"
    kept.write_bytes(pickle.dumps(record))
    command = [
        sys.executable,
        "-c",
        "from tests.collector.replaying import main; main()",
        str(kept),
        str(result),
    ]
    other = {**os.environ, "PYTHONHASHSEED": "4711", "PYTHONPATH": str(ROOT)}
    subprocess.run(command, check=True, timeout=120, env=other, cwd=ROOT)  # noqa: ASYNC221 - nothing else runs
    again: Result = pickle.loads(result.read_bytes())
    assert again.changes == tuple(changes)
    assert again.state == lived
    assert again.systems == tuple(judges.made)
    (bank_again,) = again.banks
    assert (bank_again.state, bank_again.digest) == (weak.state, weak.digest)
    assert np.array_equal(bank_again.belief.health, weak.belief.health)
