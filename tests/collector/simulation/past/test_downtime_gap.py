"""The time in which the demonstration was stopped is filled once, at rest, and without a seam."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest

from collector.cards.mib.correction_set import STANDARD
from collector.cards.mib.interpretation import CardMeaning
from collector.simulation.past.downtime_gap import write_meanwhile
from collector.simulation.scenario.demonstration import UNITS, SimScenario
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import WireReading
from rules.plant.reading import Stamp

MEANING = CardMeaning({STANDARD.id: STANDARD}.get)
SCENARIO = SimScenario(7, datetime(2026, 11, 24, 12, tzinfo=UTC))
WEEKS_LATER = SCENARIO.now + timedelta(days=24, minutes=7)


async def seeded(store: SqliteHistory, at: datetime) -> None:
    """Let each unit have been read once, at `at`."""
    wire = {"upsOutputSource": 3, "upsInputLineBads": 0}
    await store.append(
        [WireReading(u.unit, Stamp(at, 0.0, "before"), 900.0, STANDARD.id, wire) for u in UNITS]
    )


async def readings(store: SqliteHistory, unit: str) -> list[WireReading]:
    span = store.readings(unit, SCENARIO.now - timedelta(days=1), WEEKS_LATER + timedelta(days=1))
    return [r async for r in span if isinstance(r, WireReading)]


async def test_a_folder_used_again_weeks_later_has_no_hole_in_its_past(tmp_path: Path) -> None:
    async with SqliteHistory(tmp_path / "history.sqlite", MEANING) as store:
        await seeded(store, SCENARIO.now)
        assert await write_meanwhile(store, SCENARIO, WEEKS_LATER, bads={"ossenby": 9})
        for unit in UNITS:
            found = await readings(store, unit.unit)
            assert {b.at - a.at for a, b in pairwise(found)} == {timedelta(minutes=15)}
            assert timedelta() < WEEKS_LATER - found[-1].at <= timedelta(minutes=15)
            added = [r for r in found if r.at > SCENARIO.now]
            assert all(r.wire["upsOutputSource"] == 3 for r in added)
            assert {r.wire["upsInputLineBads"] for r in added} == {9 if unit.system == "ossenby" else 0}
            days = {r.at.date() for r in added}
            assert {r.at.date() for r in added if "upsIdentModel" in r.wire} == days
        assert not await write_meanwhile(store, SCENARIO, WEEKS_LATER)


async def test_where_nothing_was_ever_read_nothing_is_made_up(tmp_path: Path) -> None:
    async with SqliteHistory(tmp_path / "history.sqlite", MEANING) as store:
        assert not await write_meanwhile(store, SCENARIO, WEEKS_LATER)


async def test_the_load_goes_on_where_it_was(tmp_path: Path) -> None:
    """The same hour of the same weekday, a week apart: what differs is noise and two weeks' growth."""
    async with SqliteHistory(tmp_path / "history.sqlite", MEANING) as store:
        await seeded(store, SCENARIO.now - timedelta(days=1))
        await write_meanwhile(store, SCENARIO, SCENARIO.now)
        await write_meanwhile(store, SCENARIO, WEEKS_LATER)
        found = {r.at: r for r in await readings(store, "ossenby-1")}
    noon = SCENARIO.now - timedelta(hours=1)
    before, after = (
        sum(v for k, v in found[at].wire.items() if k.startswith("upsOutputPower") and isinstance(v, int))
        for at in (noon, noon + timedelta(days=14))
    )
    assert after == pytest.approx(before, rel=0.1)
