"""What fed each unit in an outage, one line a unit, its height saying by what; and how a card answered.

Three tracks, mains, generator and banks, or two where no card says which of the first it was; "took" stands against
"allowed". A unit that was not read is dotted.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from api.pages.markup.elements import Element, Nodes, el, number
from api.pages.markup.svg import Axis, AxisFigure, letters, line, percent, rect, stretched, svg, text
from collector.read_model.sheet import Fed, ShownCard, ShownEvent
from collector.read_model.wall_clock import WallClock
from rules.phrasing.figures import age, stopwatch

TRACKS = {"supply": 50.0, "mains": 22.0, "bypass": 22.0, "generator": 78.0, "banks": 136.0, "none": 166.0}
LEAD_S = 30.0


def track(event: ShownEvent, clock: WallClock) -> Element:
    """Return the drawing of what fed the units from shortly before an outage to shortly after it."""
    reach = max([event.allowed_s or 0.0, event.took_s or 0.0, _last(event)], default=0.0)
    axis = Axis(Axis.over(max(reach * 1.06, 60.0)).span_s + LEAD_S)
    plain = any(
        fed.source == "supply" for fed in event.fed
    )  # no card says whether mains or a generator feeds it
    told = ("supply", "banks") if plain else ("mains", "generator", "banks")
    units = list(dict.fromkeys(fed.unit for fed in event.fed))
    step, _ = axis.steps_s
    parts: list[Nodes] = []
    ticks: list[AxisFigure] = []
    for n in range(int((axis.span_s - LEAD_S) / step) + 1):
        x = axis.x(LEAD_S + n * step)
        parts.append(line(x, 0, x, 176, "hair"))
        words = f"{number(n * step / 60)}{' min' if n == 0 else ''}"
        ticks.append(AxisFigure(axis.fraction(LEAD_S + n * step), words))
    at = axis.x(LEAD_S)
    parts += [
        line("0", 0.5, "100%", 0.5, "rule"),
        *([line(at, 59, "100%", 59, "idle")] if plain else []),
        *([] if plain else [line(at, 31, "100%", 31, "idle"), line("0", 87, "100%", 87, "idle")]),
    ]
    for start in event.starts:
        begin = LEAD_S + (start.at - event.at).total_seconds()
        until = LEAD_S + ((start.until or start.at + timedelta(seconds=5)) - event.at).total_seconds()
        parts.append(
            rect(axis.x(begin), 76, axis.width(begin, until), 22, "try" if start.worked else "try failed")
        )
        if start.worked is False:
            parts.append(line(axis.x(begin), 98, axis.x(until), 76, "strike"))
    curves = [_curve(event, unit, n, axis) for n, unit in enumerate(units)]
    parts.append(stretched((axis.span_s, 176), [c for c in curves if c], y=0, height=176))
    parts.append(text(at, 35, f"lost {clock.second(event.at)}", dx=8))
    if event.took_s is not None:
        parts.append(
            text(
                axis.x(LEAD_S + event.took_s),
                170,
                f"took {stopwatch(event.took_s)}",
                end=True,
                dx=-4,
                class_="held strong",
            )
        )
    if event.allowed_s is not None:
        x = axis.x(LEAD_S + event.allowed_s)
        parts.append(line(x, 0, x, 176, "allow"))
        parts.append(text(x, 14, f"allowed {stopwatch(event.allowed_s)}", dx=-6, end=True, class_="strong"))
    parts.append(line("0", 175, "100%", 175, "base"))
    names = el("div", [el("span", name, class_=f"at-{name}") for name in told], class_="names")
    return el(
        "div",
        names,
        el(
            "div",
            svg(176, parts, name=_answer(event, clock), class_="field"),
            letters(ticks),
        ),
        class_="tracks",
    )


def _last(event: ShownEvent) -> float:
    ends = [(fed.at - event.at).total_seconds() for fed in event.fed]
    return max(ends, default=0.0)


def _curve(event: ShownEvent, unit: str, order: int, axis: Axis) -> Element | None:
    course = sorted((fed for fed in event.fed if fed.unit == unit), key=lambda fed: fed.at)
    if not course:
        return None
    points: list[str] = []
    height = _height(course[0], order)
    points.append(f"M0 {number(height)}" if (course[0].at - event.at).total_seconds() <= 0 else "")
    for fed in course:
        x = min(max(LEAD_S + (fed.at - event.at).total_seconds(), 0.0), axis.span_s)
        new = _height(fed, order)
        points.append(
            f"{'L' if points[-1] or len(points) > 1 else 'M'}{number(x)} {number(height)}L{number(x + 1)} {number(new)}"
        )
        height = new
    points.append(f"L{number(axis.span_s)} {number(height)}")
    unknown = any(fed.source == "unknown" for fed in course)
    return el("path", d="".join(points), class_="l-fed by-age" if unknown else "l-fed")


def _height(fed: Fed, order: int) -> float:
    return TRACKS.get(fed.source, 136.0) + 9.0 * min(order, 3)


def _answer(event: ShownEvent, clock: WallClock) -> str:
    said = [f"What fed each unit in the outage of {clock.on(event.at)}"]
    if event.took_s is not None:
        said.append(f"the banks carried it {age(event.took_s)}")
    if event.allowed_s is not None:
        said.append(f"allowed {age(event.allowed_s)}")
    return "; ".join(said)


def read_trace(reads: Sequence[ShownCard], now: datetime, span: timedelta = timedelta(minutes=15)) -> Element:
    """Return when a card was asked and how long it took to answer; a request without answer is a hollow mark."""
    recent = [read for read in reads if now - span <= read.at <= now]
    slowest = max([read.took_s for read in recent if read.took_s is not None], default=1.0)
    top = max(slowest, 0.001)
    parts: list[Nodes] = []
    for minute in range(0, int(span.total_seconds() // 60) + 1, 5):
        x = percent(minute * 60 / span.total_seconds())
        parts.append(line(x, 0, x, 66, "rule"))
    for read in recent:
        x = percent(1 - (now - read.at) / span)
        if read.took_s is None:
            parts.append(el("circle", cx=x, cy="58", r="4", class_="unanswered"))
        else:
            parts.append(line(x, 66, x, 66 - 58 * max(read.took_s / top, 0.04), "read"))
    missed = sum(read.took_s is None for read in recent)
    parts.append(line("0", 65.5, "100%", 65.5, "base"))
    parts.append(
        text(
            "100%",
            12,
            f"slowest {top:.2f} s" if top >= 0.1 else f"slowest {top * 1000:.0f} ms",
            end=True,
            dx=-4,
            class_="soft",
        )
    )
    marks = letters(
        [AxisFigure(0.0, f"{age(span.total_seconds())} ago"), AxisFigure(1.0, "now", strong=True)]
    )
    name = f"{len(recent)} requests in {age(span.total_seconds())}, {missed} without an answer"
    return el("div", svg(66, parts, name=name, class_="reads"), marks)
