"""The six questions as the heads of the columns; they stay in sight, and each leads to its depth."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from api.pages.estate.cells import NEEDED_FOR
from api.pages.estate.row_fan import RowAxis
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.marks import Standing, small_mark
from api.pages.markup.svg import percent, svg, text
from rules.plant.estate import Purpose

QUESTIONS: Final = (
    ("If the mains fails now,", "minutes held and needed"),
    ("May a unit", "be lost?"),
    ("What is wrong: what", "to do first, by when"),
    ("Next bank;", "next unit size"),
    ("Unit out", "for work?"),
    ("Mains off as signed,", "else 30 min from now"),
)
"""The numbered questions, as short as the head of a column."""
SECOND: Final = (
    (4, ("order by", "next size, kVA")),
    (6, ("load with generator", "first to shed (blank: none named)")),
)
"""What the columns of two things name each, by the number of their question."""
DRAWN: Final = (
    ("all", "held by all units"),
    ("lost", "with one lost"),
    ("short", "needed, not held"),
    ("none", "not known"),
)
NEEDED: Final = {
    Purpose.GENERATOR_START: "until the generator carries",
    Purpose.MANUAL_GENERATOR_START: "to start the generator by hand",
    Purpose.ORDERLY_SHUTDOWN: "to shut down in order",
    Purpose.PLANNED: "for planned work",
}
"""What time is needed for, beside the mark of it; where a row needs it for another, the row says so."""
LINES: Final[tuple[tuple[Standing, str], ...]] = (
    ("holds", "holds"),
    ("short", "falls short"),
    ("unknown", "cannot tell"),
)
TALL: Final = "c3"
CLOSE: Final = "c100"
"""How the columns are shared out: with room for reasons, or for a word each."""


def heads(columns: str, leads: Mapping[int, str], note: Nodes) -> Element:
    """Return the heads; `leads` says where each of the questions 1 to 6 leads to, one without a way is no link."""
    parts: list[Element] = [el("span", el("small", note), class_="f0")]
    for number, (upper, lower) in enumerate(QUESTIONS, 1):
        inside = (el("b", str(number)), el("span", upper, el("br"), lower))
        way = leads.get(number)
        parts.append(el("a", inside, href=way) if way else el("span", inside, class_="a"))
    return el("nav", parts, class_=f"six {columns}", aria_label="The six questions")


def axis_row(axis: RowAxis, *, close: bool = True) -> Element:
    """Return what stands over the rows' figures: the axis of the drawing, and of `close` rows what each figure is."""
    marks = [
        text(
            "100%" if at == 1.0 else percent(at),
            11,
            words,
            class_="soft",
            end=at == 1.0,
            middle=0.0 < at < 1.0,
        )
        for at, words in axis.letters
        if not close or at in {0.0, 1.0}
    ]
    drawn = el("div", svg(14, marks))
    if not close:
        return el("div", el("div", drawn, class_="c1"), class_="axrow c3", aria_hidden="true")
    purpose = None if axis.purpose is None else NEEDED_FOR[axis.purpose]
    names: tuple[Nodes, ...] = ("all units", "one lost", ["needed,", el("br"), purpose], "to spare, one lost")
    parts = [el("div", drawn, [el("small", name) for name in names], class_="c1")]
    parts += [el("div", [el("small", name) for name in pair], class_=f"c{n}") for n, pair in SECOND]
    return el("div", parts, class_="axrow c100", aria_hidden="true")


def key(axis: RowAxis) -> Element:
    """Return what the marks of the rows mean."""
    needed = "needed" if axis.purpose is None else f"needed {NEEDED[axis.purpose]}"
    drawn = (*DRAWN[:2], ("need", needed), *DRAWN[2:])
    fan = [el("span", el("i", class_=f"k-{mark}"), words) for mark, words in drawn]
    lines = [el("span", small_mark(standing), words) for standing, words in LINES]
    return el("p", fan, lines, el("span", "thick bar: grave"), class_="key rowkey")
