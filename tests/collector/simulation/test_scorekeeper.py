"""What was shown just before an outage is what counts, beside the play's own truth."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.configuration import load
from collector.process.clock import TurnedClock
from collector.recorder.current_state import Present
from collector.simulation.estate import SimulatedEstate
from collector.simulation.scenario.director import Cue, MainsFails, MainsReturns
from collector.simulation.scorekeeper import ScoreKeeper
from rules.system.state import UNKNOWN_HOLD_UP, EndOfLife, HoldUp, HoldUps, Load, OnBattery, SystemState
from rules.values.verdict import Basis, EndedBy

START = datetime(2026, 11, 24, 12, tzinfo=UTC)


def shown(at: datetime, low_s: float, *, on_battery: bool = False) -> SystemState:
    now = HoldUp(low_s, low_s + 500.0, low_s + 900.0, EndedBy.BANK, Basis.TESTED)
    unknown = EndOfLife(UNKNOWN_HOLD_UP, UNKNOWN_HOLD_UP)
    return SystemState(
        "tollwick",
        "Tollwick yard",
        "tollwick-site",
        at,
        Load(3300.0, 3500.0, ()),
        (),
        None,
        HoldUps(now, now, (), unknown),
        (),
        OnBattery(at, None, None) if on_battery else None,
    )


async def test_the_score_stands_beside_what_was_foretold_before_the_failure(tmp_path: Path) -> None:
    clock = TurnedClock(START)
    cues = [Cue(10.0, MainsFails("tollwick-mains")), Cue(60.0, MainsReturns("tollwick-mains"))]
    async with SimulatedEstate(tmp_path, clock=clock, cues=cues) as play:
        present = Present(load(play.estate_file).estate)
        keeper = ScoreKeeper(play, present, clock)
        assert present.foretold is not None
        assert not present.foretold.lines
        present.systems["tollwick"] = shown(START + timedelta(seconds=8), 1000.0)
        await keeper.look()
        await clock.advance(12.0)
        present.systems["tollwick"] = shown(clock.now(), 900.0, on_battery=True)
        await keeper.look()
        line = keeper.score().lines[0]
        assert present.foretold == keeper.score()
        assert line.prediction is not None
        assert line.prediction.low_s == 1000.0
        assert line.outcome.hold_up_s == play.outages[0].hold_up.seconds
        assert line.safe is ((play.outages[0].hold_up.seconds or 0.0) >= 1000.0)
        await clock.advance(100.0)
        await keeper.look()
        assert len(present.foretold.lines) == 1


async def test_an_outage_of_which_nothing_was_foretold_counts_as_none(tmp_path: Path) -> None:
    clock = TurnedClock(START)
    async with SimulatedEstate(tmp_path, clock=clock, cues=[Cue(2.0, MainsFails("tollwick-mains"))]) as play:
        present = Present(load(play.estate_file).estate)
        keeper = ScoreKeeper(play, present, clock)
        await clock.advance(4.0)
        await keeper.look()
        assert keeper.score().predicted == 0
        assert keeper.score().inside_share is None
        assert keeper.score().lines[0].outcome.hold_up_s == pytest.approx(1600.0, abs=300.0)


async def test_a_restart_forgets_no_outage_and_no_miss(tmp_path: Path) -> None:
    clock = TurnedClock(START)
    cues = [Cue(10.0, MainsFails("tollwick-mains")), Cue(60.0, MainsReturns("tollwick-mains"))]
    async with SimulatedEstate(tmp_path, clock=clock, cues=cues) as play:
        present = Present(load(play.estate_file).estate)
        keeper = ScoreKeeper(play, present, clock)
        present.systems["tollwick"] = shown(START + timedelta(seconds=8), 1e6)  # more than it can hold
        await keeper.look()
        await clock.advance(12.0)
        await keeper.look()
        before = keeper.score()
        assert before.safe_share == 0.0
    async with SimulatedEstate(tmp_path, clock=clock, cues=()) as play:
        present = Present(load(play.estate_file).estate)
        assert ScoreKeeper(play, present, clock).score() == before
        assert present.foretold == before
