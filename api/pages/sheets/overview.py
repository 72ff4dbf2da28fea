"""The overview: all six questions answered in a row a system, then, of a small estate, in depth.

While a system is on its banks it comes first, question 1 then 3, and the others shrink to a sentence. The page
returns to its order when the outage is over.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from api.pages.alarms.alarm_list import wrong
from api.pages.banks import section as bank_section
from api.pages.estate.first_days import first_days, nothing_shown
from api.pages.estate.heads import CLOSE, TALL, axis_row, heads, key
from api.pages.estate.heard_sites import heard_sites
from api.pages.estate.row_fan import row_axis
from api.pages.estate.rows import row_id, table
from api.pages.estate.site_list import estate_page, is_large, order_of
from api.pages.estate.tall_rows import MOST, tall_table
from api.pages.estate.tally import lead as lead_of
from api.pages.hold_up import outage as outage_section
from api.pages.hold_up import section as hold_up_section
from api.pages.hold_up.lanes import lanes
from api.pages.hold_up.score import score_section
from api.pages.hold_up.sentences import Judged, aside, judged, opening, ordered
from api.pages.markup.elements import Element, el
from api.pages.markup.frame import PageFrame, address_of, built, clock_of, question
from api.pages.plans import shutdown as shutdown_section
from api.pages.sheets.during import what_to_do
from api.pages.units import redundancy as redundancy_section
from api.pages.units.isolation import overview as isolations
from collector.read_model.rows.site_rows import Asked, worst_first
from collector.read_model.rows.system_row import system_rows
from collector.read_model.sheet import Sheet

EVERYTHING: Final = Asked()
PAPER: Final = "This table has every system. What follows draws those that do not hold, with the first things to do and to order."
LIT_IN_FULL: Final = 3
"""Of a large estate so many systems on their banks are shown in full; more lead the list as lines."""


def subjects_of(sheet: Sheet) -> list[Judged]:
    """Return every system that has a state, ready to be put into words."""
    return ordered([judged(sheet, state) for state in sheet.systems if state.id in sheet.estate.systems])


def lead(subjects: Sequence[Judged]) -> Element:
    """Return the opening: a verdict for every system."""
    rows = [el("li", opening(s, address_of("systems", s.state.id))) for s in subjects]
    return el("div", el("ul", rows, class_="lead"), id="lead", live=True)


def index_page(sheet: Sheet, asked: Asked = EVERYTHING) -> PageFrame:
    """Return the overview, or the part of it that is asked for."""
    subjects = subjects_of(sheet)
    lit = [s for s in subjects if s.state.on_battery]
    if is_large(sheet) or asked.anything:
        return _large(sheet, lit, asked)
    heading = el("h1", f"Standby power of {sheet.title}", class_="off")
    if not subjects:
        nothing = el(
            "p", "Nothing has been judged yet: the first readings are on their way.", class_="waiting"
        )
        return PageFrame("All systems", "/", tuple(p for p in (heading, heard_sites(sheet), nothing) if p))
    if lit:
        return PageFrame(
            "On battery",
            "/",
            (heading, *_during(sheet, lit, [s for s in subjects if not s.state.on_battery])),
        )
    depth = _depth(sheet, subjects)
    rows, order = _first_screen(sheet, subjects, {part.attribute("id") for part in depth})
    mark = built(depth, order)
    above = [part for part in (heard_sites(sheet),) if part]
    return PageFrame("All systems", "/", (*above, *rows, *depth), mark, order)


def _first_screen(
    sheet: Sheet, subjects: Sequence[Judged], below: set[str | None]
) -> tuple[list[Element], tuple[str, ...]]:
    """Return the opening and a row a system, and the rows' order."""
    rows = worst_first(system_rows(sheet))
    axis = row_axis(rows)
    leads = {n: f"#q{n}" for n in range(1, 7) if f"q{n}" in below}
    order = order_of(sheet, "worst first", "/")
    if len(rows) <= MOST:
        states = {s.state.id: s for s in subjects}
        table_ = tall_table(sheet, [(row, states.get(row.id)) for row in rows], axis)
        parts = [heads(TALL, leads, order), axis_row(axis, close=False), table_]
    else:
        parts = [
            key(axis),
            heads(CLOSE, leads, order),
            axis_row(axis),
            table(sheet, rows, axis, "Every system", sited=True),
            el("p", PAPER, class_="on-paper"),
        ]
    screen = el("div", parts, class_=f"screen {TALL if len(rows) <= MOST else CLOSE}")
    return [lead_of(sheet, rows), screen], tuple(row_id(row) for row in rows)


def _depth(sheet: Sheet, subjects: Sequence[Judged]) -> list[Element]:
    steps = first_days(sheet)
    early = nothing_shown(sheet.begun)
    parts = [
        steps if early else None,
        hold_up_section.overview(sheet, subjects, said=len(sheet.estate.systems) > MOST),
        redundancy_section.overview(sheet, subjects),
        wrong(sheet, sheet.alarms, clock_of(sheet)),
        bank_section.overview(sheet),
        isolations(sheet),
        shutdown_section.overview(sheet, brief=len(sheet.estate.systems) > MOST),
        None if early else steps,
        score_section(sheet),
    ]
    return [part for part in parts if part]


def _large(sheet: Sheet, lit: Sequence[Judged], asked: Asked) -> PageFrame:
    """Return a large estate: what is on its banks above all sites, as long as that is one system or a few."""
    if not lit or len(lit) > LIT_IN_FULL or asked.anything:
        return estate_page(sheet, asked)
    before = [lead(lit)]
    for subject in lit:
        before += _outage_of(sheet, subject, named=len(lit) > 1)
    before += what_to_do(sheet, lit, [a for s in lit for a in sheet.alarms_of(s.state.id)] or sheet.alarms)
    return estate_page(sheet, asked, before)


def _outage_of(sheet: Sheet, subject: Judged, *, named: bool) -> list[Element]:
    """Return what is shown of a system on its banks beside what to do: how long it holds, what feeds it, whom to call."""
    parts = [
        outage_section.outage(sheet, subject, named=named),
        lanes(sheet, subject),
    ]
    return [part for part in parts if part]


def _during(sheet: Sheet, lit: Sequence[Judged], others: Sequence[Judged]) -> list[Element]:
    parts = [part for part in (heard_sites(sheet), lead(lit)) if part]
    for subject in lit:
        parts += _outage_of(sheet, subject, named=len(lit) > 1)
    ids = {s.state.id for s in lit}
    # The others' stand with them; what is about the service itself has no other place.
    elsewhere = {a.id for s in others for a in sheet.alarms_of(s.state.id)}
    elsewhere -= {a.id for name in ids for a in sheet.alarms_of(name)}
    mine = [a for a in sheet.alarms if a.id not in elsewhere]
    parts += what_to_do(sheet, lit, mine or sheet.alarms)
    planned = shutdown_section.overview(sheet, {name for name in ids if shutdown_section.runs(sheet, name)})
    if planned:
        parts.append(planned)
    if others:
        rest = el("div", [aside(s) for s in others], id="others", live=True)
        parts.append(question(None, "The others", None, rest))
    return parts
