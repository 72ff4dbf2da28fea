"""A line a system: the answers to the six questions side by side. A line that was drawn is kept until it differs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

from api.pages.estate import cells
from api.pages.estate.row_fan import RowAxis, row_fan
from api.pages.markup.elements import Element, el, kept
from api.pages.markup.frame import address_of, slug
from api.pages.markup.marks import STANDINGS, small_mark
from collector.read_model.rows.system_row import Stands, SystemRow
from collector.read_model.sheet import Sheet
from collector.read_model.wall_clock import WallClock

HEARD: Final = kept(
    el(
        "thead",
        el(
            "tr",
            [
                el("th", words, scope="col")
                for words in (
                    "system",
                    "if the mains fails, min: all units, with one lost, needed, to spare",
                    "may a unit be lost",
                    "by when, what first",
                    "bank to order, size next",
                    "unit out",
                    "mains off, shed first",
                )
            ],
        ),
    )
)
"""The heads of the columns for those who are read the table aloud; for the others they stand over all tables once."""

_MOST_KEPT: Final = 4000
_KEPT: Final[dict[str, tuple[tuple[SystemRow, RowAxis, str], Element]]] = {}


def row_id(row: SystemRow) -> str:
    """Return the id of a system's line on a page."""
    return f"s-{slug(row.id)}"


def table(
    sheet: Sheet, rows: Sequence[SystemRow], axis: RowAxis, words: str, *, sited: bool = False
) -> Element:
    """Return lines as a table of their own; `words` say what it holds. `sited`: a name that two have is told by its site."""
    many = Counter(row.name for row in rows)
    columns = el("colgroup", [el("col") for _ in range(7)])
    body = el(
        "tbody", [_line(sheet, row, axis, _named(sheet, row, many) if sited else row.name) for row in rows]
    )
    return el("table", el("caption", words, class_="off"), columns, HEARD, body, class_="rows close")


def _named(sheet: Sheet, row: SystemRow, many: Counter[str]) -> str:
    return row.name if many[row.name] < 2 else f"{row.name}, {sheet.estate.sites[row.site].name}"


def _line(sheet: Sheet, row: SystemRow, axis: RowAxis, name: str) -> Element:
    key = (row, axis, name)
    found = _KEPT.get(row.id)
    if found is not None and found[0] == key:
        return found[1]
    made = _drawn(row, axis, name, WallClock(sheet.site(row.id).time_zone, sheet.now))
    if row.stands is Stands.BATTERY:
        return made  # its seconds run
    if len(_KEPT) >= _MOST_KEPT:
        _KEPT.clear()
    made = kept(made)
    _KEPT[row.id] = (key, made)
    return made


def _drawn(row: SystemRow, axis: RowAxis, called: str, clock: WallClock) -> Element:
    name = el("a", called, href=address_of("systems", row.id))
    answers = (
        el(
            "div",
            row_fan(row, axis, named=False),
            cells.figures(row, axis),
            cells.margin(row, clock),
            class_="c1",
        ),
        cells.redundant(row),
        cells.first(row),
        el("div", cells.bank(row)),
        cells.unit_out(row),
        el("div", cells.mains_off(row, clock)),
    )
    return el(
        "tr",
        el(
            "th",
            small_mark(STANDINGS[row.stands]),
            name,
            " ",
            el("small", row.plant),
            scope="row",
            class_=_class(row),
        ),
        [el("td", answer) for answer in answers],
        id=row_id(row),
        live=True,
    )


def _class(row: SystemRow) -> str | None:
    """Return "ok" for a line that a phone may fold to its margin, "stale" for one that is not wholly heard."""
    if row.unheard:
        return "stale"
    return "ok" if row.stands is Stands.HOLDS and row.alarm is None else None
