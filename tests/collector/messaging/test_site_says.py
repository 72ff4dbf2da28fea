"""The site's word on its generator reaches what is asked of people while the banks give."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.simulation.scenario.director import Cue, MainsFails, SetWill
from rules.generator.outage_source import SetSays
from rules.phrasing.reasons import say
from rules.system.state import OnBattery
from tests.collector.messaging.stories import Stage, staged

SUPPLY = "brackmere-mains"


def on_banks(stage: Stage) -> OnBattery:
    state = stage.service.present.systems["brackmere"]
    assert state.on_battery is not None
    return state.on_battery


@pytest.mark.slow
async def test_a_generator_that_runs_and_does_not_carry_is_to_be_thrown_on_and_not_to_be_started(
    tmp_path: Path,
) -> None:
    """Its changeover sticks: nothing comes, and nobody is sent to start what runs."""
    cues = (Cue(30.0, SetWill(SUPPLY, fires_at=None)), Cue(30.0, MainsFails(SUPPLY)))
    async with staged(tmp_path, cues) as stage:
        await stage.pass_time(25.0, step_s=5.0)
        await stage.pass_time(50.0, step_s=2.0)
        before = on_banks(stage)
        assert before.set_says is None
        assert before.hand_s is not None
        assert before.hand_s > 540.0, (
            "the way there and the start, as the estate file says, and the units' own times"
        )
        generator = stage.service.estate.generator_of("brackmere")
        assert generator is not None
        await stage.service.set_word(generator.id, running=True, carries=False)
        await stage.pass_time(120.0, step_s=2.0)
        after = on_banks(stage)
        assert (after.set_says, after.set_out_before, after.start_set_before) == (SetSays.RUNS, None, None)
        alarm = stage.service.present.alarms["no_supply_in_time:brackmere"]
        assert alarm.state.active
        assert say(alarm.do).startswith(
            "Throw the changeover to the generator: the site says that it runs and"
        )
        later = [one.data for one in stage.since(82.0) if one.data["incident"].startswith("power-")]
        assert later
        assert all("by hand" not in f"{data['do']}" for data in later)
