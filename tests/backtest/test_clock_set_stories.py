"""A hundred stories with the clock set at any of their moments: nothing is told otherwise than without.

`pytest -s tests/backtest/test_clock_set_stories.py`; the ordinary suite plays a few of them.
"""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import given, settings

from tests.collector.recorder.test_clock_set import JUMPS, played
from tests.collector.restarting import STEPS


@settings(max_examples=100, deadline=None)
@given(steps=STEPS, jumps=JUMPS)
async def test_whenever_the_clock_is_set_nothing_is_told_otherwise(
    steps: list[tuple[str, str, float]], jumps: dict[int, float]
) -> None:
    with TemporaryDirectory() as name:
        calm = await played(Path(name) / "calm", steps, {})
        turned = await played(Path(name) / "turned", steps, jumps)
    assert turned.told == calm.told
    assert turned.state == calm.state
    assert turned.shown == calm.shown
