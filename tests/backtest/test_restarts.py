"""Killed after every batch of a hundred stories, the collector tells the same as one that was never killed.

`pytest -s tests/backtest/test_restarts.py`; the ordinary suite plays a few of them.
"""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import given, settings

from tests.collector.restarting import STEPS, story


@settings(max_examples=100, deadline=None)
@given(steps=STEPS)
async def test_kills_change_nothing_that_is_told(steps: list[tuple[str, str, float]]) -> None:
    with TemporaryDirectory() as straight, TemporaryDirectory() as broken:
        first = await story(Path(straight), steps, killed=False)
        assert await story(Path(broken), steps, killed=True) == first
