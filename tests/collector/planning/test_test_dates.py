"""The next test of a bank, from planned work."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

from collector.configuration.settings_tables import PlannedWorkTable
from collector.planning.test_dates import PlannedSources, PlannedTests
from tests.rules.sample_plant import estate

NOW = datetime(2026, 10, 20, 7, tzinfo=UTC)


def work(name: str, about: str, begins: datetime, explains: str = "bank_test") -> PlannedWorkTable:
    return PlannedWorkTable.model_validate(
        {
            "id": name,
            "about": about,
            "explains": explains,
            "begins": begins,
            "lasts_s": 3600.0,
            "every_days": 365,
        }
    )


async def test_a_banks_next_test_is_the_first_planned_at_or_above_it(tmp_path: Path) -> None:
    planned = PlannedSources(
        tmp_path,
        "Europe/London",
        (
            work("visit", "works", datetime(2026, 11, 1, 9, tzinfo=UTC), "isolation"),
            work("works", "works", datetime(2026, 3, 4, 9, tzinfo=UTC)),
            work("w2", "W2", datetime(2026, 12, 1, 9, tzinfo=UTC)),
        ),
    )
    site = estate()
    tests = PlannedTests(site, planned)
    assert await tests.next_test(site.banks["bank-W1"], NOW) == date(2027, 3, 4)
    assert await tests.next_test(site.banks["bank-W2"], NOW) == date(2026, 12, 1)
    assert await tests.next_test(site.banks["bank-D1"], NOW) is None
