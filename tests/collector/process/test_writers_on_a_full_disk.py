"""Every writer of the service on a disk that is full to the last byte: each goes on, and all is written later, once."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.cards.polling.poller import Answer
from collector.cards.traps.receiver import Notification
from collector.configuration import Configuration, load_text
from collector.process.clock import TurnedClock, stamp
from collector.service.service import Service
from collector.storage.database import StoreError, StoreFault
from collector.storage.ledger import Ledger
from rules.generator.outage_source import SetWord
from tests.api.test_service_http import ESTATE, SECRETS
from tests.small_disk import SmallDisk, small_disk

START = datetime(2026, 3, 1, 12, tzinfo=UTC)


async def every_writer_writes(service: Service) -> None:
    """Have each part that writes say something that must not be lost."""
    parts, clock = service._parts, service.clock
    for _ in range(40):  # the recorder: a silent card becomes an alarm with an incident, told to nobody
        silent = Answer("N1", stamp(clock), 5.0, 0.0, 2.0, silence="no reply within 2 s")
        await service.recorder.process([silent])
        await clock.advance(5.0)  # type: ignore[attr-defined]
    assert await parts.testimony.word("set", SetWord(clock.now(), running=True, carries=True)) is not None
    await parts.testimony.refusal("set", "A message about set by the broker was not taken.")
    parts.heard.hear(Notification(("N1",), "127.0.0.1", clock.now(), "upsTrapOnBattery", "1.3.6", ()))
    await parts.heard.write()
    await service.planner.jobs.calendar(service.configuration.budget.value())
    await parts.tidying.once()


async def test_each_goes_on_and_what_it_wrote_is_there_when_there_is_room(tmp_path: Path) -> None:
    secrets = tmp_path / "secrets.toml"
    secrets.write_text(SECRETS, "utf-8")
    secrets.chmod(0o600)
    configuration = load_text(ESTATE, tmp_path / "estate.toml")
    with small_disk(tmp_path / "disk", 6) as disk:
        await played(disk, configuration)


async def played(disk: SmallDisk, configuration: Configuration) -> None:
    data, clock = disk.folder / "data", TurnedClock(START)
    async with Service(configuration, data, clock) as service:
        disk.fill()
        await every_writer_writes(service)
        shown = [(e.kind, e.text) for e in (await service.events(limit=1000)).items]
        waits = service.ledger.waiting_count
        assert waits > 8
        assert service._parts.store_error() is not None
        with pytest.raises(StoreError) as refused:
            async with service.ledger.transaction(at_once=True) as tx:
                tx.add_event((await service.events(limit=1)).items[0])
        assert refused.value.fault is StoreFault.FULL
        disk.give_room()
        assert await service.ledger.write_waiting()
        assert service.ledger.waiting_count == 0
    async with Service(configuration, data, clock) as again:
        kept = [r async for r in again.history.readings("A1", START, clock.now() + timedelta(seconds=1))]
        assert len(kept) == 40  # the stop wrote what the history had not been asked to take again
    async with Ledger(data / "ledger.sqlite") as ledger:
        written = [(e.kind, e.text) for e in (await ledger.events(limit=1000)).items]
        assert [e for e in written if e in shown] == shown
        assert {"generator_state", "set_word_refused", "notification", "alarm_occur"} <= {k for k, _ in shown}
        for name in ("exact_spans", "letting_go", "calendar", "aftermath"):
            assert await ledger.snapshot(name) is not None, name
