"""One plot of a quantity over time: a line a course, limits as lines, gaps as loose hatch, what happened as dots.

Drawn by the service, in a few kilobytes: each course has at most some hundred points, one a bucket, and where a
bucket hides an extreme that is to be seen, its least or greatest is drawn and not its mean.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from api.pages.markup.elements import Element, Nodes, el, number
from api.pages.markup.svg import (
    CHARACTER_PX,
    NARROW_PX,
    AxisFigure,
    letters,
    line,
    percent,
    rect,
    stretched,
    svg,
    text,
)
from collector.read_model.wall_clock import WallClock

HEIGHT: Final = 150.0
TOP: Final = 14.0
MOST_STEPS: Final = 4
STEPS: Final = (
    *(timedelta(seconds=n) for n in (5, 10, 15, 30)),
    *(timedelta(minutes=n) for n in (1, 2, 5, 10, 15, 30)),
    *(timedelta(hours=n) for n in (1, 2, 6, 12)),
    *(timedelta(days=n) for n in (1, 7, 30, 91, 182, 365)),
)
"""Between two figures of the time axis: the first of which six reach over the plot."""
STROKES: Final = ("one", "two", "three")
GAP_WORDS_AT: Final = 0.12
"""A gap of such a part of the plot has room for its word."""


@dataclass(frozen=True, slots=True)
class DrawnCourse:
    """One course: its name, and a value a bucket, None where nothing was read."""

    name: str
    values: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class PlotLimit:
    """A value that is not to be passed, and its words."""

    value: float
    words: str


@dataclass(frozen=True, slots=True)
class PlotBand:
    """A band that values were expected in, a bucket each, None where none was; `words` say what it is."""

    words: str
    low: tuple[float | None, ...]
    median: tuple[float | None, ...]
    high: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class PlotDot:
    """Something that happened: when, at which value, in words. `full`: it was judged; `href`: where more is said."""

    at: datetime
    value: float
    words: str
    full: bool = True
    href: str | None = None


@dataclass(frozen=True)
class Plot:
    """What is drawn: a quantity from `end` - `length` to `end`; `figure` writes a value."""

    title: str
    unit: str
    end: datetime
    length: timedelta
    courses: tuple[DrawnCourse, ...]
    figure: Callable[[float], str]
    clock: WallClock
    limits: tuple[PlotLimit, ...] = ()
    holds: tuple[float, ...] = ()
    """Values that the plot holds in any case."""
    finest: float = 0.0
    """The least step between lettered values: as fine as `figure` writes them."""
    dots: tuple[PlotDot, ...] = ()
    band: PlotBand | None = None

    @property
    def known(self) -> list[float]:
        """Return every value there is."""
        return [v for course in self.courses for v in course.values if v is not None]


def plot(picture: Plot) -> Element:
    """Return the drawing with its title, or that there is nothing to draw."""
    title = el("h3", picture.title, " ", el("small", picture.unit))
    if not picture.known:
        return el("div", title, el("p", "Nothing was read in this time.", class_="none"), class_="course")
    scale = _Scale.over(
        [*picture.known, *(limit.value for limit in picture.limits), *picture.holds, *_edges(picture)],
        picture.finest,
    )
    bottom = TOP + HEIGHT
    parts: list[Nodes] = [
        [_ruled(value, scale, picture) for value in scale.figures],
        [_gap(first, last) for first, last in _gaps(picture.courses)],
        stretched((1000.0, HEIGHT), [*_band(picture, scale), *_lines(picture, scale)], y=TOP, height=HEIGHT),
        [_limit(limit, scale) for limit in picture.limits],
        _dots(picture, scale),
        line("0", bottom, "100%", bottom, "base"),
    ]
    drawing = svg(bottom + 2.0, parts, name=answer(picture), class_="plot")
    items = [
        el("span", el("i", class_=f"k-{stroke}"), f"{course.name} {_last(course, picture)}")
        for course, stroke in zip(picture.courses, STROKES, strict=False)
        if len(picture.courses) > 1
    ]
    if picture.band is not None:
        items = [
            el("span", el("i", class_="k-one"), "read"),
            el("span", el("i", class_="k-exp"), picture.band.words),
        ]
    key = el("p", items, class_="key") if items else None
    # a drawing is one thing to whoever hears it: what leads on from it stands below
    more = [el("a", dot.words, href=dot.href) for dot in picture.dots if dot.href]
    ways = el("p", [[way, " "] for way in more], class_="key") if more else None
    return el("div", title, el("div", drawing, _times(picture), class_="plotbox"), key, ways, class_="course")


def answer(picture: Plot) -> str:
    """Return what a plot shows, for those who cannot see it."""
    said = [f"{picture.title}, {picture.unit}"]
    for course in picture.courses:
        known = [v for v in course.values if v is not None]
        if known:
            said.append(f"{course.name}: {picture.figure(min(known))} to {picture.figure(max(known))}")
    silent = sum(last - first for first, last in _gaps(picture.courses))
    if silent > 0.005:
        said.append(f"not read for {math.ceil(100.0 * silent)} % of the time")
    if picture.band is not None and (last := _last_of_band(picture.band)) is not None:
        low, high = (picture.figure(value) for value in last)
        said.append(f"{picture.band.words}: {low} to {high} at the end")
    said += [limit.words for limit in picture.limits]
    said += [dot.words for dot in picture.dots]
    return "; ".join(said)


@dataclass(frozen=True, slots=True)
class _Scale:
    """The values from bottom to top, and those that are lettered."""

    low: float
    high: float
    figures: tuple[float, ...]

    @classmethod
    def over(cls, values: Sequence[float], finest: float) -> _Scale:
        low, high = min(values), max(values)
        room = max(high - low, abs(high) * 0.02, 1e-9) * 0.08
        low, high = (0.0 if low >= 0.0 and low < 0.5 * high else low - room), high + room
        step = max(_step((high - low) / MOST_STEPS), finest)
        first, last = math.ceil(low / step), math.floor(high / step)
        return cls(low, high, tuple(n * step for n in range(first, last + 1)))

    def y(self, value: float) -> float:
        """Return the place of a value, from 0 at the top to `HEIGHT`."""
        return HEIGHT * (self.high - value) / (self.high - self.low)


def _step(least: float) -> float:
    """Return the least of 1, 2, 5, 10 ... that is no less."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(n * power for n in (1.0, 2.0, 5.0, 10.0) if n * power >= least * 0.999999)


