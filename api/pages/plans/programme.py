"""What must be replaced, serviced and tested, by date: a table, what it costs by budget year, what has no date."""

from __future__ import annotations

from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.format import with_figures
from api.pages.markup.frame import question
from collector.read_model.sheet import Sheet
from collector.read_model.wall_clock import WallClock
from rules.phrasing.figures import capital, count, plural
from rules.phrasing.programme_text import discharge_words
from rules.phrasing.reasons import say
from rules.planning.programme.discharge_visits import DischargeVisit
from rules.planning.programme.programme import Programme, ProgrammeRow

HEAD = ("by", "order by", "what", "site", "why", "budget year", "cost", "visit")


def whole(sheet: Sheet, programme: Programme) -> Element:
    """Return the programme."""
    costs = any(row.cost is not None for row in programme.rows)
    head = el("tr", [el("th", name, scope="col") for name in HEAD])
    rows = [_row(sheet, row) for row in programme.rows]
    table = el(
        "div", el("table", el("thead", head), el("tbody", rows), class_="tight programme"), class_="tw"
    )
    parts: list[Nodes] = [
        el("p", with_figures_of(_said(programme)), class_="prose answer"),
        table if rows else None,
    ]
    if costs:
        sums = [el("li", f"{year}: {cost:,.0f}") for year, cost in programme.budget]
        parts += [el("h3", "Cost by budget year"), el("ul", sums, class_="rests-on")]
    if programme.visits:
        parts += [el("h3", "Discharges that pay, by visit"), [_visit(sheet, one) for one in programme.visits]]
    if programme.too_small:
        small = [el("li", with_figures_of(say(one))) for one in programme.too_small]
        parts += [el("h3", "Too small, not worn"), el("ul", small, class_="rests-on")]
    if programme.undated:
        left = [el("li", with_figures_of(say(one))) for one in programme.undated]
        parts += [el("h3", "Without a date"), el("ul", left, class_="rests-on")]
    return question(
        None,
        "What must be replaced, serviced and tested",
        "Jobs at one site that fall close together are best done in one visit.",
        el("div", parts),
        id_="programme",
    )


def _visit(sheet: Sheet, visit: DischargeVisit) -> list[Nodes]:
    """Return a visit: its day and site, then what is done with each bank, what that buys and what it risks."""
    site = sheet.estate.sites.get(visit.site)
    head = f"{WallClock.day(visit.on)}, {visit.site if site is None else site.name}"
    banks = [
        el("li", [el("p", with_figures_of(words)) for words in discharge_words(one)])
        for one in visit.discharges
    ]
    return [el("p", el("b", head), class_="prose"), el("ul", banks, class_="rests-on")]


def with_figures_of(text: str) -> list[Nodes]:
    """Return a sentence with its quantities set apart."""
    return list(with_figures(text))


def _said(programme: Programme) -> str:
    late = sum(row.overdue for row in programme.rows)
    order = sum(
        row.order_by is not None and row.order_by <= programme.as_of < row.due for row in programme.rows
    )
    said = f"{capital(plural(len(programme.rows), 'job'))} as of {WallClock.day(programme.as_of)}"
    if late:
        said += f", {count(late)} of them past {'its' if late == 1 else 'their'} day"
    if order:
        said += f"; {plural(order, 'order')} to be placed now"
    return said + "."


def _row(sheet: Sheet, row: ProgrammeRow) -> Element:
    site = sheet.estate.sites.get(row.site)
    late = "short-ink" if row.overdue else None
    cells: tuple[Nodes, ...] = (
        "" if row.order_by is None else WallClock.day(row.order_by),
        say(row.what),
        row.site if site is None else site.name,
        say(row.because),
        row.budget_year,
        "" if row.cost is None else f"{row.cost:,.0f}",
        "" if row.visit is None else row.visit,
    )
    due = el("th", WallClock.day(row.due), ", past" if row.overdue else None, scope="row", class_=late)
    return el("tr", due, [el("td", cell) for cell in cells])
