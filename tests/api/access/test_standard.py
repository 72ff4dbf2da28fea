"""Lines of OWASP ASVS that no other test holds: whole passwords, fields from elsewhere, files, refusals in the log, faults."""

from __future__ import annotations

import ast
import logging
import re
from pathlib import Path
from typing import Any

import httpx
import pytest
from pydantic import ValidationError

from api.access.passwords import MOST, Passwords, fault_in
from api.access.refusals import AGAIN_S, MOST_REMEMBERED, RefusalLog
from collector.configuration.channel_tables import (
    MailSettings,
    MqttSettings,
    SyslogSettings,
    WebhookSettings,
)
from tests.api.access.door import CHEAP, ORIGIN, PASSWORD, house, proof_of, sign_in

ROOT = Path(__file__).resolve().parents[3]
ACT = "/v1/alarms/none/acknowledge"


async def test_a_password_is_taken_whole_in_any_script() -> None:
    passwords = Passwords(CHEAP)
    longest = (" päß漢字🔋 wörter " * 20)[:MOST]
    assert fault_in(longest, "amir") is None
    known = await passwords.hashed(longest)
    assert await passwords.fits(known, longest)
    for other in (longest[:-1] + "x", longest[:-1], longest.strip(), longest.replace("  ", " ")):
        assert not await passwords.fits(known, other)
    assert fault_in(longest + "x", "amir") is not None


async def test_each_hash_has_a_salt_of_its_own() -> None:
    passwords = Passwords(CHEAP)
    salts = {(await passwords.hashed(PASSWORD)).split("$")[4] for _ in range(3)}
    assert len(salts) == 3
    assert all(len(salt) >= 22 for salt in salts), "16 octets in base64"


async def test_what_stands_in_the_address_is_no_field_of_the_body(tmp_path: Path) -> None:
    async with house(tmp_path) as door:
        amir = await door.signed_in("amir")
        proof = amir.headers.pop("X-CSRF-Token")
        answer = await amir.post(f"{ACT}?csrf={proof}", json={})
        assert answer.status_code == 403, "the page's proof in the address proves nothing"
        for twice in ("role=administer", "by=ruth", "by=amir&by=ruth"):
            answer = await amir.post(f"{ACT}?{twice}", json={}, headers={"X-CSRF-Token": proof})
            assert answer.status_code == 404, "as without it: there is no such alarm"


async def test_a_field_that_nothing_asks_for_is_refused(tmp_path: Path) -> None:
    async with house(tmp_path) as door:
        amir = await door.signed_in("amir")
        for more in ({"role": "administer"}, {"standing": False}, {"severity": "minor"}, {"__class__": "x"}):
            answer = await amir.post(ACT, json={"note": "seen", **more})
            assert answer.status_code == 422, more


async def test_no_file_of_the_machine_is_served(tmp_path: Path) -> None:
    async with house(tmp_path) as door:
        ruth = await door.signed_in("ruth")
        for path in (
            "/.git/config", "/.env", "/estate.toml", "/secrets.toml", "/data/ledger.sqlite", "/static/", "/assets/",
            "/static/..%2f..%2fsecrets.toml", "/%2e%2e/%2e%2e/etc/passwd", "/reports/system/..%2f..%2fsecrets.toml",
        ):  # fmt: skip
            answer = await ruth.get(path, headers={"Accept": "application/json"})
            assert answer.status_code == 404, path
            assert "readonly" not in answer.text, "the community"


async def test_a_page_that_was_left_is_not_shown_again_by_going_back(tmp_path: Path) -> None:
    async with house(tmp_path) as door:
        lena = await door.signed_in("lena")
        for path in ("/", "/account", "/v1/systems"):
            answer = await lena.get(path)
            assert answer.headers["cache-control"] in {"no-store", "no-cache", "private, no-cache"}, path
        await lena.post("/sign-out", headers={"Origin": ORIGIN})
        assert (await lena.get("/account", headers={"Accept": "text/html"})).status_code == 303


async def test_a_fault_of_ours_tells_a_caller_nothing_of_the_inside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: Any) -> None:
        raise RuntimeError("at /var/lib/ridethrough/ledger.sqlite, line 7")

    async with house(tmp_path) as door:
        lena = await door.signed_in("lena")
        monkeypatch.setattr("api.routes.units.sheet_of", broken)
        answer = await lena.get("/v1/units")
        assert answer.status_code == 500
        assert answer.headers["content-type"] == "application/problem+json"
        assert "ledger" not in answer.text
        monkeypatch.undo()
        assert (await lena.get("/v1/units")).status_code == 200, "one answer, and no more"


def _told(caplog: pytest.LogCaptureFixture) -> list[str]:
    return [record.getMessage() for record in caplog.records if record.name == "api.access.refusals"]


