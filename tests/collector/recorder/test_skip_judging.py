"""Readings that say what was judged a moment ago are not judged, and nothing else comes of it."""

import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from random import Random

import pytest

from collector.process.clock import stamp
from collector.recorder import recorder as recording
from collector.recorder.skip_judging import Calm
from rules.monitor.calm_bounds import JUDGED_EVERY_S
from rules.monitor.inputs import Input, SystemJudged, Tick
from rules.monitor.live import Live
from rules.monitor.outputs import Change
from rules.monitor.step import advance
from rules.plant.reading import BatteryStatus, OutputSource, Reading, Silence
from rules.system.hold_up.judgement import HoldUpJudgement, unknown_hold_ups
from rules.values.reason import told
from tests.collector.scripted import Scripted, scripted
from tests.rules.sample_plants import NOON, estate, reading

ROUND_S = 5.0


def at_rest(unit: str, watts: float = 3000.0, source: OutputSource = OutputSource.NORMAL) -> Reading:
    """Return what a card says that has been up for a day, with a bank that is well."""
    away_s = 60.0 if source is OutputSource.BATTERY else 0.0
    said = reading(unit, (watts, watts, watts), source=source, on_battery_s=away_s)
    battery = replace(said.battery, status=BatteryStatus.NORMAL)
    return replace(said, agent_uptime_s=86400.0, battery=battery, card_alarms=(), missing=())


async def test_of_plain_readings_one_in_six_is_judged_and_all_are_shown_and_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given: list[Input] = []

    def noted(live: Live, one: Input) -> tuple[Change, ...]:
        given.append(one)
        return advance(live, one)

    monkeypatch.setattr(recording, "advance", noted)
    plant = estate(2)
    async with scripted(plant, tmp_path, NOON, {u: at_rest(u) for u in plant.units}) as site:
        await site.go(60)
        given.clear()
        for n in range(12):
            site.says = {u: at_rest(u, 3000.0 + 3 * (n % 5)) for u in plant.units}
            await site.read(every_s=ROUND_S)
            newest = site.recorder._present.readings
            assert all(one.stamp.monotonic_s == site.clock.monotonic_s() - ROUND_S for one in newest.values())
        assert sum(isinstance(one, Reading) for one in given) == 2 * len(plant.units)
        assert sum(isinstance(one, SystemJudged) for one in given) == 2 * len(plant.systems)
        given.clear()
        site.says["A1"] = at_rest("A1", 3300.0)
        await site.read(every_s=ROUND_S)
        assert {one.unit for one in given if isinstance(one, Reading)} >= {"A1"}, "a step is judged at once"
        load = site.recorder._present.systems["A"].load
        newest = site.recorder._present.readings
        assert load.power_w == pytest.approx(sum(one.output.power_w or 0.0 for one in newest.values()))


async def test_a_card_that_stays_silent_rests_with_its_system_and_is_judged_at_once_when_it_answers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given: list[Input] = []

    def noted(live: Live, one: Input) -> tuple[Change, ...]:
        given.append(one)
        return advance(live, one)

    monkeypatch.setattr(recording, "advance", noted)
    plant = estate(2)
    async with scripted(plant, tmp_path, NOON, {u: at_rest(u) for u in plant.units}) as site:
        await site.go(60)
        del site.says["A1"]
        for _ in range(60):
            await site.read(every_s=ROUND_S)
            await site.recorder.process([Tick(stamp(site.clock))])
        given.clear()
        for _ in range(12):
            await site.read(every_s=ROUND_S)
        assert sum(isinstance(one, SystemJudged) for one in given) == 2 * len(plant.systems)
        assert sum(isinstance(one, Silence) for one in given) == 2
        site.says["A1"] = at_rest("A1")
        given.clear()
        await site.read(every_s=ROUND_S)
        assert {one.unit for one in given if isinstance(one, Reading)} >= {"A1"}
        system = site.recorder._present.systems["A"]
        assert system.load.power_w == pytest.approx(2 * 9000.0)


async def test_units_that_were_judged_in_rounds_of_their_own_are_judged_together_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given: list[Input] = []

    def noted(live: Live, one: Input) -> tuple[Change, ...]:
        given.append(one)
        return advance(live, one)

    monkeypatch.setattr(recording, "advance", noted)
    plant = estate(2)
    async with scripted(plant, tmp_path, NOON, {u: at_rest(u) for u in plant.units}) as site:
        await site.go(60)
        site.says["A1"] = at_rest("A1", 3300.0)  # judged at once, three rounds before A2 must be
        for _ in range(3):
            await site.read(every_s=ROUND_S)
        site.says["A1"] = at_rest("A1", 3330.0)
        for _ in range(6):
            await site.read(every_s=ROUND_S)
        given.clear()
        for _ in range(12):
            await site.read(every_s=ROUND_S)
        read = [one for one in given if isinstance(one, Reading)]
        assert sum(isinstance(one, SystemJudged) for one in given) == 2 * len(plant.systems)
        assert (
            len({one.at for one in read if one.unit == "A1"} ^ {one.at for one in read if one.unit == "A2"})
            == 0
        )


