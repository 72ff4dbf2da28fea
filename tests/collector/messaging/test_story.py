"""An outage on the simulated estate from the first sign to the end of it: every message is true when it is said."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.simulation.cards.faulty_cards import Lie
from collector.simulation.scenario.director import CardHangs, Cue, MainsFails, MainsReturns, SetWill
from tests.collector.messaging.stories import staged

SUPPLY = "brackmere-mains"
FAILS_S = 30.0


@pytest.mark.slow
async def test_a_late_set_a_dip_after_it_a_unit_fed_late_a_silent_card_and_a_row_that_stays(
    tmp_path: Path,
) -> None:
    cues = (
        # the third start fires and runs up 15 s late; the mains is back 40 s into that, and 60 s steady before the load
        # goes back to it, which takes the units to their banks for some seconds
        Cue(FAILS_S, SetWill(SUPPLY, fires_at=3, late_s=15.0)),
        Cue(FAILS_S, MainsFails(SUPPLY)),
        Cue(FAILS_S + 20.0, CardHangs("brackmere-2-card", 30.0)),
        Cue(FAILS_S + 120.0, MainsReturns(SUPPLY)),
    )
    lies = {"brackmere-1-card": (Lie.ALARM_ROWS_STAY,)}
    async with staged(tmp_path, cues, lies=lies, refuses_s={"brackmere-3": 40.0}) as stage:
        await stage.pass_time(25.0, step_s=5.0)
        await stage.pass_time(305.0)
        print(stage.account())
        said = [one.data for one in stage.said if one.data["incident"].startswith("power-")]
        assert stage.falsehoods() == []
        assert stage.judge.checked >= 10, "enough was claimed to be checked"
        # the outage, and the way back to the mains half a minute after all were fed: told when it began, and at its end
        ends = [data for data in said if data["kind"] in ("opened", "closed")]
        assert [data["kind"] for data in ends] == ["opened", "closed", "opened", "closed"]
        lost = "Mains lost at Brackmere filtration, supply brackmere-mains: 3 units on battery."
        assert [data["what"] for data in ends[::2]] == [lost, lost]
        assert all(data["what"].startswith("Back on supply after ") for data in ends[1::2])
        assert [data["do"] for data in ends[1::2]] == [None, None]
        # what the card says beside it opens nothing, though one card leaves its rows behind
        assert not any(
            one.data["incident"].startswith(("card_alarm", "own-card_alarm")) for one in stage.said
        )
        rows = [a for a in stage.service.present.alarms.values() if a.kind == "card_alarm" and a.condition]
        assert {a.about for a in rows} == {"brackmere-1"}
        assert not any(a.state.active for a in rows)
