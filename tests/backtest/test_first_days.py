"""The whole first day of six estates of healthy plant, read every ten seconds; an hour of constant readings, every five.

`pytest tests/backtest/test_first_days.py` takes some minutes. What is played stands in `tests/trials/played.py`.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.trials.played import healthy, played
from tests.trials.test_first_day import (
    check_it_is_steady,
    check_nothing_is_made_up,
    check_what_one_test_each_tells,
)

ESTATES = ((8, True), (46, False), (20, True), (36, False), (7, True), (50, False))
"""Seeds of `collector.simulation.scenario.random_systems`: two single units, two pairs, two threes; banks of two to four years."""


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "table"), ESTATES)
async def test_a_day_without_evidence_and_then_one_test_each(seed: int, table: bool, tmp_path: Path) -> None:
    made = healthy(seed, table=table)
    async with played(made, tmp_path) as site:
        await site.go(86_400.0, every_s=10.0)
        check_nothing_is_made_up(site)
        site.forget()
        await site.import_tests()
        await site.judged_anew()
        check_what_one_test_each_tells(made, site)


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "table"), ESTATES)
@pytest.mark.parametrize("tested", [False, True])
async def test_an_hour_of_constant_readings_moves_nothing(
    seed: int, table: bool, tested: bool, tmp_path: Path
) -> None:
    async with played(healthy(seed, table=table), tmp_path) as site:
        if tested:
            await site.import_tests()
            await site.judged_anew()
        await site.go(900.0)
        site.forget()
        await site.go(3600.0)
        check_it_is_steady(site)