async def story(site: Scripted, seed: int) -> list[tuple[object, ...]]:
    """Play a random story of two hours' rounds; return the alarms after each round."""
    chance = Random(seed)
    units = sorted(site.plant.units)
    base = {unit: at_rest(unit) for unit in units}
    seen: list[tuple[object, ...]] = []
    for _ in range(240):
        if chance.random() < 0.03:
            unit, watts = chance.choice(units), chance.choice((2000.0, 3000.0, 5200.0, 9500.0))
            away = at_rest(unit, watts, OutputSource.BATTERY)
            told = at_rest(unit, watts)
            base[unit] = chance.choice(
                (
                    told,
                    told,
                    away,
                    at_rest(unit, watts, OutputSource.BYPASS),
                    replace(told, card_alarms=("upsAlarmFanFailure",)),
                    replace(told, battery=replace(told.battery, temperature_c=44.0)),
                    replace(told, agent_uptime_s=chance.choice((5.0, 90000.0))),
                )
            )
            site.says.pop(unit, None)
            if chance.random() < 0.15:
                del base[unit]
        for unit, said in base.items():
            noise = 1.0 + 0.001 * chance.uniform(-1, 1)
            lines = tuple(replace(x, power_w=(x.power_w or 0.0) * noise) for x in said.output.lines)
            site.says[unit] = replace(said, output=replace(said.output, lines=lines))
        await site.read(every_s=ROUND_S)
        await site.recorder.process([Tick(stamp(site.clock))])
        alarms = site.recorder.watch.alarms.values()
        seen.append(tuple(sorted((a.id, a.state, a.since or NOON) for a in alarms if a.state != "normal")))
    return seen


async def test_random_stories_bring_the_same_alarms_and_journal_as_when_every_reading_is_judged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rested = 0
    for seed in (0, 2, 5, 13):
        found = []
        for judged in ("some", "every"):
            with monkeypatch.context() as patch:
                if judged == "every":
                    patch.setattr(Calm, "rests", lambda *_: False)
                async with scripted(estate(2), tmp_path / f"{seed}{judged}", NOON, {}) as site:
                    alarms = await story(site, seed)
                    rested += site.recorder.calm.rested
                    record = site.recorder.trackers.loads.of("A").snapshot()
                    # how long a card has been silent is told as of the last judgement, half a minute ago at the most
                    journal = sorted(
                        re.sub(r"answered for \d+ s", "answered", line) for line in await site.journal("")
                    )
                    found.append((alarms, journal, record))
        assert found[0][0] == found[1][0], seed
        assert found[0][1] == found[1][1], seed
        assert found[0][2] == found[1][2], "the record of the load has every reading"
    assert rested > 200
    assert JUDGED_EVERY_S == 6 * ROUND_S


async def test_an_answer_that_is_the_last_one_dated_anew_has_nothing_judged_and_another_one_has(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given: list[Input] = []

    def noted(live: Live, one: Input) -> tuple[Change, ...]:
        given.append(one)
        return advance(live, one)

    plant = estate(2)
    async with scripted(plant, tmp_path, NOON, {u: at_rest(u) for u in plant.units}) as site:
        await site.go(60)
        monkeypatch.setattr(recording, "advance", noted)
        now = site.clock.now()
        answers = [
            HoldUpJudgement(
                "A", now, 1, unknown_hold_ups((told("Nothing is known."),)), 15_000.0, {"A1": 1.0}
            )
        ]
        answers.append(replace(answers[0], as_of=now + timedelta(seconds=30)))
        answers.append(replace(answers[0], as_of=now + timedelta(seconds=60), load_w=16_000.0))
        answers.append(replace(answers[2], hold_ups=unknown_hold_ups((told("Nothing is known yet."),))))
        judged = []
        for answer in answers:
            given.clear()
            await site.recorder.process([answer])
            judged.append([one.state.id for one in given if isinstance(one, SystemJudged)])
            assert site.recorder._present.hold_ups["A"] == answer
        assert judged == [["A"], [], ["A"], ["A"]]
