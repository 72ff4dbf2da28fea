"""The outages of all years, a page at a time; and one of them: what fed each unit, second by second, every message."""

from __future__ import annotations

from collections.abc import Sequence

from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.frame import PageFrame, clock_of, question
from api.pages.sheets.alarm_sheet import told_outage
from collector.read_model.outages.past import OutageStory, PastOutages, TellingShown, place_of
from collector.read_model.sheet import Sheet, ShownEvent
from collector.read_model.wall_clock import WallClock
from rules.phrasing.figures import capital, plural, stopwatch

ADDRESS = "/outages"


def outages_page(sheet: Sheet, past: PastOutages, *, first: bool = True) -> PageFrame:
    """Return some of the outages, newest first; `first`: none is newer."""
    clock = clock_of(sheet)
    heading = el("h1", "Outages of all years", class_="lead one")
    head = el(
        "tr",
        [
            el("th", n, class_="num" if i == 3 else None, scope="col")
            for i, n in enumerate(("when", "where", "what", "on the banks"))
        ],
    )
    rows = [el("tr", _row(sheet, event, clock)) for event in past.items]
    table: Nodes = (
        el("div", el("table", el("thead", head), el("tbody", rows), class_="tight journal"), class_="tw")
        if rows
        else el("p", "No outage is in the journal." if first else "None is older.", class_="say")
    )
    ways: list[Nodes] = [] if first else [el("a", "Newest", href=ADDRESS), " "]
    if past.next is not None:
        ways.append(el("a", "Older ones", href=f"{ADDRESS}?after={place_of(*past.next)}"))
    body = [table, el("p", ways, class_="rest") if ways else None]
    return PageFrame(
        "Outages", ADDRESS, (heading, question(None, "What happened", "Newest first.", body)), live=False
    )


def way_to(event: ShownEvent) -> str | None:
    """Return the address of an outage's story, None where it is not known by its incident."""
    if event.incident is None or event.opened is None:
        return None
    return f"{ADDRESS}/{place_of(event.opened, event.incident)}"


def _row(sheet: Sheet, event: ShownEvent, clock: WallClock) -> list[Element]:
    when, way = f"{clock.on(event.at)}, {clock.second(event.at)}", way_to(event)
    system = sheet.estate.systems.get(event.system or "")
    return [
        el("th", el("a", when, href=way) if way else when, scope="row"),
        el("td", event.system or "" if system is None else system.name),
        el("td", event.text),
        el("td", stopwatch(event.took_s) if event.took_s is not None else "goes on", class_="num"),
    ]


def outage_page(sheet: Sheet, story: OutageStory) -> PageFrame:
    """Return one outage whole."""
    clock = clock_of(sheet)
    day = f"{clock.on(story.opened)}, {clock.second(story.opened)}"
    said = f"The outage of {day}"
    why = "It is not over." if story.open else None
    heading = el("h1", said, el("span", why, class_="why") if why else None, class_="lead one")
    parts = [told_outage(sheet, event, n) for n, event in enumerate(story.events)]
    parts.append(_messages(story.messages, clock))
    way = el("p", el("a", "All outages", href=ADDRESS), class_="rest")
    return PageFrame(
        said, f"{ADDRESS}/{place_of(story.opened, story.incident)}", (heading, *parts, way), live=False
    )


def _messages(sent: Sequence[TellingShown], clock: WallClock) -> Element:
    if not sent:
        return question(None, "Who was told", None, el("p", "No message of it is kept.", class_="say"))
    rows = [
        el(
            "tr",
            el("th", f"{clock.on(one.at)}, {clock.second(one.at)}", scope="row"),
            el("td", one.who),
            el("td", one.by),
            el("td", one.what),
            el("td", one.came),
        )
        for one in sent
    ]
    head = el("tr", [el("th", n, scope="col") for n in ("when", "who", "by", "what", "what came of it")])
    table = el("div", el("table", el("thead", head), el("tbody", rows), class_="tight journal"), class_="tw")
    return question(None, "Who was told", f"{capital(plural(len(sent), 'message'))}, oldest first.", table)
