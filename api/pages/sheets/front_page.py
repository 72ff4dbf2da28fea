"""The first page of a printed report: how things stand, what is to be ordered by when, and what it costs; read in a minute."""

from __future__ import annotations

from typing import Final

from api.pages.estate import tally
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.format import with_figures
from api.pages.markup.frame import question
from api.pages.markup.marks import line_mark
from collector.read_model.rows.system_row import system_rows
from collector.read_model.sheet import Sheet
from collector.read_model.wall_clock import WallClock
from rules.phrasing.figures import capital, plural
from rules.phrasing.reasons import say
from rules.planning.programme.programme import Job, Programme, ProgrammeRow

ORDERS: Final = 14
"""So many have room on a sheet beside the rest; more are counted."""
SMALL: Final = 3
HEAD: Final = ("order by", "what", "where", "in place by", "budget year", "cost")


def front_page(sheet: Sheet, programme: Programme) -> Element:
    """Return the page."""
    rows = system_rows(sheet)
    mark, said = tally.sentence(rows)
    first = tally.what_first(sheet, rows)
    orders = sorted(
        (row for row in programme.rows if row.job in {Job.REPLACE_BANK, Job.REPLACE_UNIT}),
        key=lambda row: (row.order_by or row.due, row.uid),
    )
    parts: list[Nodes] = [
        el("p", line_mark(mark), " ", said, [" ", el("b", first)] if first else None, class_="say"),
        el("h3", "To order"),
        _orders(sheet, programme, orders),
        el("h3", "Budget"),
        _budget(programme, orders),
    ]
    if programme.too_small:
        small = [el("li", list(with_figures(say(one)))) for one in programme.too_small[:SMALL]]
        more = len(programme.too_small) - SMALL
        rest = el("li", f"{plural(more, 'bank')} more; the programme names them.") if more > 0 else None
        parts += [el("h3", "A decision is wanted"), el("ul", small, rest, class_="rests-on")]
    if programme.undated:
        undated = f"{capital(plural(len(programme.undated), 'job'))} cannot be dated; the programme says why."
        parts.append(el("p", undated, class_="rest"))
    as_of = f"As of {WallClock.day(programme.as_of)}. What it rests on follows."
    return el("div", question(None, "In a minute", as_of, el("div", parts), id_="front"), class_="front")


def _orders(sheet: Sheet, programme: Programme, orders: list[ProgrammeRow]) -> Nodes:
    if not orders:
        return el("p", "Nothing that can be dated is to be ordered.", class_="say")
    head = el("tr", [el("th", name, scope="col", class_="num" if name == "cost" else None) for name in HEAD])
    body = el("tbody", [_order(sheet, programme, row) for row in orders[:ORDERS]])
    more = len(orders) - ORDERS
    rest = el("p", f"{more} more in the programme.", class_="rest") if more > 0 else None
    return [el("div", el("table", el("thead", head), body, class_="tight"), class_="tw"), rest]


def _order(sheet: Sheet, programme: Programme, row: ProgrammeRow) -> Element:
    now = row.order_by is not None and row.order_by <= programme.as_of
    site = sheet.estate.sites.get(row.site)
    by = "" if row.order_by is None else "now" if now else WallClock.day(row.order_by)
    return el(
        "tr",
        el("th", by, scope="row", class_="short-ink" if now or row.overdue else None),
        el("td", say(row.what)),
        el("td", row.site if site is None else site.name),
        el("td", WallClock.day(row.due), ", overdue" if row.overdue else None),
        el("td", row.budget_year),
        el("td", "" if row.cost is None else f"{row.cost:,.0f}", class_="num"),
    )


def _budget(programme: Programme, orders: list[ProgrammeRow]) -> Element:
    """Return what each budget year costs, and what of it has no price."""
    if not programme.budget:
        return el(
            "p", "No price is declared, so no cost can be told ([budget] of the estate file).", class_="say"
        )
    sums: list[Nodes] = [el("b", f"{year}: {cost:,.0f}") for year, cost in programme.budget]
    words: list[Nodes] = [[one, "; " if place < len(sums) - 1 else "."] for place, one in enumerate(sums)]
    left = sum(row.cost is None for row in orders)
    without = f" {capital(plural(left, 'order'))} without a declared price." if left else None
    return el("p", words, without, class_="say")
