"""The sheet of alarms and outages: what stands, what is gone unseen, what is shelved, and what past outages taught."""

from __future__ import annotations

from collections.abc import Sequence

from api.pages.alarms.alarm_list import (
    ASIDE,
    GONE,
    SHELVED,
    brief,
    in_state,
    sentence,
    standing,
    tally,
    together,
    wrong,
)
from api.pages.alarms.on_call import on_call
from api.pages.alarms.undelivered import undelivered
from api.pages.hold_up.mains_return import returned
from api.pages.hold_up.unit_tracks import track
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.frame import PageFrame, clock_of, question
from api.pages.markup.marks import Standing, line_mark
from collector.read_model.outages.past import place_of
from collector.read_model.sheet import Sheet, ShownAlarm, ShownEvent
from collector.read_model.wall_clock import WallClock
from rules.phrasing.figures import capital, plural, stopwatch


def alarms_page(sheet: Sheet) -> PageFrame:
    """Return the sheet of alarms and outages."""
    clock = clock_of(sheet)
    parts: list[Element | None] = [_lead(sheet), wrong(sheet, sheet.alarms, clock, linked=False)]
    parts += [on_call(sheet, clock), undelivered(sheet, clock)]
    parts.append(_more(sheet, "Gone, but seen by nobody", None, in_state(sheet.alarms, GONE), clock))
    parts.append(
        _more(
            sheet,
            "Shelved",
            "Still judged, not told. Comes back by itself.",
            in_state(sheet.alarms, SHELVED),
            clock,
            class_="shelved",
        )
    )
    for state, words in ASIDE.items():
        quiet = in_state(sheet.alarms, state)
        if quiet:
            slug = state.replace("_", "-")
            listed_ = el("div", brief(quiet, clock), id=f"alarms-{slug}", live=True)
            parts.append(question(None, capital(words), "Still judged, not told.", listed_, id_=f"q-{slug}"))
    outages = sorted((e for e in sheet.events if e.kind == "outage"), key=lambda e: e.at, reverse=True)
    if outages:
        parts.append(told_outage(sheet, outages[0]))
    parts += [returned(sheet, tuple(sheet.estate.supplies)), _journal(sheet, clock)]
    return PageFrame("Alarms and outages", "/alarms", tuple(part for part in parts if part))


def _lead(sheet: Sheet) -> Element:
    stand = standing(sheet.alarms)
    mark: Standing = "short" if any(a.severity in {"critical", "major"} for a in stand) else "holds"
    critical = sum(a.severity == "critical" for a in stand)
    why = [f"{critical} critical" if critical else "no alarm stands critical"]
    incidents = {a.incident for a in stand if a.incident}
    why.append(plural(len(incidents), "incident") + " open" if incidents else "no incident open")
    row = el(
        "span",
        line_mark(mark),
        el("span", tally(sheet), el("span", " · ".join(why), class_="why")),
        class_="row",
    )
    return el("h1", row, class_="lead", id="lead", live=True)


def _more(
    sheet: Sheet,
    title: str,
    reading: str | None,
    alarms: Sequence[ShownAlarm],
    clock: WallClock,
    *,
    class_: str = "",
) -> Element | None:
    if not alarms:
        return None
    rows = [sentence(sheet, same, clock, None) for same in together(alarms)]
    slug = title.split(",", 1)[0].replace(" ", "-").lower()
    listed = el("ol", rows, class_=f"say-list {class_}".strip())
    return question(None, title, reading, el("div", listed, id=f"alarms-{slug}", live=True), id_=f"q-{slug}")


def told_outage(sheet: Sheet, event: ShownEvent, number: int = 0) -> Element:
    """Return an outage of one system: what fed each unit, second by second, and what was foretold of it."""
    system = sheet.estate.systems.get(event.system or "")
    clock = WallClock(sheet.site(system.id).time_zone, sheet.now) if system else clock_of(sheet)
    name = f"{system.name}. " if system else ""
    parts: list[Nodes] = [el("p", event.text, class_="prose answer")]
    if event.fed:
        parts.append(track(event, clock))
    columns: list[Nodes] = []
    if event.lines:
        story = [
            el("li", el("time", clock.second(line.at), class_="f"), el("span", line.text))
            for line in event.lines
        ]
        columns.append(el("div", el("h3", "Second by second"), el("ol", story, class_="log")))
    if event.foretold:
        columns.append(_foretold(sheet, event))
    if columns:
        parts.append(el("div", columns, class_="two below"))
    return question(
        None,
        f"The outage of {clock.on(event.at)}",
        f"{name}Each line is a unit; its height says what fed it.",
        el("div", parts, id="last-outage" if not number else f"outage-{number}-told", live=True),
        id_="outage" if not number else f"outage-{number}",
    )


def _foretold(sheet: Sheet, event: ShownEvent) -> Element:
    rows = [
        el(
            "tr",
            el("th", f.what, scope="row"),
            el("td", f.predicted),
            el("td", f.happened),
            el(
                "td",
                f.remark or {True: "inside", False: "outside", None: "–"}[f.inside],
                class_="short-ink" if f.inside is False else None,
            ),
        )
        for f in event.foretold
    ]
    head = el("tr", [el("th", n, scope="col") for n in ("what", "predicted", "happened", "")])
    parts: list[Nodes] = [
        el("div", el("table", el("thead", head), el("tbody", rows), class_="tight"), class_="tw")
    ]
    if event.notices is not None:
        sent = (
            f" {capital(plural(event.messages, 'notice'))} went to people."
            if event.messages is not None and sheet.tells
            else ""
        )
        parts.append(el("p", f"{capital(plural(event.notices, 'alarm'))} hung on it.{sent}", class_="small"))
    return el("div", el("h3", "Predicted, and what happened"), parts)


def _journal(sheet: Sheet, clock: WallClock) -> Element:
    events = sorted(sheet.events, key=lambda e: e.at, reverse=True)[:40]
    if not events:
        return question(
            None,
            "What happened before",
            None,
            el("div", el("p", "No power event is in the journal.", class_="say"), id="journal", live=True),
        )
    rows = [
        el(
            "tr",
            el("th", _when(e, clock), scope="row"),
            el(
                "td",
                sheet.estate.systems[e.system].name if e.system and e.system in sheet.estate.systems else "",
            ),
            el("td", e.text),
            el("td", stopwatch(e.took_s) if e.took_s is not None else "", class_="num"),
        )
        for e in events
    ]
    head = el(
        "tr",
        [
            el("th", n, class_="num" if i == 3 else None, scope="col")
            for i, n in enumerate(("when", "where", "what", "on the banks"))
        ],
    )
    table = el("div", el("table", el("thead", head), el("tbody", rows), class_="tight journal"), class_="tw")
    every = el("p", el("a", "The outages of all years", href="/outages"), class_="rest")
    return question(
        None, "What happened before", "Newest first.", el("div", table, id="journal", live=True), every
    )


def _when(event: ShownEvent, clock: WallClock) -> Nodes:
    """Return when something happened, as a way to its story where it has one."""
    words = f"{clock.on(event.at)}, {clock.second(event.at)}"
    if event.incident is None or event.opened is None:
        return words
    return el("a", words, href=f"/outages/{place_of(event.opened, event.incident)}")
