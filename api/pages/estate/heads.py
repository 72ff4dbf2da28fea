"""The six questions as the heads of the columns; they stay in sight, and each leads to its depth."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from api.pages.estate.row_fan import RowAxis
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.svg import percent, svg, text

QUESTIONS: Final = (
    ("If the mains", "fails now"),
    ("Redundant on", "every phase?"),
    ("What is wrong,", "what first"),
    ("Next bank", "to order"),
    ("Unit out", "for work?"),
    ("Mains off", "for 30 min"),
)
"""The numbered questions, as short as the head of a column."""
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


def axis_row(axis: RowAxis, columns: str) -> Element:
    """Return the figures of the axis over the second column."""
    marks = [
        text(
            "100%" if at == 1.0 else percent(at),
            11,
            words,
            class_="soft for-roomy" if 0.6 < at < 1.0 else "soft",
            end=at == 1.0,
            middle=0.0 < at < 1.0,
        )
        for at, words in axis.letters
    ]
    over = el("small", "min, one lost")
    return el("div", el("div", svg(14, marks), over), class_=f"axrow {columns}", aria_hidden="true")
