"""Work on a unit over HTTP: begun, given, given more time, closed; and what is refused."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from collector.service.service import Service
from rules.phrasing.safety import SAFETY
from tests.api.test_service_http import START, opened

PATH = "/v1/systems/A/work"
HOUR = timedelta(hours=1)


@asynccontextmanager
async def running(folder: Path) -> AsyncIterator[tuple[Service, httpx.AsyncClient]]:
    """Open a service whose recorder takes what people say."""
    async with opened(folder) as (service, client):
        recorder = asyncio.create_task(service.recorder.run())
        try:
            yield service, client
        finally:
            recorder.cancel()


def said(**more: object) -> dict[str, object]:
    return {"unit": "A1", "by": "R. Haugen", "until": (START + HOUR).isoformat(), "note": "fans", **more}


async def items(client: httpx.AsyncClient) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = (await client.get(PATH)).json()["items"]
    return found


async def test_work_is_begun_given_with_its_cautions_and_closed(tmp_path: Path) -> None:
    async with running(tmp_path) as (service, client):
        begun = await client.post(PATH, json=said())
        assert begun.status_code == 200
        assert begun.json()["work"]["unit"] == "A1"
        given = (await client.get(PATH)).json()
        assert given["safety"][0] == SAFETY
        (work,) = given["items"]
        assert (work["by"], work["what"], work["stage"]) == ("R. Haugen", "fans", "before")
        assert work["until"] == "2026-03-01T13:00:00Z"
        assert (await client.get("/v1/systems/A")).json()["work"] == [work]
        assert [w.about for w in service.recorder.state.windows] == ["A1"], "what it explains is not told"

        more = await client.post(PATH, json=said(until=(START + 3 * HOUR).isoformat()))
        assert more.status_code == 200
        assert (await items(client))[0]["until"] == "2026-03-01T15:00:00Z"

        closed = await client.post(f"{PATH}/A1/close", json={"by": "R. Haugen", "note": "done"})
        assert closed.status_code == 200
        assert await items(client) == []
        journal = (await client.get("/v1/events")).json()["items"]
        assert {"work_extended", "work_closed"} <= {line["kind"] for line in journal}


@pytest.mark.parametrize(
    ("path", "body", "status"),
    [
        (PATH, said(unit="B7"), 404),
        ("/v1/systems/Z/work", said(), 404),
        (PATH, said(until="2026-03-01T13:00:00"), 422),
        (PATH, said(by=""), 422),
        (PATH, said(switch="off"), 422),
        (PATH, said(until=START.isoformat()), 409),
        (PATH, said(until=(START + timedelta(days=8)).isoformat()), 409),
        (f"{PATH}/A1/close", {"by": "R. Haugen"}, 409),
        (f"{PATH}/B7/close", {"by": "R. Haugen"}, 404),
    ],
)
async def test_what_cannot_be_done_is_refused_with_the_reason(
    tmp_path: Path, path: str, body: dict[str, object], status: int
) -> None:
    async with running(tmp_path) as (service, client):
        response = await client.post(path, json=body)
        assert response.status_code == status, response.text
        assert response.headers["content-type"] == "application/problem+json"
        assert service.recorder.state.windows == ()


async def test_the_pages_form_begins_work_without_script(tmp_path: Path) -> None:
    async with running(tmp_path) as (_, client):
        page = "http://127.0.0.1:8470"
        response = await client.post(
            PATH,
            data={"unit": "A1", "by": "R. Haugen", "hours": "4", "note": ""},
            headers={"Origin": page, "Referer": f"{page}/systems/A"},
        )
        assert response.status_code == 303
        assert response.headers["location"] == "/systems/A"
        assert [work["until"] for work in await items(client)] == ["2026-03-01T16:00:00Z"]
        html = (await client.get("/systems/A")).text
        assert "Work on unit A1 since" in html
