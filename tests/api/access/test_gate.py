"""Who is let in by which means, what a body may say of who asks, and what the journal is told of it."""

import asyncio
from datetime import timedelta
from ipaddress import ip_network
from pathlib import Path

import httpx
import pytest

from api.access.roles import Role
from collector.process.clock import stamp
from collector.storage.ledger.access import digest
from collector.storage.ledger.records import AccessToken, UserLine
from rules.plant.reading import Silence
from tests.api.access.door import ORIGIN, PASSWORD, Door, house, with_terms

ACT = "/v1/alarms/none/acknowledge"
NOTE = "/v1/alarms/card_silent%3AA1/note"
BY = {"by": "R. Haugen"}


async def act(browser: httpx.AsyncClient, **headers: str) -> int:
    return (await browser.post(ACT, json=BY, headers=headers)).status_code


async def raise_an_alarm(door: Door) -> None:
    for _ in range(60):
        await door.service.recorder.process([Silence("A1", stamp(door.clock), "no reply")])
        await door.clock.advance(10.0)


async def test_on_loopback_without_users_all_look_and_only_the_services_own_user_acts(tmp_path: Path) -> None:
    async with house(tmp_path, users={}) as door:
        stranger = door.browser()
        assert (await stranger.get("/v1/systems")).status_code == 200
        assert (await stranger.post("/v1/ridethrough", json={})).status_code != 403, "it changes nothing"
        refused = await stranger.post(ACT, json=BY)
        assert refused.status_code == 403
        assert "ridethrough user add" in refused.json()["detail"]
    async with house(tmp_path, users={}, terms=with_terms(ours=lambda *_: True)) as door:
        assert await act(door.browser()) == 404
        for handed_on in ("X-Forwarded-For", "Forwarded", "Via", "X-Real-IP"):
            assert await act(door.browser(), **{handed_on: "192.0.2.1"}) == 403, "a proxy of the same user"
        await door.add({"amir": Role.ACT})
        await door.clock.advance(1.0)
        assert (await door.browser().get("/v1/systems")).status_code == 401, (
            "a second after the first user at most"
        )


async def test_a_program_that_can_read_the_services_files_acts_from_this_machine_alone(
    tmp_path: Path,
) -> None:
    terms = with_terms(local_token="t0ken", proxies=(ip_network("127.0.0.9"),))
    async with house(tmp_path, users={}, terms=terms) as door:
        shown = {"Authorization": "Bearer t0ken"}
        assert await act(door.browser(), **shown) == 404
        assert await act(door.browser("192.0.2.1"), **shown) == 401
        assert await act(door.browser("127.0.0.9"), **shown) == 401, "whoever asked the proxy"
        assert await act(door.browser(), **shown, Via="1.1 x") == 401


async def test_health_tells_everybody_whether_and_only_who_may_look_what(tmp_path: Path) -> None:
    async with house(tmp_path) as door:
        nobody, lena = door.browser(), await door.signed_in("lena")
        assert (await nobody.get("/health/live")).status_code == 200
        assert (await nobody.get("/health/ready")).json() == {
            "ready": False, "cards": 1, "answering": 0, "silent": [],
        }  # fmt: skip
        assert (await lena.get("/health/ready")).json()["silent"] == ["N1"]
        assert (await nobody.get("/metrics")).status_code == 401
        assert (await lena.get("/metrics")).status_code == 200


async def test_beyond_loopback_nothing_is_answered_in_the_clear_but_to_declared_proxies(
    tmp_path: Path,
) -> None:
    terms = with_terms(loopback=False, proxies=(ip_network("192.0.2.0/28"),))
    async with house(tmp_path, terms=terms) as door:
        for path in ("/v1/systems", "/sign-in", "/health/live", "/static/none"):
            assert (await door.browser("198.51.100.1").get(path)).status_code == 403, path
        assert (await door.browser("192.0.2.3").get("/v1/systems")).status_code == 401
        assert (await door.browser("192.0.2.3").get("/health/live")).status_code == 200


