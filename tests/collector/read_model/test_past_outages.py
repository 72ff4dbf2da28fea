"""The outages of all years: each can be reached, some at a time, and told whole."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any, cast
from urllib.parse import unquote

from api.pages.markup.elements import render
from api.pages.markup.frame import document
from api.pages.sheets.outages_sheet import outage_page, outages_page
from api.routes.dependencies import place
from collector.read_model.outages import past
from collector.read_model.outages.past import outage_story, past_outages, place_of
from collector.read_model.source import SheetSource
from collector.storage.ledger.records import IncidentLine, JournalLine, Outgoing, Page, Place, Placed, Sending
from rules.alarms.catalogue import Cause
from rules.alarms.incidents.incident import Incident
from rules.values.serial import from_plain, to_plain
from tests.api.pages import samples
from tests.api.pages.sheets.test_registry import check
from tests.collector.read_model.test_sources import JOURNAL, LOST, incident

YEARS_AGO = datetime(2016, 5, 1, tzinfo=UTC)


def line(number: int, cause: Cause = Cause.POWER) -> IncidentLine:
    """Return one of many incidents, a day after the one before."""
    at = YEARS_AGO + timedelta(days=number)
    whole = from_plain(Incident, incident().body)
    part = replace(whole.parts["works"], since=at, until=at + timedelta(seconds=300))
    body = replace(whole, id=f"power-b/{number}", cause=cause, opened_at=at, parts={"works": part})
    return IncidentLine(body.id, "b", "critical", at, at + timedelta(seconds=600), body=to_plain(body))


@dataclass
class Kept:
    """Stands for a service with a ledger of many years."""

    lines: Sequence[IncidentLine]
    journal: Sequence[JournalLine] = JOURNAL
    sent: Sequence[Outgoing] = ()
    estate: Any = field(default_factory=samples.estate)
    asked: int = 0

    async def incidents(self, *, after: Place | None = None, limit: int = 200) -> Placed[IncidentLine]:
        self.asked += 1
        order = sorted(self.lines, key=lambda one: (one.opened, one.id), reverse=True)
        rest = [one for one in order if after is None or (one.opened, one.id) < after]
        more = rest[limit - 1] if len(rest) > limit else None
        return Placed(tuple(rest[:limit]), None if more is None else (more.opened, more.id))

    async def events(self, **asked: Any) -> Page[JournalLine]:
        about, start, end = asked.get("about"), asked["start"], asked["end"]
        found = [one for one in self.journal if start <= one.at and (end is None or one.at <= end)]
        return Page(tuple(one for one in found if about in {None, one.about}), None)

    async def messages(self, *, incident: str, limit: int = 200) -> Page[Outgoing]:
        return Page(tuple(one for one in self.sent if one.incident == incident)[:limit], None)


def source(kept: Kept) -> SheetSource:
    return cast("SheetSource", kept)


async def test_every_outage_of_ten_years_is_reached_page_by_page_and_each_once() -> None:
    kept = Kept([line(n, Cause.POWER if n % 5 == 0 else Cause.OWN) for n in range(1000)])
    found: list[str] = []
    where: Place | None = None
    for _ in range(20):
        page = await past_outages(source(kept), where)
        assert len(page.items) <= past.AT_ONCE
        found += [event.incident or "" for event in page.items]
        where = page.next
        if where is None:
            break
    assert found == [f"power-b/{n}" for n in range(995, -5, -5)]


def test_the_heading_has_no_place_for_a_mark_that_it_does_not_have() -> None:
    for page in (outages_page(samples.short(), past.PastOutages((), None)),):
        heading = page.body[0]
        assert heading.attribute("class") == "lead one"
        assert "row" not in render(heading)


async def test_an_address_leads_to_its_outage_whatever_its_id_holds() -> None:
    kept = Kept([line(n) for n in range(3)])
    event = (await past_outages(source(kept))).items[1]
    assert event.opened is not None
    assert event.incident == "power-b/1"
    address = place_of(event.opened, event.incident)
    assert "/" not in address
    where = place(unquote(address))
    assert where is not None
    story = await outage_story(source(kept), where)
    assert story is not None
    assert story.incident == "power-b/1"
    assert await outage_story(source(kept), (event.opened, "power-b/2")) is None
    assert await outage_story(source(Kept([line(1, Cause.OWN)])), where) is None


async def test_a_story_has_its_lines_what_was_said_days_later_and_every_message() -> None:
    later = JournalLine(
        LOST + timedelta(days=3),
        "outage_marked",
        "b",
        "R. Haugen: the generator.",
        incident="power-b-1",
        seq=9,
    )
    numbered = [replace(one, seq=n) for n, one in enumerate(JOURNAL)]
    sent = [
        Outgoing("m2", "mqtt", "x", "power-b-1", LOST + timedelta(seconds=9), LOST, incident="power-b-1", body={"topic": "site/power"}, sending=Sending.DEAD, attempts=3, result="no route", seq=2),
        Outgoing("m1", "mqtt", "x", "power-b-1", LOST + timedelta(seconds=2), LOST, incident="power-b-1", body={"topic": "site/first"}, sending=Sending.SENT, attempts=1, seq=1),
        Outgoing("m4", "mqtt", "x", "power-b-1", LOST + timedelta(seconds=12), LOST, incident="power-b-1", body={"topic": "site/late"}, sending=Sending.UNNEEDED, attempts=1, result="over meanwhile", seq=4),
        Outgoing("m3", "mqtt", "x", "other", LOST, LOST, incident="other", seq=3),
    ]  # fmt: skip
    kept = Kept([incident()], [*numbered, later], sent)
    story = await outage_story(source(kept), (LOST, "power-b-1"))
    assert story is not None
    (event,) = story.events
    assert [told.text for told in event.lines][-1] == "R. Haugen: the generator."
    assert [(one.what, one.came) for one in story.messages] == [
        ("site/first", "handed over"), ("site/power", "given up: no route"),
        ("site/late", "not needed: over meanwhile"),
    ]  # fmt: skip
    sheet = samples.short()
    html = document(sheet, outage_page(sheet, story))
    found = check(html)
    assert (found.faults, found.open) == ([], [])
    shown = " ".join(" ".join(found.text).split())
    assert "The outage of 20 Nov 2026, 03:00:00" in shown
    assert "site/power given up: no route" in shown
    assert "data-live" not in html


async def test_the_page_of_outages_leads_to_each_and_to_older_ones() -> None:
    kept = Kept([line(n) for n in range(past.AT_ONCE + 2)])
    sheet = samples.short()
    page = await past_outages(source(kept))
    html = document(sheet, outages_page(sheet, page))
    assert check(html).faults == []
    assert html.count('href="/outages/') == past.AT_ONCE
    assert "Older ones" in html
    rest = await past_outages(source(kept), page.next)
    assert len(rest.items) == 2
    assert "Older ones" not in document(sheet, outages_page(sheet, rest, first=False))
    nothing = await past_outages(source(Kept([])))
    assert "No outage is in the journal." in document(sheet, outages_page(sheet, nothing))