def _ruled(value: float, scale: _Scale, picture: Plot) -> list[Element]:
    y = TOP + scale.y(value)
    return [line("0", y, "100%", y, "hair"), text("0", y - 3.0, picture.figure(value), class_="soft")]


def _limit(limit: PlotLimit, scale: _Scale) -> list[Element]:
    y = TOP + scale.y(limit.value)
    return [line("0", y, "100%", y, "limit"), text("100%", y - 4.0, limit.words, end=True)]


def _edges(picture: Plot) -> list[float]:
    band = picture.band
    return [] if band is None else [v for v in (*band.low, *band.high) if v is not None]


def _last_of_band(band: PlotBand) -> tuple[float, float] | None:
    known = [(a, b) for a, b in zip(band.low, band.high, strict=True) if a is not None and b is not None]
    return known[-1] if known else None


def _band(picture: Plot, scale: _Scale) -> list[Element]:
    """Return the band as an area, and its middle as a broken line."""
    band = picture.band
    if band is None:
        return []
    wide = 1000.0 / len(band.low)
    drawn = []
    for (first, low), (_, high) in zip(_runs(band.low), _runs(band.high), strict=True):
        around = [*_steps(first, low, wide, scale), *reversed([*_steps(first, high, wide, scale)])]
        drawn.append(el("path", d=_path(iter(around)) + "Z", class_="fan"))
    middle = [_path(_steps(first, values, wide, scale)) for first, values in _runs(band.median)]
    return [*drawn, el("path", d="".join(middle), class_="crs three")] if middle else drawn


def _lines(picture: Plot, scale: _Scale) -> list[Element]:
    drawn = []
    for course, stroke in zip(picture.courses, STROKES, strict=False):
        wide = 1000.0 / len(course.values)
        runs = [_path(_steps(first, values, wide, scale)) for first, values in _runs(course.values)]
        if runs:
            drawn.append(el("path", d="".join(runs), class_=f"crs {stroke}"))
    return drawn