async def test_who_was_refused_stands_in_the_log_and_a_flood_does_not(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.WARNING)
    async with house(tmp_path) as door:
        lena = await door.signed_in("lena")
        stranger = door.browser("192.0.2.7", Authorization="Bearer rt_00000000_made-up")
        for _ in range(20):
            assert await _status(lena.get("/v1/users")) == 403
            assert await _status(stranger.get("/v1/systems")) == 401
        del lena.headers["X-CSRF-Token"]
        assert (
            await _status((await door.signed_in("amir")).post(ACT, json={}, headers={"X-CSRF-Token": ""}))
            == 403
        )
        assert _told(caplog) == [
            "refused what wants the role administer to lena from 127.0.0.1",
            "refused what wants the role look to nobody who is known from 192.0.2.7",
            "refused what wants the role act to nobody who is known from 127.0.0.1",
        ]
        await door.clock.advance(AGAIN_S + 1.0)
        assert await _status(lena.get("/v1/users")) == 403
    assert _told(caplog)[-1].endswith("to lena from 127.0.0.1, and 19 times before")
    assert "made-up" not in caplog.text


def test_the_memory_of_refusals_is_bounded(caplog: pytest.LogCaptureFixture) -> None:
    log = RefusalLog(lambda: 0.0)
    for number in range(3 * MOST_REMEMBERED):
        log.note(None, f"192.0.2.{number}", "look")
    assert len(log._told) == MOST_REMEMBERED


async def _status(asked: Any) -> int:
    answer: httpx.Response = await asked
    return answer.status_code


async def test_a_new_session_is_asked_for_with_every_sign_in_and_an_old_browser_keeps_none(
    tmp_path: Path,
) -> None:
    async with house(tmp_path) as door:
        ids = set()
        for _ in range(4):
            browser = door.browser()
            assert (await sign_in(browser, "lena")).status_code == 303
            ids |= set(browser.cookies.values())
            assert await proof_of(browser)
        assert len(ids) == 4


async def test_a_quote_in_what_is_asked_stays_a_quote(tmp_path: Path) -> None:
    async with house(tmp_path) as door:
        lena = await door.signed_in("lena")
        for said in ("x' OR '1'='1", 'x" OR ""="', "x;DROP TABLE journal", "%", "_", "*"):
            answer = await lena.get("/v1/events", params={"about": said})
            assert (answer.status_code, answer.json()["items"]) == (200, []), said
            assert (await lena.get("/v1/messages", params={"incident": said})).status_code in {200, 404}
        assert (await sign_in(door.browser(), "amir' --")).status_code == 401
        assert (await lena.get("/v1/events")).json()["items"], "the journal is still there"


FORBIDDEN = {"eval", "exec", "__import__"}
SUSPECT = re.compile(
    r"\b(eval\(|exec\(|__import__|pickle|marshal|shelve|dill|yaml|xml|jinja2|mako|markdown|shell=|os\.system|os\.popen)"
)
UNSAFE = {"pickle", "marshal", "shelve", "dill", "yaml", "xml", "jinja2", "mako", "markdown"}


def test_nothing_that_comes_in_is_run_unpickled_or_filled_into_a_template() -> None:
    found = []
    for package in ("api", "collector", "rules"):
        for path in (ROOT / package).rglob("*.py"):
            text = path.read_text("utf-8")
            if not SUSPECT.search(text):
                continue  # hardly any holds one of the words at all
            for node in ast.walk(ast.parse(text)):
                names: list[str] = []
                if isinstance(node, ast.Import):
                    names = [alias.name.partition(".")[0] for alias in node.names]
                elif isinstance(node, ast.ImportFrom):
                    names = [(node.module or "").partition(".")[0]]
                elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                    names = [node.func.id] if node.func.id in FORBIDDEN else []
                elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                    shell = any(k.arg == "shell" for k in node.keywords)
                    of_os = isinstance(node.func.value, ast.Name) and node.func.value.id == "os"
                    names = ["eval"] if shell or (of_os and node.func.attr in {"system", "popen"}) else []
                found += [(path.name, name) for name in names if name in UNSAFE | FORBIDDEN]
    assert found == []


async def test_the_form_to_sign_in_lets_a_password_be_pasted_and_filled_in(tmp_path: Path) -> None:
    async with house(tmp_path) as door:
        page = (await door.browser().get("/sign-in")).text
        assert 'autocomplete="current-password"' in page
        assert 'autocomplete="username"' in page
        for hindrance in ("onpaste", 'autocomplete="off"', "maxlength", "readonly"):
            assert hindrance not in page
        own = (await (await door.signed_in("lena")).get("/account")).text
        assert 'autocomplete="new-password"' in own


def test_lines_to_others_are_encrypted_unless_the_estate_file_says_otherwise() -> None:
    """The shortest entry of each kind, in which nothing is said about it."""
    broker = MqttSettings(id="desk", kind="mqtt", host="broker.example")
    post = MailSettings(id="post", kind="mail", host="mail.example", sender="ups@site.example")
    log = SyslogSettings(id="log", kind="syslog", host="log.example")
    assert (broker.encrypted, post.encryption, log.encrypted) == (True, "starttls", True)
    with pytest.raises(ValidationError, match="https"):
        WebhookSettings(id="hook", kind="webhook", url="http://elsewhere.example/")
