"""What a centre hands on: its token acts under the names of others, once for each act, never late; no other token names anybody."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any, Final

import httpx
import pytest

from api.access.roles import PASS_ON, Role
from collector.storage.ledger.access import digest
from collector.storage.ledger.records import AccessToken
from tests.api.access.door import Door, house

DAY: Final = timedelta(days=1)
ACT: Final = "0123456789abcdef" * 2


@asynccontextmanager
async def site(folder: Path) -> AsyncIterator[Door]:
    """Open a site that takes acts."""
    async with house(folder) as door:
        recording = asyncio.create_task(door.service.recorder.run())
        yield door
        recording.cancel()


async def centre(door: Door, role: str = PASS_ON) -> httpx.AsyncClient:
    """Return a client that shows a token of a centre, or of a role."""
    now = door.clock.now()
    await door.service.access.save_token(
        AccessToken("0a1b2c3d", "centre", role, digest("s3cret"), now, now + DAY), "Made."
    )
    return door.browser(Authorization="Bearer rt_0a1b2c3d_s3cret")


def body(door: Door, act: str = ACT, until_s: float = 120.0, **more: Any) -> dict[str, Any]:
    until = (door.clock.now() + timedelta(seconds=until_s)).isoformat()
    passed = {"act": act, "until": until, "known": True, "means": "signed in", "from": "10.1.2.3"}
    return {
        "by": "R. Haugen",
        "until": (door.clock.now() + timedelta(hours=2)).isoformat(),
        "passed_on": passed,
    } | more


def work(door: Door) -> str:
    return f"/v1/systems/{next(iter(door.service.estate.systems))}/work"


def unit(door: Door) -> str:
    return next(iter(door.service.estate.units))


async def lines(door: Door) -> list[tuple[str, Any]]:
    page = await door.service.events(kinds=("act",))
    return [(line.text, line.body["asked"]) for line in page.items]


async def test_an_act_is_done_once_under_the_name_of_who_did_it_at_the_centre(tmp_path: Path) -> None:
    async with site(tmp_path) as door:
        client = await centre(door)
        first = await client.post(work(door), json=body(door, unit=unit(door), note="fan"))
        assert first.status_code == 200, first.text
        again = await client.post(work(door), json=body(door, unit=unit(door), note="fan"))
        assert (again.status_code, again.json()) == (200, {"act": ACT, "done": True})
        ((text, asked),) = await lines(door)
        assert text == (
            f"R. Haugen, work begins, {unit(door)}: fan (at the centre, signed in, by token 0a1b2c3d, from 10.1.2.3)."
        )
        assert asked == {
            "who": "R. Haugen", "means": "at the centre, signed in, by token 0a1b2c3d", "from": "10.1.2.3", "act": ACT,
        }  # fmt: skip
        other = await client.post(work(door), json=body(door, act="f" * 32, unit=unit(door)))
        assert other.status_code == 200
        assert len(await lines(door)) == 2


async def test_what_comes_again_while_it_is_under_way_waits_for_its_turn(tmp_path: Path) -> None:
    async with site(tmp_path) as door:
        client = await centre(door)
        asked = [client.post(work(door), json=body(door, unit=unit(door))) for _ in range(5)]
        answers = await asyncio.gather(*asked)
        assert 200 in {one.status_code for one in answers}
        assert {one.status_code for one in answers} <= {200, 409}
        assert len(await lines(door)) == 1


async def test_an_act_that_comes_late_is_not_done_unless_it_was(tmp_path: Path) -> None:
    async with site(tmp_path) as door:
        client = await centre(door)
        given = body(door, unit=unit(door))
        assert (await client.post(work(door), json=given)).status_code == 200
        unseen = body(door, act="f" * 32, unit=unit(door))
        await door.clock.advance(121.0)
        assert (await client.post(work(door), json=given)).json() == {"act": ACT, "done": True}
        late = await client.post(work(door), json=unseen)
        assert (late.status_code, late.json()["type"]) == (409, "/problems/late")
        assert "the clocks of centre and site differ" in late.json()["detail"]
        assert len(await lines(door)) == 1
        far = await client.post(work(door), json=body(door, act="e" * 32, until_s=3700.0, unit=unit(door)))
        assert far.status_code == 422


async def test_what_was_refused_may_come_again(tmp_path: Path) -> None:
    async with site(tmp_path) as door:
        client = await centre(door)
        for _ in range(2):
            refused = await client.post(work(door), json=body(door, unit="nobody"))
            assert refused.status_code == 404
        assert (await client.post(work(door), json=body(door, unit=unit(door)))).status_code == 200


@pytest.mark.parametrize("role", list(Role))
async def test_no_other_token_names_somebody_else(tmp_path: Path, role: Role) -> None:
    async with site(tmp_path) as door:
        client = await centre(door, role.value)
        answer = await client.post(work(door), json=body(door, unit=unit(door)))
        assert answer.status_code == 403, "with or without what a centre says"
        said = body(door, unit=unit(door))
        del said["passed_on"]
        assert (await client.post(work(door), json=said)).status_code == (403 if role is Role.LOOK else 422)
        assert not await lines(door)


async def test_nobody_who_signed_in_names_somebody_else(tmp_path: Path) -> None:
    async with site(tmp_path) as door:
        browser = await door.signed_in("ruth")
        assert (await browser.post(work(door), json=body(door, unit=unit(door)))).status_code == 403
        assert not await lines(door)


async def test_the_token_of_a_centre_looks_at_nothing_and_does_only_what_says_by_whom(tmp_path: Path) -> None:
    async with site(tmp_path) as door:
        client = await centre(door)
        for path in ("/", "/v1/systems", "/v1/events", "/v1/tokens", "/metrics"):
            answer = await client.get(path)
            assert answer.status_code == 403, path
        for path in (
            "/v1/ridethrough",
            "/v1/users/amir/sign-out",
            "/v1/tokens/0a1b2c3d/revoke",
            "/account/sessions",
        ):
            answer = await client.post(path, json=body(door))
            assert answer.status_code == 403, path
        signing = await client.post(work(door).replace("/work", "/plans"), json=body(door))
        assert signing.status_code in {401, 403}, signing.text


@pytest.mark.parametrize(
    ("wrong", "status"),
    [
        ({"by": ""}, 422),
        ({"passed_on": None}, 422),
        ({"passed_on": {"act": "x"}}, 422),
        ({"passed_on": "yes"}, 422),
    ],
)
async def test_what_does_not_say_whose_act_it_is_is_refused(
    tmp_path: Path, wrong: dict[str, Any], status: int
) -> None:
    async with site(tmp_path) as door:
        client = await centre(door)
        answer = await client.post(work(door), json=body(door, unit=unit(door)) | wrong)
        assert answer.status_code == status, answer.text
        assert not await lines(door)