async def test_a_proxys_user_is_taken_from_the_declared_addresses_alone(tmp_path: Path) -> None:
    terms = with_terms(proxies=(ip_network("192.0.2.3"),), user_header="remote-user", loopback=False)
    async with house(tmp_path, terms=terms) as door:
        proxy, stranger = door.browser("192.0.2.3"), door.browser("127.0.0.1")
        assert await act(proxy, **{"Remote-User": "amir"}) == 422, "by: another name than the proxy's"
        assert (await proxy.post(ACT, json={}, headers={"Remote-User": "amir"})).status_code == 404
        assert (await proxy.post(ACT, json={}, headers={"Remote-User": "lena"})).status_code == 403
        assert (await proxy.post(ACT, json={}, headers={"Remote-User": "mallory"})).status_code == 403
        assert (await stranger.post(ACT, json={}, headers={"Remote-User": "amir"})).status_code == 401
        smuggled = [("Remote-User", "lena"), ("Remote-User", "ruth")]
        assert (await proxy.get("/v1/users", headers=smuggled)).status_code == 403
        assert (await proxy.get("/v1/users", headers=[("Remote_User", "ruth")])).status_code == 401


async def test_a_proxy_on_this_machine_is_known_by_its_secret_too(tmp_path: Path) -> None:
    terms = with_terms(proxies=(ip_network("127.0.0.1"),), user_header="remote-user", proxy_secret="pr0xy")
    async with house(tmp_path, terms=terms) as door:
        local = door.browser()
        named = {"Remote-User": "amir"}
        for shown in ({}, {"X-Proxy-Secret": "wrong"}, {"X-Proxy-Secret": ""}):
            assert (await local.post(ACT, json={}, headers={**named, **shown})).status_code == 401, shown
        assert (
            await local.post(ACT, json={}, headers={**named, "X-Proxy-Secret": "pr0xy"})
        ).status_code == 404


async def test_an_act_is_done_under_the_name_that_is_known_and_the_journal_says_from_where(
    tmp_path: Path,
) -> None:
    async with house(tmp_path) as door:
        await raise_an_alarm(door)
        recording = asyncio.create_task(door.service.recorder.run())
        amir = await door.signed_in("amir", "192.0.2.77")
        assert (await amir.post(NOTE, json={"by": "Somebody Else", "note": "x"})).status_code == 422
        assert (await amir.post(NOTE, json={"note": "fuse 7"})).status_code == 200
        assert (await amir.post(NOTE, json={"by": "amir", "note": "again"})).status_code == 200
        done = (await amir.get("/v1/events")).json()["items"]
        recording.cancel()
        acts = [line for line in done if line["kind"] == "act"]
        assert [line["text"] for line in acts] == [
            "amir, note, card_silent:A1: again (signed in, from 192.0.2.77).",
            "amir, note, card_silent:A1: fuse 7 (signed in, from 192.0.2.77).",
        ]
        assert acts[0]["asked"] == {"who": "amir", "means": "signed in", "from": "192.0.2.77"}
        assert {line["asked"] is None for line in done if line["kind"].startswith("alarm")} == {True}
        kept = await door.service.ledger.actions()
        assert [action.body["asked"]["from"] for action in kept.items] == ["192.0.2.77"] * 2


async def test_where_nobody_is_known_a_name_is_said_and_the_journal_says_that_it_was(tmp_path: Path) -> None:
    async with house(tmp_path, users={}, terms=with_terms(ours=lambda *_: True)) as door:
        await raise_an_alarm(door)
        recording = asyncio.create_task(door.service.recorder.run())
        assert (await door.browser().post(NOTE, json={"note": "x"})).status_code == 422
        assert (await door.browser().post(NOTE, json={**BY, "note": "x"})).status_code == 200
        (line,) = [e for e in (await door.browser().get("/v1/events")).json()["items"] if e["kind"] == "act"]
        recording.cancel()
        assert line["asked"] == {"who": None, "means": "as the service's own user", "from": "127.0.0.1"}
        assert line["text"].startswith("R. Haugen, note, card_silent:A1: x (as the service's own user")


