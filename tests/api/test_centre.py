"""A centre by its pages and its interface: every page and route of a site, on what sites say; acts go to the site they are done at, or are refused with the way there."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest

from api.access.terms import AccessTerms
from api.app import create_app
from collector.configuration.centre.file import load_centre
from collector.messaging.centre.acts import ActStanding
from collector.messaging.centre.parts import (
    QUIET_AFTER_S,
    AlarmsPart,
    BankPart,
    BeatPart,
    HadPart,
    Part,
    PlantPart,
    RecordPart,
    SystemPart,
    Told,
)
from collector.process.clock import TurnedClock
from collector.service.centre import CentreService
from collector.storage.ledger.records import IncidentLine, JournalLine, UserLine
from rules.alarms.catalogue import CATALOGUE, Cause
from rules.alarms.incidents.incident import Incident, IncidentPart
from rules.alarms.lifecycle.alarm import new_alarm
from rules.alarms.lifecycle.states import State
from rules.values.reason import told as words
from rules.values.serial import to_plain
from rules.values.severity import Severity
from tests.api.access.door import CHEAP, ORIGIN, PASSWORD, TERMS, proof_of, sign_in
from tests.collector.messaging.centre.test_handing_on import Answer, Site, answer
from tests.rules.sample_plant import estate, overdue_bank, reading, system_state

AT = datetime(2026, 11, 24, 10, tzinfo=UTC)
BANK = next(iter(estate().banks))
ALARM = replace(
    new_alarm(CATALOGUE["on_battery"], "W1", "", 0.0),
    what=words("Unit W1 is on its bank."), state=State.ACTIVE_UNACKNOWLEDGED, since=AT, incident="power-1",
)  # fmt: skip
INCIDENT = Incident(
    "power-1", "power", Cause.POWER, "main", AT, 0.0, Severity.MAJOR, members=(ALARM.id,),
    parts={"works": IncidentPart("works", AT, units=("W1",))},
)  # fmt: skip
SAID: tuple[tuple[str, Part], ...] = (
    ("plant", PlantPart("Fell water", "abc", "1.0", 10.0, estate())),
    ("system/works", SystemPart(system_state("works", 10.0), readings=(reading("W1", 1.0),))),
    (f"bank/{BANK}", BankPart(replace(overdue_bank("W1"), id=BANK))),
    ("alarms", AlarmsPart((ALARM,), (IncidentLine("power-1", "main", "major", AT, body=to_plain(INCIDENT)),))),
    ("beat", BeatPart()),
)  # fmt: skip
ANYBODY = AccessTerms(ours=lambda *_: True)


def file_of(folder: Path) -> Path:
    sites = "".join(
        f'[[site]]\nid = "{s}"\naddress = "https://{s}.example.org:8470"\n' for s in ("east", "west")
    )
    path = folder / "centre.toml"
    path.write_text(f'[page]\ntitle = "All waters"\n[[broker]]\nhost = "127.0.0.1"\n{sites}', "utf-8")
    return path


async def say(
    centre: CentreService, *said: tuple[str, Part], sites: tuple[str, ...] = ("east", "west")
) -> HadPart | None:
    had = None
    for site in sites:
        for number, (topic, part) in enumerate(said, 1):
            had = await centre.take(
                site, topic, Told("run", number, centre.clock.now(), part), retained=False
            )
    centre.joined.look()  # as its loop does
    return had


@asynccontextmanager
async def running(folder: Path, clock: TurnedClock) -> AsyncIterator[tuple[CentreService, httpx.AsyncClient]]:
    async with CentreService(load_centre(file_of(folder)), folder / "data", clock) as centre:
        transport = httpx.ASGITransport(create_app(centre, terms=ANYBODY), raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
            yield centre, client


@pytest.fixture
async def both(tmp_path: Path) -> AsyncIterator[tuple[CentreService, httpx.AsyncClient]]:
    """Yield a centre to which two sites of the same plant have said all they know."""
    async with running(tmp_path, TurnedClock(AT)) as (centre, client):
        await say(centre, *SAID)
        yield centre, client


Both = tuple[CentreService, httpx.AsyncClient]


async def items(client: httpx.AsyncClient, path: str) -> list[dict[str, Any]]:
    answer = await client.get(path)
    assert answer.status_code == 200, answer.text
    found: list[dict[str, Any]] = answer.json()["items"]
    return found


async def test_systems_alarms_and_incidents_of_all_sites_are_given_by_the_routes_of_a_site(
    both: Both,
) -> None:
    centre, client = both
    assert {one["id"] for one in await items(client, "/v1/systems")} == {"east:works", "west:works"}
    assert {one["id"] for one in await items(client, "/v1/alarms")} == {
        "on_battery:east:W1",
        "on_battery:west:W1",
    }
    assert {one["id"] for one in await items(client, "/v1/incidents")} == {"east:power-1", "west:power-1"}
    assert (await client.get("/v1/units/west:W1")).json()["id"] == "west:W1"
    await say(centre, ("record", RecordPart("b", 0, 1, (JournalLine(AT, "note", "W1", "Seen.", seq=1),))))
    assert {(one["about"], one["text"]) for one in await items(client, "/v1/events")} == {
        ("east:W1", "Seen."), ("west:W1", "Seen."),
    }  # fmt: skip


async def test_every_page_of_a_site_is_there_and_nothing_can_be_done_on_it(both: Both) -> None:
    pages = (
        "/",
        "/?only=wrong",
        "/wall",
        "/alarms",
        "/banks",
        "/outages",
        "/systems/east:works",
        "/units/east:W1",
    )
    for path in (*pages, f"/banks/east:{BANK}"):
        answer = await both[1].get(path)
        assert answer.status_code == 200, path
        assert 'method="post"' not in answer.text, path


async def test_the_first_page_says_which_sites_are_heard_and_since_when_another_is_quiet(both: Both) -> None:
    centre, client = both
    page = (await client.get("/")).text
    assert "Heard: " in page
    assert 'href="https://east.example.org:8470"' in page
    assert "first steps" not in page
    clock = centre.clock
    assert isinstance(clock, TurnedClock)
    await clock.advance(QUIET_AFTER_S)
    await say(centre, ("beat", BeatPart()), sites=("east",))
    await clock.advance(1.0)
    centre.joined.look()
    page = (await client.get("/")).text
    assert "Nothing is heard of " in page
    assert "since 10:00:00" in page
    east, west = await items(client, "/v1/sites")
    assert (east["quiet"], east["quiet_since"]) == (False, None)
    assert (west["quiet"], west["quiet_since"], west["systems_count"]) == (True, "2026-11-24T10:00:00Z", 3)
    assert (west["version"], west["program"]) == ("abc", "1.0")
    ready = await client.get("/health/ready")
    assert (ready.status_code, ready.json()["silent"]) == (200, ["west"])
    (needs,) = [
        one["requirements"] for one in await items(client, "/v1/systems") if one["id"] == "west:works"
    ]
    assert {need["verdict"] for need in needs} == {"cannot_tell"}


AT_THE_SITE: tuple[tuple[str, str, dict[str, Any] | None], ...] = (
    ("POST", "/v1/alarms/on_battery:east:W1/acknowledge", {"by": "Ada"}),
    ("POST", "/v1/incidents/east:power-1/take-on", {"by": "Ada"}),
    (
        "POST",
        "/v1/systems/east:works/work",
        {"unit": "east:W1", "by": "Ada", "until": "2026-11-24T12:00:00Z"},
    ),
    ("POST", "/v1/systems/east:works/ridethrough", {}),
    ("GET", "/v1/systems/east:works/isolation?unit=east:W1", None),
    ("GET", "/v1/units/east:W1/history?quantity=output_power_w&line=1", None),
    ("GET", "/units/east:W1/past", None),
    ("GET", f"/v1/banks/east:{BANK}/discharges", None),
    ("GET", "/v1/systems/east:works/runtime", None),
)


async def test_what_is_done_and_asked_at_a_site_is_refused_with_the_way_there(both: Both) -> None:
    for method, path, body in AT_THE_SITE:
        answer = await both[1].request(method, path, json=body)
        assert answer.status_code == 421, (path, answer.text)
        said = answer.json()
        assert said["type"] == "/problems/at-the-site"
        assert said["sites"] == [{"site": "east", "address": "https://east.example.org:8470"}]
        assert "https://east.example.org:8470" in said["detail"]


async def test_what_is_asked_of_all_names_every_site(both: Both) -> None:
    for path in ("/v1/programme", "/v1/messages", "/plans"):
        answer = await both[1].get(path)
        assert answer.status_code == 421
        assert [one["site"] for one in answer.json()["sites"]] == ["east", "west"]


async def test_a_centre_that_was_killed_shows_what_it_kept_as_of_then_until_a_site_is_heard(
    tmp_path: Path,
) -> None:
    async with running(tmp_path, TurnedClock(AT)) as (centre, _client):
        await say(centre, *SAID)
        await centre._keep()  # what a kill after half a minute finds
    later = TurnedClock(AT.replace(hour=12))
    async with running(tmp_path, later) as (centre, client):
        await later.advance(QUIET_AFTER_S + 1.0)
        centre.joined.look()
        west = (await items(client, "/v1/sites"))[1]
        assert (west["quiet"], west["quiet_since"]) == (True, "2026-11-24T10:00:00Z")
        systems = await items(client, "/v1/systems")
        assert {need["verdict"] for one in systems for need in one["requirements"]} == {"cannot_tell"}
        assert {one["id"] for one in await items(client, "/v1/alarms")} >= {
            "collector_silent:west",
            "on_battery:west:W1",
        }


async def test_a_journal_that_comes_before_the_plant_is_taken_with_it(tmp_path: Path) -> None:
    async with running(tmp_path, TurnedClock(AT)) as (centre, client):
        record = RecordPart("b", 0, 1, (JournalLine(AT, "note", "W1", "Seen.", seq=1),))
        assert await say(centre, ("record", record), sites=("east",)) is None
        assert await say(centre, *SAID[:1], sites=("east",)) == HadPart("b", 1)
        assert [one["text"] for one in await items(client, "/v1/events")] == ["Seen."]


# --- what people do at the centre -------------------------------------------------------------------------


@asynccontextmanager
async def handing_on(
    folder: Path, *answers: Answer
) -> AsyncIterator[tuple[CentreService, httpx.AsyncClient, Site]]:
    """Run a centre of which one site takes acts by a token, and the other takes none."""
    site = Site(list(answers))
    server = await asyncio.start_server(site.serve, "127.0.0.1", 0)
    address = f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}"
    file = file_of(folder)
    text = file.read_text("utf-8").replace('"https://east.example.org:8470"', f'"{address}"\nsecret = "east"')
    file.write_text(text, "utf-8")
    secrets = folder / "secrets.toml"
    secrets.write_text('[east]\ntoken = "rt_ab_cdefghij"\n', "utf-8")
    secrets.chmod(0o600)
    async with CentreService(load_centre(file), folder / "data", TurnedClock(AT)) as centre:
        transport = httpx.ASGITransport(create_app(centre, terms=ANYBODY), raise_app_exceptions=False)
        delivering = asyncio.create_task(centre.handing.run())
        try:
            async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
                await say(centre, *SAID)
                yield centre, client, site
        finally:
            delivering.cancel()
            server.close()


ACTS: tuple[tuple[str, dict[str, Any], str, dict[str, Any]], ...] = (
    (
        "/v1/alarms/on_battery:east:W1/acknowledge", {"note": "seen"},
        "/v1/alarms/on_battery%3AW1/acknowledge", {"note": "seen"},
    ),
    (
        "/v1/alarms/on_battery:east:W1/shelve", {"until": "2026-11-24T12:00:00Z"},
        "/v1/alarms/on_battery%3AW1/shelve", {"until": "2026-11-24T12:00:00+00:00"},
    ),
    ("/v1/alarms/on_battery:east:W1/out-of-service", {}, "/v1/alarms/on_battery%3AW1/out-of-service", {}),
    ("/v1/incidents/east:power-1/take-on", {"note": "there by 14:30"}, "/v1/incidents/power-1/take-on", {"note": "there by 14:30"}),
    ("/v1/incidents/east:power-1/mark", {"source": "generator"}, "/v1/incidents/power-1/mark", {"source": "generator"}),
    (
        "/v1/systems/east:works/work", {"unit": "east:W1", "until": "2026-11-24T12:00:00Z", "note": "fan"},
        "/v1/systems/works/work", {"unit": "W1", "until": "2026-11-24T12:00:00+00:00", "note": "fan"},
    ),
    ("/v1/systems/east:works/work/east:W1/close", {}, "/v1/systems/works/work/W1/close", {}),
)  # fmt: skip


async def test_what_people_do_is_asked_of_the_site_by_its_own_paths_and_names(tmp_path: Path) -> None:
    async with handing_on(tmp_path, answer(200)) as (_centre, client, site):
        for path, said, there, body in ACTS:
            done = await client.post(path, json={"by": "R. Haugen", **said})
            assert (done.status_code, done.json()["standing"]) == (202, "taken"), done.text
            line, headers, asked = site.asked[-1]
            assert line == f"POST {there} HTTP/1.1"
            assert headers["authorization"] == "Bearer rt_ab_cdefghij"
            passed = asked.pop("passed_on")
            assert asked == {"by": "R. Haugen", **body}
            assert (passed["act"], passed["until"]) == (done.json()["act"], "2026-11-24T10:02:00+00:00")
            assert (passed["known"], passed["means"], passed["from"]) == (
                False,
                "as the service's own user",
                "127.0.0.1",
            )


async def test_an_act_stands_beside_its_alarm_until_the_journal_of_the_site_has_it(tmp_path: Path) -> None:
    async with handing_on(tmp_path, answer(200)) as (centre, client, _site):
        page = (await client.get("/alarms")).text
        assert 'action="/v1/alarms/on_battery%3Aeast%3AW1/acknowledge"' in page
        assert "on_battery%3Awest%3AW1/acknowledge" not in page, "a site of which the centre has no token"
        form = {"by": "R. Haugen"}
        way = {"Origin": "http://127.0.0.1", "Referer": "http://127.0.0.1/alarms"}
        done = await client.post("/v1/alarms/on_battery:east:W1/acknowledge", data=form, headers=way)
        assert (done.status_code, done.headers["location"]) == (303, "/alarms")
        pending = "R. Haugen, acknowledge: east took it; its journal has not told it yet."
        page = (await client.get("/alarms")).text
        assert pending in page
        assert "/acknowledge" not in page, "it is not to be done twice"
        assert f"on_battery:east:W1: {pending}" in (await client.get("/")).text
        east, west = await items(client, "/v1/sites")
        assert (east["takes_acts"], west["takes_acts"], west["acts"]) == (True, False, [])
        ((act),) = east["acts"]
        assert (act["standing"], act["text"], act["about"]) == ("taken", pending, "on_battery:east:W1")
        body = {"asked": {"who": "R. Haugen", "means": "at the centre", "from": "", "act": act["id"]}}
        line = JournalLine(AT, "act", "W1", "R. Haugen, acknowledge.", body=body, seq=1)
        await say(centre, ("record", RecordPart("b", 0, 1, (line,))), sites=("west",))
        assert (await items(client, "/v1/sites"))[0]["acts"] != [], "another site's word"
        await say(centre, ("record", RecordPart("b", 0, 1, (line,))), sites=("east",))
        assert (await items(client, "/v1/sites"))[0]["acts"] == []
        assert pending not in (await client.get("/alarms")).text


async def test_what_a_site_refuses_is_told_to_who_did_it_on_the_page_and_in_the_centres_journal(
    tmp_path: Path,
) -> None:
    async with handing_on(tmp_path, answer(409)) as (_centre, client, _site):
        refused = await client.post("/v1/alarms/on_battery:east:W1/acknowledge", json={"by": "R. Haugen"})
        words = "R. Haugen, acknowledge: east refused it, and nothing was done: It is over."
        assert (refused.status_code, refused.json()["type"]) == (409, "/problems/refused-at-the-site")
        assert refused.json()["detail"] == words
        page = (await client.get("/alarms")).text
        assert words in page
        assert "/acknowledge" in page, "and it may be tried again"
        (line,) = await items(client, "/v1/events")
        assert (line["kind"], line["text"]) == ("act_failed", f"on_battery:east:W1: {words}")


async def test_a_centre_that_was_killed_knows_its_acts_and_which_of_them_the_journal_has(
    tmp_path: Path,
) -> None:
    async with handing_on(tmp_path, answer(200)) as (centre, client, _site):
        for _ in range(2):
            assert (
                await client.post("/v1/alarms/on_battery:east:W1/note", json={"by": "R. Haugen"})
            ).status_code == 202
        first, second = centre.handing.acts.values()
        line = JournalLine(AT, "act", "W1", "Noted.", body={"asked": {"act": first.id}}, seq=1)
        names = centre.sites["east"].names
        assert names is not None
        await centre.record.take(names, RecordPart("b", 0, 1, (line,)), AT)  # and a kill before it is noted
    async with CentreService(
        load_centre(tmp_path / "centre.toml"), tmp_path / "data", TurnedClock(AT)
    ) as centre:
        assert [act.standing for act in centre.handing.acts.values()] == [ActStanding.DONE, ActStanding.TAKEN]
        assert list(centre.handing.acts) == [first.id, second.id]


async def test_what_the_centre_says_itself_of_a_quiet_site_is_nobodys_to_acknowledge(tmp_path: Path) -> None:
    async with handing_on(tmp_path, answer(200)) as (centre, client, site):
        clock = centre.clock
        assert isinstance(clock, TurnedClock)
        await clock.advance(QUIET_AFTER_S + 1.0)
        centre.joined.look()
        refused = await client.post("/v1/alarms/collector_silent:east/acknowledge", json={"by": "Ada"})
        assert refused.status_code == 409
        assert "it ends once the site is heard" in refused.json()["detail"]
        assert site.asked == []


async def test_work_begins_on_the_page_of_a_system_whose_site_takes_acts(tmp_path: Path) -> None:
    async with handing_on(tmp_path, answer(409)) as (_centre, client, _site):
        assert 'action="/v1/systems/east%3Aworks/work"' in (await client.get("/systems/east:works")).text
        assert 'method="post"' not in (await client.get("/systems/west:works")).text
        said = {"unit": "east:W1", "by": "R. Haugen", "until": "2026-11-24T12:00:00Z"}
        assert (await client.post("/v1/systems/east:works/work", json=said)).status_code == 409
        assert "R. Haugen, work begins: east refused it" in (await client.get("/systems/east:works")).text


async def test_who_signed_in_at_the_centre_is_named_at_the_site_and_nobody_else(tmp_path: Path) -> None:
    async with handing_on(tmp_path, answer(200)) as (centre, _client, site):
        hashed = CHEAP.hasher().hash(PASSWORD)
        for name, role in (("ruth", "act"), ("lena", "look")):
            await centre.access.save_user(UserLine(name, role, hashed, AT, AT), "Added.", sign_out=False)
        transport = httpx.ASGITransport(create_app(centre, terms=TERMS), client=("192.0.2.77", 50000))
        path = "/v1/alarms/on_battery:east:W1/acknowledge"
        async with httpx.AsyncClient(transport=transport, base_url=ORIGIN) as browser:
            assert (await browser.post(path, json={"by": "ruth"})).status_code == 401
            for name, status in (("lena", 403), ("ruth", 202)):
                await sign_in(browser, name)
                browser.headers["X-CSRF-Token"] = await proof_of(browser)
                assert (await browser.post(path, json={"by": "Somebody Else"})).status_code in {403, 422}
                assert (await browser.post(path, json={})).status_code == status
        ((_, _, asked),) = site.asked
        passed = asked["passed_on"]
        assert (asked["by"], passed["known"], passed["means"], passed["from"]) == (
            "ruth",
            True,
            "signed in",
            "192.0.2.77",
        )
