"""A maker's table pasted in a form: held to the same as the estate file's, what would be said by it, and the line for that file."""

from __future__ import annotations

from dataclasses import replace
from typing import Final, Literal, TypeAlias

from api.pages.hold_up.minute_graph import graph
from api.pages.hold_up.section import axis_for, picture
from api.pages.hold_up.sentences import Judged, judged
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.frame import PageFrame, address_of, question
from api.pages.markup.marks import evidence
from api.pages.markup.svg import Axis
from collector.read_model.answers import TriedTable
from collector.read_model.sheet import Sheet
from rules.phrasing.figures import CANNOT_TELL, listed, spoken
from rules.system.state import HoldUp, HoldUps

LONGEST: Final = 4000
"""Characters of a pasted table."""
Per: TypeAlias = Literal["cell", "block"]
"""What the watts of a pasted table are of."""
EXAMPLE: Final = "5   66.0\n10  43.0\n15  33.0\n30  19.5"


def way_to_table(bank: str) -> str:
    """Return the address of the form for a bank."""
    return f"{address_of('banks', bank)}/table"


def _times(cells: int) -> str:
    return f", which here is {cells} cells" if cells > 1 else ""


def _per(per: Per, cells: int) -> Element:
    """Return the choice of what the watts are of."""
    named: tuple[tuple[Per, str], ...] = (("cell", "per cell"), ("block", f"per block of {cells} cells"))
    options = [el("option", words, value=value, selected=value == per) for value, words in named]
    return el("select", options, id="per", name="per")


def table_page(
    sheet: Sheet, bank: str, text: str, tried: TriedTable | None, refused: str = "", *, per: Per = "cell"
) -> PageFrame:
    """Return the form, with what a table would come to under it. `refused`: why nothing was tried; `per`: of what its watts are."""
    place = sheet.estate.banks[bank]
    blocks = place.fitted[-1]
    cells = place.cells_in_a_block(blocks)
    heading = el(
        "h1",
        el("b", f"Bank {bank}"),
        ": the maker’s table ",
        el("span", el("a", "The bank's sheet", href=address_of("banks", bank)), class_="why"),
        class_="lead one",
    )
    reading = (
        f"From the data sheet of “{blocks.type}”, to {blocks.end_voltage_per_cell_v:g} V per cell: a line each, minutes and "
        f"watts. Some makers print watts per cell, others per block{_times(cells)}: the head of the "
        "table says which. A table of the wrong one makes a bank that much too good or too bad. Nothing is kept here."
    )
    form = el(
        "form",
        el(
            "p",
            el("label", "Minutes and watts", for_="table"),
            el(
                "textarea",
                text,
                id="table",
                name="table",
                rows="8",
                required=True,
                maxlength=str(LONGEST),
                spellcheck="false",
                placeholder=EXAMPLE,
            ),
        ),
        el("p", el("label", "The watts are ", _per(per, cells), for_="per")) if cells > 1 else (),
        el("button", "Try it", type="submit", class_="btn"),
        method="get",
        action=way_to_table(bank),
        class_="paste",
    )
    body: list[Nodes] = [form]
    if refused:
        body.append(el("p", refused, class_="prose short-ink", role="alert"))
    parts = [heading, question(None, "What the maker prints", reading, body)]
    if tried is not None:
        parts.append(_answer(sheet, tried))
    return PageFrame(f"Table of bank {bank}", way_to_table(bank), tuple(parts), live=False)


def _answer(sheet: Sheet, tried: TriedTable) -> Element:
    name = sheet.estate.systems[tried.system].name
    rows: Nodes = None
    state = next((one for one in sheet.systems if one.id == tried.system), None)
    if state is not None:
        subject = judged(sheet, state)
        then = replace(subject, state=replace(state, hold_up=tried.then))
        axis = axis_for([subject, then])
        rows = el(
            "div",
            el("div", axis.letters(), class_="axis"),
            _row(sheet, subject, axis, "as it is said now"),
            _row(sheet, then, axis, "with this table"),
            class_="mg",
        )
    grade = evidence(
        "reckoned" if tried.then.unproven else "seen",
        "from table and age; the wear of the blocks is not known by it."
        if tried.then.unproven
        else "with the discharges on record.",
    )
    where = listed(tried.banks)
    lines = [
        el(
            "p",
            f"Put this line below [[bank.fitted]] of {where}, and have it taken over by ridethrough reload:",
        ),
        el("pre", tried.line),
    ]
    return question(
        None,
        f"What {name} would hold",
        "The fan is where nine of ten such banks end.",
        rows,
        el("p", grade, class_="say"),
        el("div", lines, class_="steps"),
        id_="tried",
    )


def _row(sheet: Sheet, subject: Judged, axis: Axis, words: str) -> Element:
    drawn = replace(picture(sheet, subject, axis, big=False), id=words.replace(" ", "-"), fan=())
    return el(
        "div",
        el("div", el("h3", words.capitalize()), class_="who"),
        el("div", graph(drawn), axis.letters(), class_="plotbox"),
        el("div", el("p", _words(subject.state.hold_up)), class_="figs"),
        class_="sys",
    )


def _words(held: HoldUps) -> str:
    """Return how long a system holds, with all units and with the worst lost."""
    said = f"Holds {_range(held.now)}"
    return f"{said}; with any one lost {_range(held.one_unit_lost)}." if held.each_unit_lost else f"{said}."


def _range(held: HoldUp) -> str:
    if held.median_s is None or held.high_s is None:
        return CANNOT_TELL
    middle = f"about {spoken(held.median_s, favours=True)}"
    low = None if held.low_s is None else spoken(held.low_s, favours=True)
    return f"{middle}, {low} at the least" if low else f"{middle}, at the least: {CANNOT_TELL}"