SIGN = "/v1/systems/A/plans"


@pytest.mark.parametrize(
    ("body", "status", "kind"),
    [
        ({}, 403, "password-again"),
        ({"password": "wrong password"}, 401, "wrong-password"),
        ({"password": PASSWORD}, 503, "not-yet"),
    ],
)
async def test_signing_asks_for_the_password_again(
    tmp_path: Path, body: dict[str, str], status: int, kind: str
) -> None:
    async with house(tmp_path) as door:
        amir = await door.signed_in("amir")
        starts = (door.clock.now() + timedelta(hours=1)).isoformat()
        answer = await amir.post(SIGN, json={"starts_at": starts, "lasts_s": 60.0, **body})
        assert (answer.status_code, answer.json()["type"]) == (status, f"/problems/{kind}"), (
            "503: it was never read"
        )


async def test_no_token_signs_and_a_proxys_user_only_with_a_password_of_their_own(tmp_path: Path) -> None:
    terms = with_terms(proxies=(ip_network("192.0.2.3"),), user_header="remote-user")
    async with house(tmp_path, terms=terms) as door:
        now = door.clock.now()
        token = AccessToken("0a", "night", "administer", digest("s"), now, now + timedelta(days=1))
        await door.service.access.save_token(token, "made")
        await door.service.access.save_user(UserLine("ines", "act", None, now, now), "added", sign_out=False)
        starts = {"starts_at": (now + timedelta(hours=1)).isoformat(), "lasts_s": 60.0, "password": PASSWORD}
        by_token = await door.browser(Authorization="Bearer rt_0a_s").post(SIGN, json=starts)
        assert (by_token.status_code, by_token.json()["type"]) == (403, "/problems/password-again")
        proxy = door.browser("192.0.2.3")
        without = await proxy.post(SIGN, json=starts, headers={"Remote-User": "ines"})
        assert (without.status_code, without.json()["type"]) == (403, "/problems/password-again")
        assert (await proxy.post(SIGN, json=starts, headers={"Remote-User": "amir"})).status_code == 503


async def test_a_page_is_its_readers_own(tmp_path: Path) -> None:
    async with house(tmp_path) as door:
        await raise_an_alarm(door)
        amir, lena = await door.signed_in("amir"), await door.signed_in("lena")
        page = (await amir.get("/alarms")).text
        assert 'name="by"' not in page
        assert "<small>As amir.</small>" in page
        assert f'name="csrf" content="{amir.headers["X-CSRF-Token"]}"' in page
        assert 'data-looks="only"' not in page
        looked = (await lena.get("/alarms")).text
        assert '<body data-looks="only" ' in looked
        assert amir.headers["X-CSRF-Token"] not in looked
    (tmp_path / "other").mkdir()
    async with house(tmp_path / "other", users={}) as door:
        await raise_an_alarm(door)
        page = (await door.browser().get("/alarms")).text
        assert 'name="by"' in page
        assert "Your password" not in page


async def test_a_form_is_taken_without_script_under_the_name_that_is_known(tmp_path: Path) -> None:
    async with house(tmp_path) as door:
        await raise_an_alarm(door)
        recording = asyncio.create_task(door.service.recorder.run())
        amir = await door.signed_in("amir")
        proof = amir.headers.pop("X-CSRF-Token")
        headers = {"Origin": ORIGIN, "Referer": f"{ORIGIN}/alarms"}
        done = await amir.post(NOTE, data={"csrf": proof, "note": "seen"}, headers=headers)
        recording.cancel()
        assert (done.status_code, done.headers["location"]) == (303, "/alarms")
        assert (await door.service.ledger.actions()).items[0].who == "amir"
