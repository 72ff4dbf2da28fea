"""A full disk is no reason to stop watching: alarms go on, and what waits is written once there is room."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from collector.cards.polling.poller import Answer
from collector.configuration import load_text
from collector.process.clock import TurnedClock, stamp
from collector.service.service import Service
from collector.storage.database import REMEDY, StoreError, StoreFault
from collector.storage.history.store import WireReading
from tests.api.test_service_http import ESTATE, SECRETS

START = datetime(2026, 3, 1, 12, tzinfo=UTC)


def silent(service: Service) -> Answer:
    return Answer("N1", stamp(service.clock), 5.0, 0.0, 2.0, silence="no reply within 2 s")


def trouble_of(service: Service) -> str | None:
    return service.recorder.keeping.trouble


async def test_what_a_full_disk_refuses_waits_and_is_written_in_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    secrets = tmp_path / "secrets.toml"
    secrets.write_text(SECRETS, "utf-8")
    secrets.chmod(0o600)
    configuration = load_text(ESTATE, tmp_path / "estate.toml")
    clock = TurnedClock(START)
    async with Service(configuration, tmp_path / "data", clock) as service:
        append = service.history.append

        async def full(_batch: list[WireReading]) -> None:
            raise StoreError("history.sqlite", StoreFault.FULL, "the disk is full")

        monkeypatch.setattr(service.history, "append", full)
        for _ in range(40):
            await service.recorder.process([silent(service)])
            await clock.advance(5.0)
        assert trouble_of(service) == "history.sqlite: the disk is full; " + REMEDY[StoreFault.FULL]
        standing = [a for a in service.present.alarms.values() if a.kind == "card_silent" and a.state.active]
        assert len(standing) == 1
        assert [a.id for a in await service.ledger.standing_alarms()] == [standing[0].id]

        monkeypatch.setattr(service.history, "append", append)
        monkeypatch.setattr("collector.recorder.commit.TRY_EVERY_S", 0.0)
        await service.recorder.process([silent(service)])
        assert trouble_of(service) is None
        kept = [r async for r in service.history.readings("A1", START, clock.now())]
        assert len(kept) == 40  # the last one stands at `now`, which a span leaves out
        assert [r.at for r in kept] == sorted(r.at for r in kept)


async def test_a_store_that_is_not_ours_to_mend_ends_the_daemon(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    secrets = tmp_path / "secrets.toml"
    secrets.write_text(SECRETS, "utf-8")
    secrets.chmod(0o600)
    configuration = load_text(ESTATE, tmp_path / "estate.toml")
    async with Service(configuration, tmp_path / "data", TurnedClock(START)) as service:

        async def corrupt(_batch: list[WireReading]) -> None:
            raise StoreError("history.sqlite", StoreFault.CORRUPT, "not a database")

        monkeypatch.setattr(service.history, "append", corrupt)
        with pytest.raises(StoreError, match="not a database"):
            await service.recorder.process([silent(service)])
