"""A disk that is full to the last byte, with others who take at once what becomes free: the stores open all the same."""

from __future__ import annotations

import random
from contextlib import AsyncExitStack
from datetime import UTC, datetime
from pathlib import Path

import pytest

from collector.cards.corrections.learning import Learning
from collector.cards.mib.interpretation import CardMeaning
from collector.configuration import Configuration, load_text
from collector.process.clock import TurnedClock
from collector.service.stores import Stores, open_stores
from collector.storage.ledger.records import JournalLine
from collector.storage.maintenance.backup import verify
from collector.storage.opening_room import ROOM_BYTES, ROOM_FILE, give_room, take_room
from tests.api.test_service_http import ESTATE, SECRETS
from tests.small_disk import SmallDisk, small_disk

AT = datetime(2026, 3, 1, 12, tzinfo=UTC)


@pytest.fixture
def configuration(tmp_path: Path) -> Configuration:
    secrets = tmp_path / "secrets.toml"
    secrets.write_text(SECRETS, "utf-8")
    secrets.chmod(0o600)
    return load_text(ESTATE, tmp_path / "estate.toml")


async def opened(configuration: Configuration, data: Path, stack: AsyncExitStack) -> Stores:
    meaning = CardMeaning(Learning(configuration.estate, {}).lookup)
    return await open_stores(configuration, data, TurnedClock(AT), meaning, None, stack)


async def lived(configuration: Configuration, disk: SmallDisk, chance: random.Random, *, first: bool) -> None:
    """Open the stores, write lines of many lengths while the disk fills up at some moment, and close them."""
    async with AsyncExitStack() as stack:
        stores = await opened(configuration, disk.folder / "data", stack)
        lines = chance.choice([0, 3, 30])
        full_at = None if first else chance.randint(0, lines)
        for number in range(lines + 1):
            if number == full_at:
                disk.fill()
            async with stores.ledger.transaction() as tx:
                text = "z" * chance.choice([5, 500, 3000])
                tx.add_event(JournalLine(AT, "note", None, text))


@pytest.mark.parametrize("seed", range(4))
async def test_the_stores_open_and_verify_however_full_the_disk_was_and_whoever_takes_what_is_freed(
    tmp_path: Path, configuration: Configuration, seed: int
) -> None:
    chance = random.Random(seed)
    with small_disk(tmp_path / "disk", 6) as disk:
        for life in range(4):
            await lived(configuration, disk, chance, first=not life)
            disk.fill()
            assert verify(disk.folder / "data").findings == ()


async def test_the_room_is_held_while_the_service_runs_so_that_a_kill_on_a_full_disk_leaves_it(
    tmp_path: Path, configuration: Configuration
) -> None:
    async with AsyncExitStack() as stack:
        await opened(configuration, tmp_path, stack)
        assert (tmp_path / ROOM_FILE).stat().st_size == ROOM_BYTES


def test_a_start_is_given_what_opening_takes_and_the_rest_stays(tmp_path: Path) -> None:
    sizes = []
    take_room(tmp_path)
    for _ in range(4):
        give_room(tmp_path)
        sizes.append((tmp_path / ROOM_FILE).stat().st_size)
    assert [ROOM_BYTES - size for size in sizes] == [96 << 10, 192 << 10, 256 << 10, 256 << 10]
    with small_disk(tmp_path / "disk", 1) as disk:
        disk.fill()
        take_room(disk.folder)
        assert (disk.folder / ROOM_FILE).stat().st_size == 0
        disk.give_room()
        take_room(disk.folder)
        assert (disk.folder / ROOM_FILE).stat().st_size == ROOM_BYTES
