"""What people should have been told and were not: messages given up, and those that wait after a try that failed."""

from __future__ import annotations

from api.pages.markup.elements import Element, el
from api.pages.markup.frame import question
from collector.read_model.sheet import Sheet
from collector.read_model.telling import Undelivered
from collector.read_model.wall_clock import WallClock
from rules.phrasing.figures import count


def undelivered(sheet: Sheet, clock: WallClock) -> Element | None:
    """Return the messages that did not arrive as a table, newest first; None when all did."""
    if not sheet.undelivered:
        return None
    head = el(
        "tr", [el("th", name, scope="col") for name in ("when", "who", "by", "what", "what came of it")]
    )
    rows = [_row(one, clock) for one in sheet.undelivered]
    table = el("table", el("thead", head), el("tbody", rows), class_="tight journal")
    return question(
        None,
        "Not delivered",
        "Tell them by other means. Newest first, of the last 30 days.",
        el("div", el("div", table, class_="tw"), id="undelivered", live=True),
        id_="q-undelivered",
    )


def _row(one: Undelivered, clock: WallClock) -> Element:
    tries = "one try" if one.tries == 1 else f"{count(one.tries)} tries"
    came = "Given up" if one.given_up else f"Waits; {tries} failed"
    return el(
        "tr",
        el("th", f"{clock.on(one.at)}, {clock.second(one.at)}", scope="row"),
        el("td", one.who),
        el("td", one.by),
        el("td", one.what),
        el("td", f"{came}: {one.result}" if one.result else came),
    )
