"""Where something goes wrong a person gets a page with the way back, a program a problem document; of the same status."""

from __future__ import annotations

from pathlib import Path

import httpx
import pytest

from tests.api.access.door import NAME, ORIGIN, PASSWORD, house

BROWSER = {"Accept": "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"}
FROM_ALARMS = {**BROWSER, "Referer": f"{ORIGIN}/alarms?after=3", "Origin": ORIGIN}


def is_page(answer: httpx.Response) -> str:
    assert answer.headers["content-type"] == "text/html; charset=utf-8"
    assert answer.headers["cache-control"] == "no-store"
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    assert "Accept" in answer.headers["vary"]
    assert answer.text.startswith("<!doctype html>")
    return answer.text


async def test_an_unknown_address_is_a_page_to_a_browser_and_a_document_to_a_program(tmp_path: Path) -> None:
    async with house(tmp_path) as door:
        lena = await door.signed_in("lena")
        for path in ("/nowhere", "/units/A9", "/v1/units/A9", "/banks/x/discharges/y"):
            page = is_page(await lena.get(path, headers={**BROWSER, "Referer": f"{ORIGIN}/units"}))
            assert '<a href="/units">Back to the page before</a>' in page
            assert '<a href="/">The overview</a>' in page
            for accept in ("application/json", "*/*", "application/problem+json"):
                answer = await lena.get(path, headers={"Accept": accept})
                assert answer.headers["content-type"] == "application/problem+json"
                assert answer.json()["status"] == answer.status_code == 404, path
        assert "Known: A1." in (await lena.get("/v1/units/A9", headers=BROWSER)).text
        whole = await lena.get("/nowhere", headers=BROWSER)
        assert int(whole.headers["content-length"]) == len(whole.content)


async def test_a_form_that_is_refused_is_answered_by_a_page_that_leads_back(tmp_path: Path) -> None:
    async with house(tmp_path) as door:
        amir = await door.signed_in("amir")
        csrf = amir.headers.pop("X-CSRF-Token")
        for fields, status, words in (
            ({"csrf": csrf}, 404, "There is no alarm &#39;none&#39;"),
            ({"csrf": csrf, "hours": "soon"}, 422, "want a number above 0"),
            ({}, 403, "load the page again"),
        ):
            answer = await amir.post("/v1/alarms/none/acknowledge", data=fields, headers=FROM_ALARMS)
            assert answer.status_code == status
            page = is_page(answer)
            assert words in page or words.replace("&#39;", "'") in page
            assert '<a href="/alarms">Back to the page before</a>' in page
            told = await amir.post("/v1/alarms/none/acknowledge", data=fields, headers={"Origin": ORIGIN})
            assert told.json()["status"] == status


async def test_who_is_not_known_is_led_to_sign_in_and_back(tmp_path: Path) -> None:
    async with house(tmp_path) as door:
        answer = await door.browser().post("/v1/alarms/none/acknowledge", data={}, headers=FROM_ALARMS)
        assert answer.status_code == 401
        assert answer.headers["www-authenticate"].startswith("Bearer")
        assert '<a href="/sign-in?next=%2Falarms">Sign in</a>' in is_page(answer)
        other = await door.browser().get("/", headers={**BROWSER, "Host": "evil.example"})
        assert (other.status_code, "Host must be one of" in is_page(other)) == (403, True)


async def test_the_page_leads_to_no_other_site_and_repeats_nothing_as_markup(tmp_path: Path) -> None:
    async with house(tmp_path) as door:
        lena = await door.signed_in("lena")
        path = "/units/<script>alert(1)<%2Fscript>"
        for referer in ("http://evil.example/x", f"http://{NAME}//evil.example", "//", "http://[", ""):
            page = is_page(await lena.get(path, headers={**BROWSER, "Referer": referer}))
            assert "<script" not in page
            assert "evil" not in page
            assert "page before" not in page


async def test_a_fault_of_ours_is_a_page_too_and_pages_that_are_there_pass_untouched(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with house(tmp_path) as door:
        lena = await door.signed_in("lena")
        whole = await lena.get("/", headers=BROWSER)
        assert (whole.status_code, whole.headers.get("vary") != "Accept") == (200, True)
        assert (await lena.head("/nowhere", headers=BROWSER)).content == b""
        wrong = {"name": "lena", "password": PASSWORD + "x", "next": "/"}
        again = await door.browser().post("/sign-in", data=wrong, headers=FROM_ALARMS)
        assert (again.status_code, 'type="password"' in again.text) == (401, True), (
            "its own page, with the form"
        )

        def broken(*_: object) -> None:
            raise RuntimeError("inside")

        monkeypatch.setattr("api.routes.units.sheet_of", broken)
        answer = await lena.get("/v1/units", headers=BROWSER)
        assert answer.status_code == 500
        assert "inside" not in is_page(answer)
