"""Who is let in while the ledger answers late or not at all: as it last was, and nobody by a guess."""

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from api.access.callers import Caller, Means
from api.access.roles import Role
from api.routes.pages import still_let_in
from collector.storage.database import Database, StoreError, StoreFault
from tests.api.access.door import house, with_terms


async def _fails(self: Database, _work: Callable[[sqlite3.Connection], Any], *, lane: str = "") -> Any:
    raise StoreError(self.path, StoreFault.FAILING, "cannot be read")


async def test_on_loopback_without_users_the_pages_stay_where_the_ledger_cannot_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with house(tmp_path, users={}, terms=with_terms(ours=lambda *_: True)) as door:
        with monkeypatch.context() as broken:
            broken.setattr(Database, "read", _fails)
            assert (await door.browser().get("/v1/systems")).status_code == 503, "it never could say"
            assert (await door.browser().get("/health/live")).status_code == 200
        assert (await door.browser().get("/v1/systems")).status_code == 200
        await door.clock.advance(2.0)
        with monkeypatch.context() as broken:
            broken.setattr(Database, "read", _fails)
            assert (await door.browser().get("/v1/systems")).status_code == 200, "as it last was"
            assert (
                await door.browser().post("/v1/alarms/none/acknowledge", json={"by": "x"})
            ).status_code == 404


async def test_where_there_are_users_nobody_is_let_in_by_a_ledger_that_cannot_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with house(tmp_path) as door:
        amir = await door.signed_in("amir")
        assert (await door.browser().get("/v1/systems")).status_code == 401
        monkeypatch.setattr(Database, "read", _fails)
        assert (await amir.get("/v1/systems")).status_code == 503
        assert (await door.browser().get("/v1/systems")).status_code == 401
        assert (await amir.get("/health/ready")).status_code == 503
        assert (await amir.get("/health/live")).status_code == 200


async def test_a_session_that_begins_while_the_disk_is_full_is_known_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with house(tmp_path, users={"amir": Role.ACT}) as door:

        def full(*_: object, **__: object) -> Any:
            raise StoreError(door.service.ledger.path, StoreFault.FULL, "the disk is full")

        monkeypatch.setattr(door.service.ledger.database, "write_now", full)
        amir = await door.signed_in("amir")
        assert (await amir.get("/v1/systems")).status_code == 200
        assert (await amir.post("/v1/alarms/none/acknowledge", json={})).status_code == 404
        assert "sessions" in door.service.ledger._waiting.tables


async def test_a_crowd_that_nobody_knows_asks_the_ledger_once_a_second(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []
    read = Database.read

    async def counted(
        self: Database, work: Callable[[sqlite3.Connection], Any], *, lane: str = "answers"
    ) -> Any:
        asked.append(lane)
        return await read(self, work, lane=lane)

    async with house(tmp_path, users={}) as door:
        monkeypatch.setattr(Database, "read", counted)
        crowd = door.browser()
        for _ in range(50):
            assert (await crowd.get("/openapi.json")).status_code == 200
        assert asked.count("access") <= 2
        await door.clock.advance(1.0)
        await crowd.get("/openapi.json")
        assert 2 < asked.count("access") <= 4


async def test_who_looks_on_stays_while_the_ledger_cannot_say_and_goes_once_it_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with house(tmp_path) as door:
        callers = door.access.callers
        gone = Caller("amir", Role.LOOK, Means.SESSION, "127.0.0.1", session_id="of nobody any more")
        with monkeypatch.context() as broken:
            broken.setattr(Database, "read", _fails)
            assert await still_let_in(callers, gone)
        assert not await still_let_in(callers, gone)
