"""While a system is on its banks: a line a unit, what feeds it and since when, what is expected, and whom to call."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from api.pages.hold_up.sentences import Judged
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.format import remaining, since
from api.pages.markup.frame import question, slug
from api.pages.markup.marks import Standing, line_mark
from api.pages.markup.svg import Axis, line, rect, svg, text
from collector.read_model.outages.chores import parted
from collector.read_model.outages.feeds import FedBy, UnitFeed, fed_again, unit_feeds
from collector.read_model.sheet import Sheet, ShownAlarm
from collector.read_model.wall_clock import WallClock
from rules.phrasing.figures import capital, count, plural
from rules.system.state import OnBattery

WORDS: Final = {
    FedBy.SUPPLY: "fed by mains or generator",
    FedBy.BANK: "on its bank",
    FedBy.BYPASS: "on bypass, no bank behind it",
    FedBy.NOTHING: "off",
    FedBy.UNKNOWN: "not heard",
}
MARKS: Final[dict[FedBy, Standing]] = {
    FedBy.SUPPLY: "holds",
    FedBy.BANK: "battery",
    FedBy.BYPASS: "short",
    FedBy.NOTHING: "short",
    FedBy.UNKNOWN: "unknown",
}
LEAD_S: Final = 60.0
AFTER_S: Final = 60.0
HIGH: Final = 30.0
NUMBER: Final = re.compile(r"[^\d+]")


def lanes(sheet: Sheet, subject: Judged) -> Element | None:
    """Return what feeds each unit of a system that is on its banks, or None for one that is not."""
    on = subject.state.on_battery
    feeds = unit_feeds(sheet, subject.state.id)
    if on is None or not feeds:
        return None
    start = on.since - timedelta(seconds=LEAD_S)
    end = max(sheet.now + timedelta(seconds=AFTER_S), on.ends_earliest or sheet.now)
    axis = Axis((end - start).total_seconds() * 1.02)
    clockwork = _Course(subject, on, start, axis)
    rows = [_lane(clockwork, feed) for feed in feeds]
    name = slug(subject.state.id)
    return question(
        None,
        "What feeds each unit",
        "Black: mains or generator. Blue: its own bank. Dotted: what is expected from now on.",
        el(
            "div",
            el("p", said(feeds), class_="prose answer"),
            el("ol", rows, class_="lanes"),
            id=f"lanes-{name}",
            live=True,
        ),
        id_=f"feeds-{name}",
    )


def said(feeds: Sequence[UnitFeed]) -> str:
    """Return how far a system has come back: "Two of three units are fed again; unit W3 is on its bank."."""
    lost = [feed for feed in feeds if feed.lost]
    again, on = fed_again(feeds), [feed.unit for feed in feeds if feed.by is FedBy.BANK]
    if not lost:
        return "No unit is seen on its bank."
    if not again and not on:
        return f"{_unheard(len(lost))}."
    if not again:
        fed = len(feeds) - len(on)
        beside = f"; {plural(fed, 'unit')} of {count(len(feeds))} not" if fed else ""
        return (
            f"{capital(plural(len(on), 'unit'))} on {'its bank' if len(on) == 1 else 'their banks'}{beside}."
        )
    words = (
        f"{capital(count(again))} of {plural(len(lost), 'unit')} {'is' if again == 1 else 'are'} fed again"
    )
    return f"{words}; {_names(on)} on {'its bank' if len(on) == 1 else 'their banks'}." if on else f"{words}."


def _unheard(units: int) -> str:
    """Say of units that were last seen on their banks that nothing is heard of them now."""
    whose, verb = ("its bank", "is") if units == 1 else ("their banks", "are")
    return f"{capital(plural(units, 'unit'))} last seen on {whose} {verb} not heard now"


def _names(units: Sequence[str]) -> str:
    return f"unit {units[0]} is" if len(units) == 1 else f"units {', '.join(units[:-1])} and {units[-1]} are"


@dataclass(frozen=True, slots=True)
class _Course:
    """An outage along its axis."""

    subject: Judged
    on: OnBattery
    start: datetime
    axis: Axis

    @property
    def now(self) -> datetime:
        return self.subject.now

    def at(self, moment: datetime) -> float:
        """Return the place of a moment on the axis, in s."""
        return max((moment - self.start).total_seconds(), 0.0)


def _lane(course: _Course, feed: UnitFeed) -> Element:
    return el(
        "li",
        el("b", f"unit {feed.unit}"),
        _rail(course, feed),
        el(
            "div",
            el("p", line_mark(MARKS[feed.by]), " ", WORDS[feed.by], class_="wm"),
            el("p", _since(course, feed)),
            class_="st",
        ),
        class_="lane",
    )


def _since(course: _Course, feed: UnitFeed) -> Nodes:
    if feed.since is None:
        return (
            "never lost its supply"
            if feed.by is FedBy.SUPPLY and not feed.lost
            else "since when is not known"
        )
    clock = course.subject.clock
    parts: list[Nodes] = [f"since {clock.second(feed.since)}, ", since(feed.since, course.now)]
    if feed.due_back is not None:
        parts.append(
            ["; due back in ", remaining(feed.due_back, course.now), ", as declared"]
            if feed.due_back > course.now
            else f"; was due back {clock.second(feed.due_back)}, as declared"
        )
    return parts


def _rail(course: _Course, feed: UnitFeed) -> Element:
    """Return a unit's line: what fed it up to now, what is expected, and where its system ends at the earliest."""
    axis, ends = course.axis, course.on.ends_earliest
    now = course.at(course.now)
    parts: list[Element] = []
    for n, span in enumerate(feed.spans):
        begin = course.at(span.at)
        until = course.at(feed.spans[n + 1].at) if n + 1 < len(feed.spans) else now
        if until <= begin:
            continue
        if span.by in {FedBy.SUPPLY, FedBy.BYPASS}:
            parts.append(rect(axis.x(begin), 14, axis.width(begin, until), 6, "onsupply"))
        elif span.by is FedBy.BANK:
            parts.append(rect(axis.x(begin), 8, axis.width(begin, until), 18, "onbanks"))
    parts.append(line(axis.x(now), 17, "100%", 17, "idle"))
    parts.append(line(axis.x(now), 0, axis.x(now), HIGH, "nowline"))
    if feed.by is FedBy.BANK and ends is not None and ends > course.now:
        x, words = axis.x(course.at(ends)), f"ends {course.subject.clock.second(ends)} at the earliest"
        parts.append(line(x, 2, x, HIGH, "flagline due"))
        parts.append(text(x, 11, words, dx=-6, end=True, class_="short for-wide"))
    return el("div", svg(HIGH, parts, name=f"unit {feed.unit}: {WORDS[feed.by]}"), class_="rail")


