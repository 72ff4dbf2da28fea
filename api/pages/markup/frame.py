"""What every sheet has around its answer: head, way about, the word that the line is lost, safety, foot."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Final
from urllib.parse import quote

from api.pages.markup.assets import ICON, SCRIPT, STYLES
from api.pages.markup.elements import Element, Nodes, el, render, skeleton
from api.pages.markup.format import iso
from api.pages.markup.marks import emblem
from api.pages.markup.reader import proof_meta, reader_place
from api.pages.markup.svg import hatches
from collector.read_model.own_figures import OwnFigures
from collector.read_model.sheet import Sheet, ShownUnit
from collector.read_model.wall_clock import WallClock
from rules.phrasing.figures import age, plural

LIVE: Final = "/v1/live"
BEHIND_S: Final = 2.0
"""Readings that wait so long to be judged are worth a word: more than the fast cadence."""
LONG_S: Final = 60.0
SAFETY: Final = (
    "Battery banks stay live when isolated, at hundreds of volts DC. A UPS can feed back into the supply you think is "
    "dead. Isolation and battery work belong to qualified people, under the site’s permits and the maker’s "
    "instructions; local codes decide. This sheet reads and judges. It cannot switch, test or shut down a unit."
)
CAUTIONS: Final = "Before anyone touches anything"


@dataclass(frozen=True, slots=True)
class PageFrame:
    """One sheet: its title, its address, and what it answers.

    `mark` says how it is built where its own skeleton would say too much: rows may stand in another order and are still
    the same rows. `order` is theirs, by id. `bare`: without head, way about and foot. `live`: whether the stream knows it.
    """

    title: str
    address: str
    body: tuple[Element, ...]
    mark: str | None = None
    order: tuple[str, ...] = ()
    bare: bool = False
    live: bool = True


def address_of(kind: str, name: str) -> str:
    """Return the address of a system's, unit's or bank's sheet."""
    return f"/{kind}/{quote(name, safe='')}"


def slug(name: str) -> str:
    """Return a name as it may stand in an id."""
    return "".join(c if c.isascii() and c.isalnum() else f"_{ord(c):x}" for c in name)


def clock_of(sheet: Sheet) -> WallClock:
    """Return the clock of the running head: the sites' own where they share one, else UTC."""
    zones = {site.time_zone for site in sheet.estate.sites.values()}
    return WallClock(zones.pop() if len(zones) == 1 else "UTC", sheet.now)


def built(body: Sequence[Element], rows: Collection[str] = ()) -> str:
    """Return a mark of how a page is built; `rows`, by id, may stand in any order."""
    said = skeleton(el("div", body))
    return sha256("\n".join([said, *sorted(rows)]).encode()).hexdigest()[:16]


def main(page: PageFrame) -> Element:
    """Return the part of a page that answers; its skeleton says what the live stream cannot replace in it."""
    mark = page.mark
    if mark is None:
        mark = built(page.body)
    return el("main", page.body, id="main", data_skeleton=mark)


def document(sheet: Sheet, page: PageFrame, whole: Element | None = None, event: str = "") -> str:
    """Return a whole page. `whole`: its `main`, where that is built already; `event`: what the live stream calls it."""
    clock = clock_of(sheet)
    head = el(
        "head",
        el("meta", charset="utf-8"),
        el("meta", name="viewport", content="width=device-width,initial-scale=1"),
        el("meta", name="color-scheme", content="light dark"),
        proof_meta(),
        el("title", f"{page.title} · ridethrough"),
        el("link", rel="icon", href=ICON.url, type="image/svg+xml"),
        el("link", rel="stylesheet", href=STYLES.url),
        el("script", src=SCRIPT.url),
    )
    body = el(
        "body",
        hatches(),
        None if page.bare else _head(sheet, page.address),
        el("p", id="said", class_="off", role="status"),
        _feed_lost(clock.second(sheet.now)),
        whole or main(page),
        None if page.bare else _foot(sheet, clock),
        data_now=iso(sheet.now),
        data_stale_after=sheet.stale_after_s,
        data_event=event or None,
        data_live=f"{LIVE}?sheet={quote(page.address, safe='')}" if page.live else None,
    )
    return (
        "<!doctype html>\n"
        + render(el("html", head, body, lang="en-GB", class_="wall" if page.bare else None))
        + "\n"
    )


def _head(sheet: Sheet, address: str) -> list[Element]:
    """Return what stands over every sheet but the wall's: its name, its moment, the way about."""
    return [
        el("a", "Skip to the answer", class_="skip", href="#main"),
        el(
            "header",
            el("a", emblem(), "ridethrough", class_="mark", href="/"),
            el("span", sheet.title, el("em", " demonstration") if sheet.demonstration else None),
            el("span", as_of(sheet), class_="asof", id="asof", live=True),
            reader_place(),
            el(
                "button",
                "light / dark",
                id="ink",
                type="button",
                aria_label="Change between light and dark paper",
            ),
            class_="head",
        ),
        _where(sheet, address),
    ]


def _feed_lost(judged: str) -> Element:
    return el(
        "p",
        el("b", "Nothing new since ", el("span", judged, id="lost-since"), "."),
        " ",
        _lost(),
        class_="feedlost",
        role="alert",
        id="feedlost",
        hidden=True,
    )


