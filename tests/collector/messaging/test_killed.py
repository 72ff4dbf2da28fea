"""Killed at any moment, everything is told at least once, in order, and nothing is invented."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.collector.messaging.killing import check, check_summaries, killed


@pytest.mark.slow
async def test_killed_five_times_it_tells_everything_at_least_once_and_in_order(tmp_path: Path) -> None:
    outcome = await killed(tmp_path, times=5, seed=1)
    assert outcome.kills == 5
    assert len(outcome.wanted) > 8
    check(outcome)


@pytest.mark.slow
async def test_killed_while_messages_are_held_for_a_summary_it_loses_none_of_them(tmp_path: Path) -> None:
    outcome = await killed(tmp_path, times=3, seed=2, most=2)
    assert outcome.kills == 3
    check_summaries(outcome)
