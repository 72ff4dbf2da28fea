"""Planned shutdowns over HTTP: signed, refused with the reason, listed, withdrawn."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from api.http import problems
from api.routes import planned_shutdowns as signed
from rules.phrasing.safety import SAFETY
from tests.collector.signing import Site, site
from tests.rules.sample_plants import NOON

PATH = "/v1/systems/A/plans"


@dataclass
class Asking:
    client: httpx.AsyncClient
    site: Site

    async def sign(self, **body: Any) -> httpx.Response:
        plain = {"by": "R. Haugen", "starts_at": "2026-11-24T12:10:00Z", "lasts_s": 300.0, "generator": False}
        return await self.client.post(
            PATH, json={k: v for k, v in {**plain, **body}.items() if v is not None}
        )


@pytest.fixture
async def here(tmp_path: Path) -> AsyncIterator[Asking]:
    async with asking(tmp_path) as opened:
        yield opened


@asynccontextmanager
async def asking(folder: Path) -> AsyncIterator[Asking]:
    async with site(folder) as opened:
        app = FastAPI()
        app.state.service = SimpleNamespace(
            estate=opened.plant, clock=opened.clock, present=opened.present, signed_plans=opened.plans
        )
        problems.install(app)
        app.include_router(signed.router)
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://here") as client:
            yield Asking(client, opened)


async def test_a_shutdown_is_signed_listed_and_given_as_it_was_signed(here: Asking) -> None:
    answer = await here.sign(note="permit 4711", limits={"margin_s": 60, "load_over_fraction": 0.05})
    made = answer.json()
    assert answer.status_code == 200, made
    assert made["status"] == "signed"
    assert made["starts_at"] == "2026-11-24T12:10:00Z"
    assert (
        made["ends_at"] == "2026-11-24T12:15:50Z"
    )  # five minutes, and 50 s until the last unit is walked in
    assert (made["signed_by"], made["note"]) == ("R. Haugen", "permit 4711")
    assert made["limits"] == {"load_over_fraction": 0.05, "overrun_s": 30.0, "margin_s": 60.0}
    assert made["result"]["verdict"] == "adequate"
    assert made["counted_on"] == ["A1", "A2"]
    assert made["safety"][0] == SAFETY
    assert made["breaches"] == made["compared"] == made["against"] == []
    assert (await here.client.get(PATH)).json()["items"] == [made]
    assert (await here.client.get(f"{PATH}/{made['id']}")).json() == made


async def test_a_start_without_a_zone_is_by_the_sites_clock(here: Asking) -> None:
    summer = (await here.sign(starts_at="2026-11-24T12:30")).json()
    assert summer["starts_at"] == "2026-11-24T12:30:00Z"  # London in winter
    other = (await here.sign(starts_at="2026-11-24T14:30:00+01:00")).json()
    assert other["starts_at"] == "2026-11-24T13:30:00Z"


async def test_a_scenario_of_several_windows_may_be_signed(here: Asking) -> None:
    windows = [
        {"from_s": 0, "for_s": 120, "generator": False, "feed": "board A"},
        {"from_s": 1800, "for_s": 120, "generator": False, "feed": "board B"},
    ]
    made = (await here.sign(lasts_s=None, generator=None, scenario={"outages": windows})).json()
    assert [s["from_s"] for s in made["stretches"]] == [0.0, 1800.0]
    assert [o["feed"] for o in made["scenario"]["outages"]] == ["board A", "board B"]


@pytest.mark.parametrize(
    ("body", "status", "word"),
    [
        ({"lasts_s": 6 * 3600}, 409, "load is lost"),
        ({"lasts_s": None, "scenario": {}}, 409, "that ends"),
        ({"lasts_s": None}, 422, "one of lasts_s and scenario"),
        ({"scenario": {}}, 422, "one of lasts_s and scenario"),
        (
            {"lasts_s": None, "scenario": {"starts_at": "2026-11-24T12:10:00Z"}},
            422,
            "the plan's own starts_at",
        ),
        ({"starts_at": "2026-11-24T11:00:00Z"}, 422, "to come"),
        ({"starts_at": "2027-11-24T11:00:00Z"}, 422, "at most 92 days"),
        ({"lasts_s": None, "scenario": {"units_out": ["X"]}}, 422, "units_out"),
        ({"by": ""}, 422, "by"),
        ({"until": 1}, 422, "until"),
    ],
)
async def test_what_cannot_be_signed_is_refused_with_the_reason(
    here: Asking, body: dict[str, Any], status: int, word: str
) -> None:
    answer = await here.sign(**body)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    assert word in answer.json()["detail"]
    assert here.site.plans.of("A") == ()


async def test_an_unknown_load_is_nothing_to_sign_on(here: Asking) -> None:
    here.site.silent = frozenset({"A1", "A2"})
    await here.site.run_for(60.0)
    answer = await here.sign()
    assert answer.status_code == 409
    assert "cannot_tell" in answer.json()["detail"]


async def test_a_plan_is_withdrawn_once_with_who_and_why(here: Asking) -> None:
    made = (await here.sign()).json()
    gone = await here.client.post(f"{PATH}/{made['id']}/withdraw", json={"by": "M. Okafor", "note": "storm"})
    assert gone.status_code == 200
    course = gone.json()["course"]
    assert (gone.json()["status"], course["by"], course["why"]) == ("withdrawn", "M. Okafor", "storm")
    again = await here.client.post(f"{PATH}/{made['id']}/withdraw", json={"by": "x"})
    assert again.status_code == 409
    assert "over already" in again.json()["detail"]


async def test_a_stranger_is_not_known(here: Asking) -> None:
    assert (await here.client.get("/v1/systems/X/plans")).status_code == 404
    assert (await here.client.get(f"{PATH}/0123")).status_code == 404
    assert (await here.client.post(f"{PATH}/0123/withdraw", json={"by": "x"})).status_code == 404


async def test_while_it_runs_its_breaches_are_given(here: Asking) -> None:
    made = (await here.sign(starts_at=(NOON + timedelta(seconds=60)).isoformat())).json()
    await here.site.run_for(60.0)
    here.site.mains, here.site.watts = False, 3400.0
    await here.site.run_for(20.0)
    found = (await here.client.get(f"{PATH}/{made['id']}")).json()
    assert found["status"] == "running"
    assert [b["criterion"] for b in found["breaches"]] == ["load_above_plan"]
    assert found["course"]["broken"] == ["load_above_plan"]