def whom_to_call(sheet: Sheet, subject: Judged) -> Element | None:
    """Return whom to call about a system on its banks, their numbers as links, and who was told so far."""
    known = sheet.outages.get(subject.state.id)
    people = () if known is None else known.call
    mine = parted(sheet, subject.state.id, sheet.alarms_of(subject.state.id))[0]
    told = list(dict.fromkeys(t.who for alarm in mine for t in alarm.told))
    if not people and not told:
        return None
    rows = []
    called = set()
    for one in people:
        name, _, number = one.rpartition(", ")
        called.add(name)
        rows.append(
            el(
                "tr",
                el("th", name, scope="row"),
                el("td", telephone(number)),
                el("td", _told(mine, subject.clock, name)),
            )
        )
    rows += [
        el(
            "tr",
            el("th", name, scope="row"),
            el("td", el("span", "no number in the estate file", class_="soft")),
            el("td", _told(mine, subject.clock, name)),
        )
        for name in told
        if name not in called
    ]
    head = el("tr", [el("th", word, scope="col") for word in ("who", "number", "told, and what came back")])
    table = el("table", el("thead", head), el("tbody", rows), class_="stack call")
    name = slug(subject.state.id)
    return question(
        None,
        "Whom to call",
        "In the order of the estate file. Numbers are links.",
        el("div", table, class_="tw", id=f"call-{name}", live=True),
        id_=f"whom-{name}",
    )


def _told(alarms: Sequence[ShownAlarm], clock: WallClock, name: str) -> str:
    found = [t for alarm in alarms for t in alarm.told if t.who == name]
    if not found:
        return "not told yet"
    last = max(found, key=lambda t: t.at)
    came = ", handed over" if last.handed_over else f", {last.result}" if last.result else ""
    return f"{last.by} {clock.at(last.at)}{came}"


def telephone(number: str) -> Element:
    """Return a number as a link that calls it."""
    return el("a", number, href=f"tel:{NUMBER.sub('', number)}", class_="nb")