def _path(points: Iterator[tuple[float, float]]) -> str:
    """Return a path, each point by its distance from the one before: half as long as by its place."""
    x, y = next(points)
    said = [f"M{number(x)} {number(y)}"]
    for to_x, to_y in points:
        said.append(f"l{number(to_x - x)} {number(round(to_y - y, 1))}")
        x, y = to_x, to_y
    return "".join(said)


def _steps(first: int, values: Sequence[float], wide: float, scale: _Scale) -> Iterator[tuple[float, float]]:
    """Yield a point a bucket, at its middle; one that stands alone is as wide as it is."""
    if len(values) == 1:
        y = round(scale.y(values[0]), 1)
        yield from ((round(first * wide), y), (round((first + 1) * wide), y))
        return
    for place, value in enumerate(values):
        yield round((first + place + 0.5) * wide), round(scale.y(value), 1)


def _runs(values: Sequence[float | None]) -> Iterator[tuple[int, list[float]]]:
    """Yield what was read without a gap: where it begins, and its values."""
    run: list[float] = []
    for place, value in enumerate([*values, None]):
        if value is not None:
            run.append(value)
            continue
        if run:
            yield place - len(run), run
        run = []


def _gaps(courses: Sequence[DrawnCourse]) -> list[tuple[float, float]]:
    """Return where nothing of any course was read, as parts of the whole."""
    count = len(courses[0].values)
    silent = [all(course.values[n] is None for course in courses) for n in range(count)]
    found: list[tuple[float, float]] = []
    start: int | None = None
    for place, none in enumerate([*silent, False]):
        if none and start is None:
            start = place
        elif not none and start is not None:
            found.append((start / count, place / count))
            start = None
    return found


def _gap(first: float, last: float) -> list[Element]:
    bar = rect(percent(first), TOP, percent(last - first), HEIGHT, "unknown", fill="h-loose")
    if last - first < GAP_WORDS_AT:
        return [bar]
    return [bar, text(percent((first + last) / 2), TOP + HEIGHT / 2, "not read", middle=True, class_="soft")]


def _dots(picture: Plot, scale: _Scale) -> list[Element]:
    """Return the dots, the newest with its words; an older one has them where they touch none, else its name says them."""
    drawn: list[Element] = []
    free = 2.0
    for dot in sorted(picture.dots, key=lambda one: one.at, reverse=True):
        at = 1.0 - (picture.end - dot.at) / picture.length
        right, wide = at > 0.5, len(dot.words) * CHARACTER_PX / NARROW_PX
        said = (at if right else at + wide) < free
        if said:
            free = at - wide if right else at
        y = TOP + min(max(scale.y(dot.value), 4.0), HEIGHT - 4.0)
        mark = el(
            "circle",
            None if said else el("title", dot.words),
            cx=percent(at),
            cy=number(y),
            r=4.5,
            class_="dot" if dot.full else "dot seen",
        )
        words = text(percent(at), y + 4.0, dot.words, dx=-9 if right else 9, end=right) if said else None
        drawn.append(el("g", mark, words))
    return drawn


def _times(picture: Plot) -> Element:
    """Return the figures of the time axis: minutes of an hour, hours of a day, days of a month, months of years."""
    start, clock = picture.end - picture.length, picture.clock
    step = next((one for one in STEPS if picture.length <= 6 * one), STEPS[-1])
    midnight = start.astimezone(clock.zone).replace(hour=0, minute=0, second=0, microsecond=0)
    moment, marks = midnight + -((midnight - start) // step) * step, []
    while moment < picture.end:
        words = clock.minute(moment) if step < timedelta(days=1) else f"{moment:%-d %b}"
        if step < timedelta(minutes=1):
            words = clock.second(moment)
        if step > timedelta(days=30):
            words = f"{moment:%b %Y}"
        if moment > start:
            marks.append(AxisFigure((moment - start) / picture.length, words))
        moment += step
    return letters(marks) if marks else el("div")


def _last(course: DrawnCourse, picture: Plot) -> str:
    known = [v for v in course.values if v is not None]
    return picture.figure(known[-1]) if known else "not known"
