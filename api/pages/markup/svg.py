"""What the drawings share: an axis in percent, hatches, dimensions, labels that never lie on one another.

A drawing is an SVG as wide as its place and of fixed height, so positions along it are percent and text keeps
its size. Percent stands in presentation attributes, never in a style, and colours come by class from the sheet
of styles. Labels are laid out twice, for a wide and for a narrow place; a container query shows one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from api.pages.markup.elements import Element, Nodes, el, number

WIDE_PX: Final = 520.0
NARROW_PX: Final = 290.0
"""The least width each of the two layouts is made for; the sheet of styles changes over at the first."""

CHARACTER_PX: Final = 6.9
"""Width of a label's mean character at 13 px, generous enough for the widest of the fallback fonts."""

STEPS_MIN: Final = (
    (1, 1),
    (2, 1),
    (5, 1),
    (10, 2),
    (15, 5),
    (30, 5),
    (60, 15),
    (120, 30),
    (240, 60),
    (480, 120),
)
"""Axis steps in minutes: lettered, and ruled between."""


def svg(height: float, *children: Nodes, name: str | None = None, class_: str = "") -> Element:
    """Return a drawing; `name` is its whole answer for those who cannot see it, None where text beside says it."""
    return el(
        "svg",
        children,
        class_=f"draw {class_}".strip(),
        width="100%",
        height=height,
        role="img" if name else None,
        aria_label=name or None,
        aria_hidden=None if name else "true",
    )


def stretched(
    view: tuple[float, float], *children: Nodes, y: float, height: float, overflow: bool = False
) -> Element:
    """Return a part of a drawing whose own units are stretched over the full width: curves and areas."""
    return el(
        "svg",
        children,
        x="0",
        y=y,
        width="100%",
        height=height,
        viewBox=f"0 0 {number(view[0])} {number(view[1])}",
        preserveAspectRatio="none",
        overflow="visible" if overflow else None,
        class_="stretch",
    )


def path(points: Iterable[tuple[float, float]]) -> str:
    """Return a path through points."""
    return "M" + "L".join(f"{number(x)} {number(y)}" for x, y in points)


def polygon(points: Iterable[tuple[float, float]]) -> str:
    """Return a polygon's corners."""
    return " ".join(f"{number(x)},{number(y)}" for x, y in points)


def text(
    x: str,
    y: float,
    *words: Nodes,
    dx: float = 0.0,
    class_: str = "",
    end: bool = False,
    middle: bool = False,
) -> Element:
    """Return a piece of text at a percent position, standing clear of what it lies over."""
    anchor = "end" if end else "middle" if middle else None
    return el("text", words, x=x, y=y, dx=dx or None, class_=f"t {class_}".strip(), text_anchor=anchor)


def line(x1: str, y1: float, x2: str, y2: float, class_: str) -> Element:
    """Return a straight line."""
    return el("line", x1=x1, y1=y1, x2=x2, y2=y2, class_=class_)


def rect(x: str, y: float, width: str, height: float, class_: str, *, fill: str | None = None) -> Element:
    """Return a bar; `fill` names a hatch."""
    return el(
        "rect", x=x, y=y, width=width, height=height, class_=class_, fill=f"url(#{fill})" if fill else None
    )


def hatches() -> Element:
    """Return the hatches every drawing of a page refers to. Stands once at the head of a page."""

    def slanted(name: str, step: float, *, class_: str, back: bool = False) -> Element:
        turn = "rotate(-45)" if back else "rotate(45)"
        return el(
            "pattern",
            el("rect", width=step, height=step, class_="h-paper") if name == "h-short" else None,
            el("line", x1=0, y1=0, x2=0, y2=step, class_=class_),
            id=name,
            width=step,
            height=step,
            patternUnits="userSpaceOnUse",
            patternTransform=turn,
        )

    return el(
        "svg",
        el(
            "defs",
            slanted("h-short", 6, class_="h-line-short"),
            slanted("h-work", 5, class_="h-line-ink", back=True),
            slanted("h-loose", 11, class_="h-line-rule", back=True),
            el(
                "pattern",
                el("line", x1=0.5, y1=0, x2=0.5, y2=10, class_="h-line-held"),
                id="h-ruled",
                width=4,
                height=10,
                patternUnits="userSpaceOnUse",
            ),
        ),
        class_="off",
        width="0",
        height="0",
        aria_hidden="true",
    )


