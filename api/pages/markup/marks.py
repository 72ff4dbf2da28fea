"""Small marks: the line that is the emblem of every verdict, and the grade of evidence."""

from __future__ import annotations

from typing import Final, Literal

from api.pages.markup.elements import Element, Nodes, el
from collector.read_model.rows.system_row import Stands
from rules.values.verdict import Basis

Standing = Literal["holds", "short", "unknown", "battery", "off"]
Grade = Literal["seen", "reckoned", "claimed"]

NAMES: Final[dict[Standing, str]] = {
    "holds": "holds",
    "short": "short",
    "unknown": "cannot tell",
    "battery": "on its banks",
    "off": "feeds nothing",
}

STANDINGS: Final[dict[Stands, Standing]] = {
    Stands.HOLDS: "holds",
    Stands.SHORT: "short",
    Stands.UNKNOWN: "unknown",
    Stands.BATTERY: "battery",
    Stands.OFF: "off",
}

GRADES: Final[dict[Basis, Grade | None]] = {
    Basis.TESTED: "seen",
    Basis.TABLE: "reckoned",
    Basis.GENERIC: "reckoned",
    Basis.NONE: None,
}


def line_mark(standing: Standing, *, extra: str = "") -> Element:
    """Return the line: whole, interrupted, dotted, bridged, or cut. It never stands without its sentence."""
    return el(
        "svg",
        _strokes(standing),
        class_=f"ln {extra}".strip(),
        viewBox="0 0 44 16",
        role="img",
        aria_label=NAMES[standing],
    )


def _strokes(standing: Standing) -> list[Element]:
    if standing == "holds":
        return [el("path", d="M0 8H44")]
    if standing == "short":
        return [el("path", d="M0 8H24M36 8H44"), el("path", d="M24 2V14M36 2V14", class_="gap")]
    if standing == "off":
        return [el("path", d="M0 8H8M36 8H44"), el("path", d="M8 2V14M36 2V14", class_="gap")]
    if standing == "battery":
        return [el("path", d="M0 12H11M33 12H44"), el("path", d="M11 12C13 -1 31 -1 33 12", class_="bridge")]
    return [el("path", d="M2 8H44", class_="dots")]


def small_mark(standing: Standing) -> Element:
    """Return the line small, for the cell of a row; the word beside it says the same."""
    return el("i", class_=f"m m-{standing[0]}")


def emblem() -> Element:
    """Return the line bridged, beside the name."""
    return el(
        "svg",
        el("path", d="M0 12H9M25 12H34", class_="mark-line"),
        el("path", d="M9 12C11 -1 23 -1 25 12", class_="mark-bridge"),
        viewBox="0 0 34 14",
        aria_hidden="true",
    )


def evidence(grade: Grade, *words: Nodes) -> list[Element | Nodes]:
    """Return what something rests on, after its grade in a mark and a word."""
    return [el("span", el("i", class_=f"ev {grade}"), f"{grade}:", class_="nb"), " ", words]