def as_of(sheet: Sheet) -> Nodes:
    """Return the moment a sheet holds for, and how much of the estate was heard."""
    day, time, zone = clock_of(sheet).head(sheet.now)
    total = len(sheet.estate.units)
    silent = sum(_unheard(view) for view in sheet.units)
    silent += total - len(sheet.units)
    ages = [view.age_s for view in sheet.units if view.age_s is not None and view.silent_since is None]
    said = f"{total - silent} of {total} unit{'' if total == 1 else 's'} answer"
    if sheet.own and ages and min(ages) > sheet.stale_after_s:  # nothing but what an earlier run read
        said, ages = f"none of {total} unit{'' if total == 1 else 's'} read since {age(min(ages))} ago", []
    newest = f", newest {age(min(ages))} old" if ages else ""
    return [
        f"{day}, ",
        el("b", time),
        f" local ({zone}) · {said}{newest}",
        f", {silent} silent" if silent else "",
        f", readings wait {sheet.own.wait_s:.0f} s to be judged" if sheet.own and behind(sheet.own) else "",
    ]


def _unheard(view: ShownUnit) -> bool:
    """Return whether a unit's card does not answer; one that nobody has asked yet is not called silent."""
    never = view.reading is None and not (view.unread is not None and view.unread.ours)
    return view.silent_since is not None or never


def behind(own: OwnFigures) -> bool:
    """Return whether the service itself is so late that whoever reads a sheet should know."""
    return own.wait_s >= BEHIND_S


def question(number: int | None, title: str, reading: Nodes, *body: Nodes, id_: str | None = None) -> Element:
    """Return one question: its number, how to read it, and the answer."""
    return el(
        "section",
        el(
            "header",
            el("span", str(number), class_="n") if number else None,
            el("div", el("h2", title)),
            el("p", reading) if reading else None,
        ),
        el("div", body, class_="body"),
        class_="q",
        id=id_ or (f"q{number}" if number else None),
    )


NAMED_UP_TO: Final = 8
"""Of an estate of more systems the way about names only the one at hand."""


def _where(sheet: Sheet, here: str) -> Element:
    inside = _within(sheet, here)
    ways = [("/", "All systems")]
    systems = [(address_of("systems", s.id), s.name) for s in sheet.estate.systems.values()]
    ways += [way for way in systems if len(systems) <= NAMED_UP_TO or way[0] == inside]
    ways += [("/plans", "If we switch off"), ("/banks", "Banks"), ("/alarms", "Alarms and outages")]
    links = [
        el(
            "a",
            words,
            href=href,
            aria_current=("page" if href == here else "true") if href == inside else None,
        )
        for href, words in ways
    ]
    return el("nav", links, class_="where", aria_label="Sheets")


def _within(sheet: Sheet, here: str) -> str:
    """Return the sheet named in the way about that a sheet belongs to."""
    if here.startswith("/?"):
        return "/"
    if here.startswith("/plans"):
        return "/plans"
    if here.startswith("/banks/"):
        return "/banks"
    if here.startswith("/units/"):
        unit = here.removeprefix("/units/")
        owner = next((u.system for u in sheet.estate.units.values() if quote(u.id, safe="") == unit), None)
        return address_of("systems", owner) if owner else here
    return here


def _lost() -> Element:
    return el(
        "span",
        "The line to the service is down; what follows is ",
        el("span", "older than it should be", id="lost-for"),
        " old and may be wrong by now. Trying again every 10 s.",
    )


def cautions() -> Element:
    """Return the way to the cautions that stand at the foot of every sheet, for whoever is about to begin work."""
    return el("a", f"{CAUTIONS}: read the foot of this sheet", href="#safety")


def _foot(sheet: Sheet, clock: WallClock) -> Element:
    stale = f"stale after {sheet.stale_after_s:.0f} s without news"
    systems, units = len(sheet.estate.systems), len(sheet.estate.units)
    version = f" (version {sheet.estate_version})" if sheet.estate_version else ""
    named = f"Estate file {sheet.estate_file}{version}, " if sheet.estate_file else ""
    return el(
        "footer",
        el("div", el("b", CAUTIONS), el("p", SAFETY), class_="safety", id="safety"),
        el(
            "p",
            el(
                "span",
                f"Sheet judged {clock.on(sheet.now)}, {clock.second(sheet.now)}; {stale}",
                id="judged",
                live=True,
            ),
            el("span", f"{named}{plural(systems, 'system')}, {plural(units, 'unit')}"),
            el("span", _keeping_up(sheet.own), id="own", live=True) if sheet.own else None,
            el(
                "span",
                "Figures that favour us are rounded down, figures that count against us are rounded up",
            ),
            class_="foot small",
        ),
    )


def _keeping_up(own: OwnFigures) -> str:
    """Return how the service itself keeps up: how old what it knows is, and what waits."""
    parts = []
    if own.oldest_reading_s is not None:
        parts.append(f"oldest reading {age(own.oldest_reading_s)} old")
    parts.append(
        f"readings wait {own.wait_s:.0f} s to be judged" if behind(own) else "readings are judged at once"
    )
    parts.append(f"{own.late:,} of {own.polls:,} polls late since the start")
    if own.background_s >= LONG_S:
        waits = "waits" if own.background_count == 1 else "wait"
        parts.append(
            f"{plural(own.background_count, 'question')} to the judge {waits}, for {age(own.background_s)}"
        )
    return f"ridethrough itself: {', '.join(parts)}"
