"""Signing in at a provider: who it vouches for comes in as a user here, and an answer that is not to what was asked does not."""

from __future__ import annotations

import base64
import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final
from urllib.parse import parse_qs, urlsplit

import httpx
import pytest

from api.access.callers import Refused
from api.access.openid import OpenId
from api.access.roles import Role
from api.access.terms import OpenIdPlace
from collector.storage.ledger.records import UserLine
from tests.api.access.door import ORIGIN, Door, house, proof_of, with_terms
from tests.api.access.provider import CLIENT, SECRET, Key
from tests.collector.messaging.sinks import free_port

ROOT: Final = Path(__file__).parents[3]
BACK: Final = "/sign-in/openid/back"


@pytest.fixture(scope="module")
def provider() -> Iterator[str]:
    """A provider as a process; its address. Codes of insecure lines are the library's to refuse, but on loopback."""
    about = {**os.environ, "OAUTHLIB_INSECURE_TRANSPORT": "1", "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "tests.api.access.provider"]
    with subprocess.Popen(command, cwd=ROOT, env=about, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        port = process.stdout.readline().strip()
        assert port.isdecimal()
        yield f"http://127.0.0.1:{port}"
        process.terminate()


def place(issuer: str) -> OpenIdPlace:
    return OpenIdPlace(issuer, CLIENT, SECRET, "preferred_username")


async def at_the_provider(browser: httpx.AsyncClient, person: str = "amir", back_to: str = "/account") -> str:
    """Let a browser be sent to the provider and sign in there; return the path it is sent back to."""
    sent = await browser.get("/sign-in/openid", params={"next": back_to})
    assert sent.status_code == 303
    async with httpx.AsyncClient() as elsewhere:
        answer = await elsewhere.get(f"{sent.headers['location']}&as={person}")
    assert answer.status_code == 302, answer.text
    return answer.headers["location"].removeprefix("http://127.0.0.1:8470")


async def events(door: Door) -> list[str]:
    return [line.text for line in (await door.service.ledger.events()).items]


async def test_whom_the_provider_vouches_for_comes_in_as_the_user_of_that_name(
    tmp_path: Path, provider: str
) -> None:
    async with at_now(tmp_path, provider) as door:
        browser = door.browser("192.0.2.8")
        assert "/sign-in/openid?next=%2Fbanks" in (await browser.get("/sign-in?next=/banks")).text
        back = await at_the_provider(browser)
        answer = await browser.get(back)
        assert (answer.status_code, answer.headers["location"]) == (303, "/account")
        page = (await browser.get("/account")).text
        assert "<h1>amir</h1>" in page
        assert "may act" in page
        assert (await browser.get("/v1/users")).status_code == 403  # the role is said here
        assert "amir signed in from 192.0.2.8, vouched for by the provider." in await events(door)
        assert (await browser.get(back)).status_code == 401  # once: its cookie is gone, and so is the code


async def test_only_the_browser_that_began_comes_in_and_only_once(tmp_path: Path, provider: str) -> None:
    async with at_now(tmp_path, provider) as door:
        browser, other = door.browser(), door.browser()
        back = await at_the_provider(browser)
        kept = browser.cookies["ridethrough-openid"]
        assert (await other.get(back)).status_code == 401, "no cookie: a link that somebody was led to"
        await other.get("/sign-in/openid")
        assert (await other.get(back)).status_code == 401, "another's state"
        await other.get("/sign-in/openid")
        code, mine = parse_qs(urlsplit(back).query)["code"][0], other.cookies["ridethrough-openid"]
        state = json.loads(_of(mine))["state"]
        assert (await other.get(BACK, params={"code": code, "state": state})).status_code == 401, (
            "another's code: PKCE"
        )
        assert "ridethrough-session" not in other.cookies
        late = door.browser()
        late.cookies.set("ridethrough-openid", f"{kept.partition('.')[0]}.{'0' * 64}")
        assert (await late.get(back)).status_code == 401, "sealed by nobody"


async def test_who_is_no_user_here_stays_outside_and_the_journal_says_so(
    tmp_path: Path, provider: str
) -> None:
    async with at_now(tmp_path, provider) as door:
        browser = door.browser()
        answer = await browser.get(await at_the_provider(browser, "mallory"))
        assert answer.status_code == 403
        assert "nobody of that name may sign in here" in answer.text
        assert any("vouched for 'mallory', who is no user here" in text for text in await events(door))


async def test_a_session_known_before_ends_and_no_other_site_is_gone_back_to(
    tmp_path: Path, provider: str
) -> None:
    async with at_now(tmp_path, provider) as door:
        browser = door.browser()
        await browser.get(await at_the_provider(browser))
        before = browser.cookies["ridethrough-session"]
        answer = await browser.get(await at_the_provider(browser, "lena", "//evil.example/"))
        assert answer.headers["location"] == "/"
        assert browser.cookies["ridethrough-session"] != before
        stolen = door.browser()
        stolen.cookies.set("ridethrough-session", before)
        assert (await stolen.get("/v1/systems")).status_code == 401


async def test_who_has_no_password_here_signs_no_shutdown(tmp_path: Path, provider: str) -> None:
    async with at_now(tmp_path, provider) as door:
        now = door.clock.now()
        nora = UserLine("nora", Role.ACT.value, None, now, now)
        await door.service.access.save_user(nora, "nora was added.", sign_out=False)
        browser = door.browser()
        await browser.get(await at_the_provider(browser, "nora"))
        browser.headers["X-CSRF-Token"] = await proof_of(browser)
        answer = await browser.post("/v1/systems/A/plans", json={"password": "x"}, headers={"Origin": ORIGIN})
        assert (answer.status_code, answer.json()["type"]) == (403, "/problems/password-again")
        assert "you have none" in answer.json()["detail"]


async def test_a_provider_that_is_away_is_asked_seldom(tmp_path: Path) -> None:
    async with house(tmp_path, terms=with_terms(openid=place(f"http://127.0.0.1:{free_port()}"))) as door:
        asked: list[httpx.Request] = []

        def away(request: httpx.Request) -> httpx.Response:
            asked.append(request)
            return httpx.Response(500)

        openid = door.access.openid
        assert openid is not None
        openid._transport = httpx.MockTransport(away)
        for _ in range(5):
            assert (await door.browser().get("/sign-in/openid")).status_code == 503
        assert len(asked) == 1
        await door.clock.advance(6.0)
        assert (await door.browser().get("/sign-in/openid")).status_code == 503
        assert len(asked) == 2


async def test_without_a_provider_there_is_no_way_to_one(tmp_path: Path) -> None:
    async with house(tmp_path) as door:
        browser = door.browser()
        assert "openid" not in (await browser.get("/sign-in")).text
        assert (await browser.get("/sign-in/openid")).status_code == 404
        assert (await browser.get(BACK)).status_code == 404


def at_now(folder: Path, provider: str) -> Any:
    """Open a service whose time is the provider's, since an identity is good for minutes."""
    return house(folder, terms=with_terms(openid=place(provider)), start=datetime.now(UTC))


def _of(cookie: str) -> bytes:
    return base64.urlsafe_b64decode(cookie.partition(".")[0])


# ---- answers that a provider would not give ----

ISSUER: Final = "https://id.example"
NOW: Final = datetime(2026, 3, 1, 12, tzinfo=UTC)
Changed = Callable[[dict[str, Any]], dict[str, Any]]


def with_answer(
    told: Callable[[str], Any], *, claim: str = "preferred_username", about: dict[str, str] | None = None
) -> OpenId:
    """Return one whose provider answers what `told` makes of the nonce asked for."""
    nonce = ""

    def answer(request: httpx.Request) -> httpx.Response:
        if request.url.path == "/.well-known/openid-configuration":
            said = {
                "issuer": ISSUER, "authorization_endpoint": f"{ISSUER}/authorize", "token_endpoint": f"{ISSUER}/token",
                "jwks_uri": f"{ISSUER}/keys",
            }  # fmt: skip
            return httpx.Response(200, json=said | (about or {}))
        if request.url.path == "/keys":
            return httpx.Response(200, json=KEY.public())
        return httpx.Response(200, json=told(nonce))

    made = OpenId(OpenIdPlace(ISSUER, CLIENT, None, claim), lambda: NOW, httpx.MockTransport(answer))
    begin = made.begin

    async def noting(back_to: str, comes_to: str) -> tuple[str, str]:
        nonlocal nonce
        address, cookie = await begin(back_to, comes_to)
        nonce = parse_qs(urlsplit(address).query)["nonce"][0]
        return address, cookie

    made.begin = noting  # type: ignore[method-assign]
    return made


KEY, OTHER_KEY = Key(), Key()


def identity(nonce: str, **changes: Any) -> dict[str, Any]:
    at = int(NOW.timestamp())
    claims = {
        "iss": ISSUER,
        "aud": CLIENT,
        "sub": "1",
        "iat": at,
        "exp": at + 60,
        "nonce": nonce,
        "preferred_username": "amir",
    }
    return {name: value for name, value in (claims | changes).items() if value is not None}


async def come(openid: OpenId, **more: str) -> str:
    address, cookie = await openid.begin("/", "https://here/back")
    state = parse_qs(urlsplit(address).query)["state"][0]
    return (await openid.vouched({"code": "c", "state": state, **more}, cookie, "https://here/back")).name


async def test_an_identity_as_it_should_be_is_taken() -> None:
    assert await come(with_answer(lambda nonce: {"id_token": KEY.signed(identity(nonce))})) == "amir"


@pytest.mark.parametrize(
    "forged",
    [
        pytest.param(lambda n: KEY.signed(identity(n), "none"), id="signed by nobody"),
        pytest.param(lambda n: OTHER_KEY.signed(identity(n)), id="signed by another"),
        pytest.param(
            lambda n: KEY.signed(identity(n, iss="https://other.example")), id="of another provider"
        ),
        pytest.param(lambda n: KEY.signed(identity(n, aud="another client")), id="for another client"),
        pytest.param(
            lambda n: KEY.signed(identity(n, aud=[CLIENT, "other"], azp="other")), id="asked for by another"
        ),
        pytest.param(lambda n: KEY.signed(identity(n, exp=int(NOW.timestamp()) - 120)), id="expired"),
        pytest.param(lambda n: KEY.signed(identity(n, exp=None)), id="without an end"),
        pytest.param(
            lambda n: KEY.signed(identity(n, iat=int(NOW.timestamp()) + 3600)), id="of an hour to come"
        ),
        pytest.param(lambda n: KEY.signed(identity("another")), id="replayed"),
        pytest.param(
            lambda n: KEY.signed({name: v for name, v in identity(n).items() if name != "nonce"}),
            id="without what was asked",
        ),
        pytest.param(lambda n: KEY.signed(identity(n)) + "x", id="with a bit more"),
        pytest.param(lambda n: "x.y", id="no token"),
    ],
)
async def test_a_forged_identity_lets_nobody_in(forged: Callable[[str], str]) -> None:
    with pytest.raises(Refused) as refused:
        await come(with_answer(lambda nonce: {"id_token": forged(nonce)}))
    assert refused.value.status == 401


async def test_an_answer_from_elsewhere_or_that_says_no_lets_nobody_in() -> None:
    openid = with_answer(lambda nonce: {"id_token": KEY.signed(identity(nonce))})
    for more in (
        {"iss": "https://other.example"},
        {"error": "access_denied"},
        {"code": ""},
        {"state": "another"},
    ):
        with pytest.raises(Refused) as refused:
            await come(openid, **more)
        assert refused.value.status == 401, more
    with pytest.raises(Refused):
        await come(with_answer(lambda _: {"error": "invalid_grant"}))
    with pytest.raises(Refused):
        await come(with_answer(lambda _: ["no object"]))


async def test_a_name_that_is_not_there_or_an_address_that_nobody_verified_is_none() -> None:
    def mailed(verified: object) -> OpenId:
        return with_answer(
            lambda n: {
                "id_token": KEY.signed(identity(n, email="amir@yard.example", email_verified=verified))
            },
            claim="email",
        )

    assert await come(mailed(True)) == "amir@yard.example"
    for verified in (False, None, "true"):
        with pytest.raises(Refused):
            await come(mailed(verified))
    with pytest.raises(Refused):
        await come(with_answer(lambda n: {"id_token": KEY.signed(identity(n, preferred_username=None))}))


@pytest.mark.parametrize(
    "about",
    [{"issuer": "https://other.example"}, {"token_endpoint": "http://id.example/token"}, {"jwks_uri": ""}],
)
async def test_a_provider_that_says_something_else_of_itself_is_asked_nothing(about: dict[str, str]) -> None:
    with pytest.raises(Refused) as refused:
        await come(with_answer(lambda _: {}, about=about))
    assert refused.value.status == 503


async def test_who_takes_too_long_begins_again() -> None:
    now = NOW
    openid = with_answer(lambda nonce: {"id_token": KEY.signed(identity(nonce))})
    openid._now = lambda: now
    address, cookie = await openid.begin("/", "https://here/back")
    now += timedelta(minutes=11)
    state = parse_qs(urlsplit(address).query)["state"][0]
    with pytest.raises(Refused):
        await openid.vouched({"code": "c", "state": state}, cookie, "https://here/back")
