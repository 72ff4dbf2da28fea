"""A hundred kills of the telling process; about five minutes. Not part of the ordinary suite."""

from __future__ import annotations

from pathlib import Path

from tests.collector.messaging.killing import check, killed


async def test_killed_a_hundred_times_it_tells_everything(tmp_path: Path) -> None:
    for seed in range(10):
        folder = tmp_path / str(seed)
        folder.mkdir()
        outcome = await killed(folder, times=10, seed=seed + 100)
        check(outcome)
        print(f"seed {seed}: {len(outcome.wanted)} wanted, {len(outcome.events)} arrived")