@dataclass(frozen=True, slots=True)
class Axis:
    """Time along a drawing, in seconds from its left end."""

    span_s: float

    def fraction(self, seconds: float) -> float:
        """Return the place of a moment, 0 at the left end to 1 at the right, held within them."""
        return min(max(seconds / self.span_s, 0.0), 1.0)

    def x(self, seconds: float) -> str:
        """Return the place of a moment in percent."""
        return percent(self.fraction(seconds))

    def width(self, from_s: float, to_s: float) -> str:
        """Return the width between two moments in percent."""
        return percent(max(self.fraction(to_s) - self.fraction(from_s), 0.0))

    @property
    def steps_s(self) -> tuple[float, float]:
        """Return the lettered and the ruled step, in seconds."""
        for lettered, ruled in STEPS_MIN:
            if self.span_s <= lettered * 60.0 * 10.0:
                return lettered * 60.0, ruled * 60.0
        return STEPS_MIN[-1][0] * 60.0, STEPS_MIN[-1][1] * 60.0

    @classmethod
    def over(cls, seconds: float) -> Axis:
        """Return an axis of whole lettered steps that holds `seconds`."""
        step, _ = cls(max(seconds, 60.0)).steps_s
        return cls(step * max(1.0, -(-seconds // step)))

    def letters(self) -> Element:
        """Return the axis's figures, in minutes, or in hours from four hours on."""
        step, _ = self.steps_s
        unit_s, unit = (3600.0, " h") if self.span_s > 14_400.0 else (60.0, " min")
        last = round(self.span_s / step)
        return letters(
            [
                AxisFigure(
                    n * step / self.span_s, number(n * step / unit_s) + (unit if n in {0, last} else "")
                )
                for n in range(last + 1)
            ]
        )

    def ruling(self, top: float, bottom: float) -> list[Element]:
        """Return the ruled lines behind a drawing."""
        lettered, ruled = self.steps_s
        return [
            line(
                self.x(n * ruled),
                top,
                self.x(n * ruled),
                bottom,
                "rule" if n * ruled % lettered == 0 else "hair",
            )
            for n in range(round(self.span_s / ruled) + 1)
        ]


@dataclass(frozen=True, slots=True)
class AxisFigure:
    """A figure on an axis; a `strong` one has its place before all others."""

    at: float
    words: str
    strong: bool = False


def letters(marks: Sequence[AxisFigure]) -> Element:
    """Return the figures of an axis, those left out that would touch another: the ends and the strong ones stay."""
    kinds = (("for-wide", WIDE_PX), ("for-narrow", NARROW_PX))
    return el(
        "div", svg(18, [el("g", _lettered(marks, px), class_=kind) for kind, px in kinds]), class_="letters"
    )


def _lettered(marks: Sequence[AxisFigure], width_px: float) -> list[Element]:
    first, last = marks[0], max(marks, key=lambda mark: mark.at)
    taken: list[tuple[float, float]] = []
    shown: list[Element] = []
    order = sorted(marks, key=lambda mark: (not mark.strong, mark not in {first, last}, mark.at))
    for mark in order:
        wide, x = len(mark.words) * CHARACTER_PX + 8.0, mark.at * width_px
        start, end = x < wide / 2, x > width_px - wide / 2
        left = 0.0 if start else width_px - wide if end else x - wide / 2
        if all(left + wide <= a or left >= b for a, b in taken):
            taken.append((left, left + wide))
            at = "0" if start else "100%" if end else percent(mark.at)
            class_ = "strong" if mark.strong else "soft"
            shown.append(text(at, 13, mark.words, end=end, middle=not (start or end), class_=class_))
    return shown


def percent(fraction: float) -> str:
    """Return a fraction as an SVG percentage."""
    return f"{number(fraction * 100.0)}%"


def dimension(
    axis: Axis,
    ends_s: tuple[float, float],
    y: float,
    words: str,
    class_: str,
    *,
    room_px: float = NARROW_PX,
    shown: Nodes = None,
) -> list[Element]:
    """Return a dimension as on a drawing, `|<- +6.6 ->|`. Too narrow for its words, it has them beside it.

    `shown`: the words where a part of them ticks.
    """
    said = words if shown is None else shown
    left, right = (axis.fraction(end) for end in ends_s)
    beyond = ends_s[1] > axis.span_s
    fits = (right - left) * room_px > len(words) * 8.4 + 26.0
    label = (
        text(percent((left + right) / 2), y + 5, said, middle=True, class_=f"dim {class_}")
        if fits
        else text(percent(right), y + 5, said, dx=6, class_=f"dim {class_}")
    )
    parts = [
        line(percent(left), y, percent(right), y, f"dimline {class_}"),
        arrow(percent(left), y, class_, left=True),
    ]
    if not beyond:
        parts.append(arrow(percent(right), y, class_, left=False))
    if fits:
        parts.append(blank(percent((left + right) / 2), y, len(words) * 8.4 + 10.0))
    return [*parts, label]


def blank(x: str, y: float, width: float) -> Element:
    """Return a patch of paper about a place, so that a line does not run through the words on it."""
    patch = el("rect", x=-width / 2, y=-8, width=width, height=16, class_="h-paper")
    return el("svg", patch, x=x, y=y, overflow="visible", width="1", height="1")


def arrow(x: str, y: float, class_: str, *, left: bool) -> Element:
    """Return an arrow head whose point is at `x`."""
    shape = "M0 0L7 -4V4Z" if left else "M0 0L-7 -4V4Z"
    return el(
        "svg",
        el("path", d=shape, class_=f"head-{class_.split(maxsplit=1)[0]}"),
        x=x,
        y=y,
        overflow="visible",
        width="1",
        height="1",
    )


@dataclass(frozen=True, slots=True)
class Label:
    """A label under a drawing and the upright that leads to it; `short` is what a narrow place has room for."""

    at: float
    words: str
    short: str
    class_: str = ""


@dataclass(frozen=True, slots=True)
class PlacedLabel:
    """A label in its row, on the right or the left of its upright; its words reach from `left` to `right`, in px."""

    label: Label
    row: int
    side: Literal["right", "left"]
    x: float
    left: float
    right: float


ROWS: Final = 3


def place(marks: Sequence[Label], width_px: float) -> list[PlacedLabel]:
    """Return the labels in as few rows as it takes that none lies on another or on another's upright.

    An upright runs down through every row above its label. Where three rows do not do, the last label given is
    left out: its figure stands beside the drawing.
    """
    for kept in range(len(marks), 0, -1):
        for rows in range(1, ROWS + 1):
            found = _fit(marks[:kept], width_px, rows, ())
            if found is not None:
                return list(found)
    return []


def _fit(
    marks: Sequence[Label], width_px: float, rows: int, placed: tuple[PlacedLabel, ...]
) -> tuple[PlacedLabel, ...] | None:
    if len(placed) == len(marks):
        return placed
    for tried in _places(marks[len(placed)], width_px, rows):
        if all(_apart(tried, other) for other in placed):
            found = _fit(marks, width_px, rows, (*placed, tried))
            if found is not None:
                return found
    return None


def _places(label: Label, width_px: float, rows: int) -> Iterator[PlacedLabel]:
    x = label.at * width_px
    reach = len(label.short if width_px < WIDE_PX else label.words) * CHARACTER_PX + 12.0
    for row in range(rows):
        if x + reach <= width_px + 8.0 or x < width_px / 2:
            yield PlacedLabel(label, row, "right", x, x, x + reach)
        if x - reach >= -8.0:
            yield PlacedLabel(label, row, "left", x, x - reach, x)


def _apart(a: PlacedLabel, b: PlacedLabel) -> bool:
    if a.row == b.row and a.left < b.right and b.left < a.right:
        return False
    return not (_crosses(a, b) or _crosses(b, a))


def _crosses(upright: PlacedLabel, words: PlacedLabel) -> bool:
    """Return whether one label's upright runs through another's words."""
    return (
        upright.row >= words.row and words.left - 3.0 < upright.x < words.right + 3.0 and upright.x != words.x
    )


def labels(marks: Sequence[Label], top: float, first: float) -> tuple[list[Element], int]:
    """Return labels with their uprights from `top`, and how many rows of 18 px they take from `first` on."""
    parts: list[Element] = []
    rows = 0
    for kind, width_px in (("for-wide", WIDE_PX), ("for-narrow", NARROW_PX)):
        lines: list[Element] = []
        words: list[Element] = []
        for item in place(marks, width_px):
            x, label = percent(item.label.at), item.label
            base = first + 18.0 * item.row
            rows = max(rows, item.row + 1)
            lines.append(line(x, top, x, base + 4, f"upright {label.class_}"))
            shown = label.short if kind == "for-narrow" else label.words
            words.append(
                text(
                    x,
                    base,
                    shown,
                    dx=-6 if item.side == "left" else 6,
                    end=item.side == "left",
                    class_=label.class_,
                )
            )
        parts.append(el("g", lines, words, class_=kind))
    return parts, rows
