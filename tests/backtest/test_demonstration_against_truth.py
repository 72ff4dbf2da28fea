"""The demonstration's plant runs a quarter of an hour beside its own truth, with three outages: what is said of it is true.

pytest -s tests/backtest/test_demonstration_against_truth.py    # 20 minutes; prints the list for a person to read
"""

from __future__ import annotations

from pathlib import Path

from collector.simulation.scenario.director import (
    BankOpens,
    CardHangs,
    Cue,
    MainsFails,
    MainsReturns,
    SetWill,
)
from tests.backtest.beside_truth import story
from tests.backtest.what_is_so import OUTLASTED_SHARE, held_against

BRACKMERE, TOLLWICK = "brackmere-mains", "tollwick-mains"
LASTS_S = 900.0
CUES = (
    # as the demonstration begins: the generator misses its first start, an old bank works beside two younger ones
    Cue(0.0, SetWill(BRACKMERE, fires_at=2)),
    Cue(60.0, MainsFails(BRACKMERE)),
    Cue(300.0, MainsReturns(BRACKMERE)),
    Cue(390.0, CardHangs("ossenby-1-card", 75.0)),
    # no generator at all
    Cue(480.0, MainsFails(TOLLWICK)),
    Cue(660.0, MainsReturns(TOLLWICK)),
    # a link parts after twenty seconds of load, and no generator comes
    Cue(700.0, BankOpens("brackmere-3-bank", after_s=20.0)),
    Cue(700.0, SetWill(BRACKMERE, fires_at=None)),
    Cue(720.0, MainsFails(BRACKMERE)),
    Cue(830.0, MainsReturns(BRACKMERE)),
)
LEAST = {
    "on its banks": 100, "at rest": 500, "time left": 50, "holds more": 50, "alarm of a unit on its bank": 20,
    "mains lost": 3, "back on supply": 3, "shedding": 10, "plain words": 100, "holds more, in the journal": 1, "alarm in /reports/estate": 20,
    "alarm in stored report": 5, "plan and page": 5,
}  # fmt: skip
"""How many sentences of each kind must have been held against the plant: a story of unknown words is no true one."""


async def test_what_is_said_during_three_outages_is_true(tmp_path: Path) -> None:
    async with story(tmp_path) as told:
        await told.play(CUES, LASTS_S)
    print(told.account())
    judged = held_against(told.moments, told.said)
    print(f"\n{judged.checked.total()} sentences held against the plant: {dict(judged.checked)}.")
    print(*judged.found, sep="\n")
    print("Held longer than was told:", *judged.outlasted, sep="\n")
    assert judged.found == []
    assert len(judged.outlasted) <= OUTLASTED_SHARE * judged.checked["time left"]
    assert {kind: judged.checked[kind] for kind, least in LEAST.items() if judged.checked[kind] < least} == {}
