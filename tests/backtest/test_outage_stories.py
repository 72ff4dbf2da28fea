"""A long story of outages on the simulated estate with its two years of past, message by message beside the truth.

pytest -s tests/backtest/test_outage_stories.py      # prints the whole list for a person to read; about 5 minutes
"""

from __future__ import annotations

from pathlib import Path

from collector.simulation.cards.faulty_cards import Lie
from collector.simulation.scenario.director import CardHangs, Cue, MainsFails, MainsReturns, SetWill
from tests.collector.messaging.stories import staged

BRACKMERE, OSSENBY, TOLLWICK = "brackmere-mains", "ossenby-mains", "tollwick-mains"
CUES = (
    # a generator that comes late, the way back to the mains, and a unit that refuses both for two and a half minutes
    Cue(330.0, SetWill(BRACKMERE, fires_at=3, late_s=30.0)),
    Cue(330.0, MainsFails(BRACKMERE)),
    Cue(490.0, MainsReturns(BRACKMERE)),
    # a generator that never comes, with every card of the system silent for a while in the midst of it
    Cue(720.0, SetWill(OSSENBY, fires_at=None)),
    Cue(720.0, MainsFails(OSSENBY)),
    Cue(780.0, CardHangs("ossenby-1-card", 200.0)),
    Cue(780.0, CardHangs("ossenby-2-card", 200.0)),
    Cue(1020.0, MainsReturns(OSSENBY)),
    # no generator at all
    Cue(1100.0, MainsFails(TOLLWICK)),
    Cue(1220.0, MainsReturns(TOLLWICK)),
)


async def test_every_message_of_three_outages_is_true_when_it_is_said(tmp_path: Path) -> None:
    lies = {"brackmere-1-card": (Lie.ALARM_ROWS_STAY,)}
    async with staged(tmp_path, CUES, lies=lies, past=True, refuses_s={"brackmere-3": 150.0}) as stage:
        await stage.pass_time(300.0, step_s=5.0)
        await stage.pass_time(1100.0)
        print(stage.account())
        print(f"\n{len(stage.said)} messages, {stage.judge.checked} claims checked.")
        assert stage.falsehoods() == []
        assert stage.judge.checked >= 30
