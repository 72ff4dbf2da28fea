"""What the estate file says is kept is what is kept, and power events stay whole for ever."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.configuration import load_text
from collector.process.clock import TurnedClock
from collector.service.service import Service
from collector.storage.history.store import WireReading
from collector.storage.ledger.records import Outgoing, Snapshot
from collector.storage.ledger.retention import LET_GO
from collector.storage.maintenance.clock_trust import SCHEMA, SNAPSHOT
from rules.plant.reading import Stamp
from tests.api.test_service_http import ESTATE, SECRETS

NOW = datetime(2026, 4, 10, 12, tzinfo=UTC)
DAY = timedelta(days=1)
OUTAGE = (NOW - 60 * DAY, NOW - 60 * DAY + timedelta(minutes=10))


def polls(day: datetime) -> list[WireReading]:
    """Return polls of an hour each ten seconds, from noon."""
    return [
        WireReading(
            "A1", Stamp(day + timedelta(seconds=10 * n), 10.0 * n, "s"), 10.0, "", {"upsInputNumLines": 3}
        )
        for n in range(360)
    ]


@pytest.mark.parametrize(
    ("said", "days", "words"),
    [
        ("", (0, 30, 45, 60, 100), (0, 40)),
        ("[history]\nkeep_days = 33\n", (0, 30), (0, 40)),
        ("[history]\nkeep_days = 50\nkeep_messages_days = 33\n", (0, 30, 45), (0,)),
    ],
    ids=["as_it_is_left_out", "33_days", "50_days_and_messages_33"],
)
async def test_the_estate_file_says_how_long_readings_and_messages_are_kept(
    tmp_path: Path, said: str, days: tuple[int, ...], words: tuple[int, ...]
) -> None:
    secrets = tmp_path / "secrets.toml"
    secrets.write_text(SECRETS, "utf-8")
    secrets.chmod(0o600)
    configuration = load_text(ESTATE + said, tmp_path / "estate.toml")
    async with Service(configuration, tmp_path / "data", TurnedClock(NOW)) as service:
        for age in (100, 60, 45, 30, 0):
            await service.history.append(polls(NOW - age * DAY))
        await service.history.keep_exact("A1", *OUTAGE, "outage")
        async with service.ledger.transaction() as tx:
            for age in (0, 40):
                at = NOW - age * DAY
                tx.enqueue(Outgoing(f"m{age}", "mail", "x", "i", at, at, body={"text": "hello"}))
                tx.sent(f"m{age}", "250 ok")
            tx.save_snapshot(Snapshot(SNAPSHOT, NOW, SCHEMA, {"believed": (NOW - DAY).isoformat()}))
        await service._parts.tidying.once()
        assert service._parts.tidying.trouble is None
        left = [r.at async for r in service.history.readings("A1", NOW - 200 * DAY, NOW + DAY)]
        by_age = {
            age: sum(0 <= (at - (NOW - age * DAY)).total_seconds() < 3600 for at in left)
            for age in (100, 60, 45, 30, 0)
        }
        outage = {60: 60}  # ten minutes of polls each ten seconds
        assert by_age == {100: 0, 45: 0} | outage | dict.fromkeys(days, 360)
        hours = await service.series(
            "A1",
            "output_power_w",
            1,
            start=NOW - 100 * DAY,
            end=NOW - 100 * DAY + timedelta(hours=1),
            points=1,
        )
        assert (
            hours[0].expected_count == 0 or hours[0].good_count == 0
        )  # nobody asked for it, so nothing is missing
        found = {m.id: m.schema != LET_GO for m in (await service.ledger.messages()).items}
        assert found == {f"m{age}": age in words for age in (0, 40)}
