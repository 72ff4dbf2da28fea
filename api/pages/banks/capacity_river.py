"""Banks over the years: the row of the overview, and the river of capacity from its first day to its last.

The row's dots are judged discharges, its box is when capacity falls below 80 %, its flag the day to have
replaced the bank by. The river is solid to today, ruled after; its width is the 90 % interval. A bank that was
never seen to discharge is hatched: what is said of it rests on age alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.svg import AxisFigure, letters, line, path, percent, polygon, rect, stretched, svg, text
from collector.read_model.wall_clock import WallClock
from rules.battery.model.ageing import END_OF_LIFE
from rules.battery.state import BankState, ExpectedCapacity, JudgedDischarge
from rules.phrasing.dates import about_day, due_words, years_words
from rules.phrasing.figures import whole_percent as whole

"""The end of a bank's life: 80 % of rated capacity, the replacement criterion of IEEE 450 and IEEE 1188."""


AHEAD_YEARS: float = 9.0
"""How far ahead an axis of years reaches: no interval of a bank's end is worth a glance beyond."""


def year(day: date) -> float:
    """Return a day as a fractional year."""
    first = date(day.year, 1, 1)
    return day.year + (day - first).days / (366 if (date(day.year, 12, 31) - first).days == 365 else 365)


@dataclass(frozen=True, slots=True)
class Years:
    """An axis of years, whole ones at both ends."""

    first: int
    last: int
    today: float

    @classmethod
    def around(cls, today: date, days: Sequence[date]) -> Years:
        """Return an axis that holds `days` and today, at least six years long and even at both ends."""
        years = [year(day) for day in days] + [year(today)]
        first, last = int(min(years)), int(-(-min(max(years), year(today) + AHEAD_YEARS) // 1))
        first -= first % 2
        last = max(last + last % 2, first + 6)
        return cls(first, last, year(today))

    def fraction(self, moment: float) -> float:
        """Return the place of a year, held within the axis."""
        return min(max((moment - self.first) / (self.last - self.first), 0.0), 1.0)

    def x(self, day: date) -> str:
        """Return the place of a day in percent."""
        return percent(self.fraction(year(day)))

    @property
    def now(self) -> str:
        """Return today's place in percent."""
        return percent(self.fraction(self.today))

    def letters(self) -> Element:
        """Return the axis's years, and "today" before any that would lie on it."""
        years = [
            AxisFigure(self.fraction(shown), str(shown)) for shown in range(self.first, self.last + 1, 2)
        ]
        return letters([*years, AxisFigure(self.fraction(self.today), "today", strong=True)])

    def ruling(self, height: float) -> list[Element]:
        """Return a hairline a year."""
        return [
            line(percent(self.fraction(y)), 0, percent(self.fraction(y)), height, "hair")
            for y in range(self.first, self.last + 1)
        ]


def span_of(
    state: BankState, installed: date | None, forecast: Sequence[ExpectedCapacity], *, to: date | None = None
) -> list[date]:
    """Return the days an axis must hold for a bank; `to` is how far its forecast is to be seen."""
    dates = state.dates
    days = [d for d in (installed, dates.expected_end, dates.order_by, dates.replace_by) if d]
    days += [discharge.at.date() for discharge in state.discharges]
    crossing = _box(state, forecast)
    ahead = [f.day for f in forecast if to is not None and f.day <= to]
    return [*days, *ahead, *([crossing[1]] if crossing else [])]


def row(
    state: BankState, installed: date | None, forecast: Sequence[ExpectedCapacity], years: Years, today: date
) -> Element:
    """Return the line of one bank in the overview, 60 px high."""
    drawn: list[Nodes] = [*years.ruling(60)]
    judged = [d for d in state.discharges if d.capacity_fraction is not None]
    begin = installed or (judged[0].at.date() if judged else None)
    below = state.capacity.fraction is not None and state.capacity.fraction < END_OF_LIFE
    if begin:
        life = "life" if judged else "life by-age"
        drawn.append(line(years.x(begin), 30, years.now, 30, life))
        if not judged:
            drawn.append(line(years.x(begin), 21, years.x(begin), 40, "born"))
    crossing = _box(state, forecast)
    if crossing:
        a, b = (years.fraction(year(day)) for day in crossing)
        drawn.append(
            rect(
                percent(a),
                20,
                percent(max(b - a, 0.004)),
                20,
                "window" if judged else "unknown",
                fill=None if judged else "h-loose",
            )
        )
    if state.dates.expected_end and judged:
        x = years.x(state.dates.expected_end)
        drawn.append(line(x, 20, x, 40, "middle"))
    last = len(judged) - 1
    drawn += [
        el(
            "circle",
            cx=years.x(d.at.date()),
            cy="30",
            r="5",
            class_="dot under" if below and n == last else "dot",
        )
        for n, d in enumerate(judged)
    ]
    drawn.append(line(years.now, 0, years.now, 60, "today"))
    by = state.dates.replace_by
    if by:
        drawn += flag(years.x(max(by, today)), 6, 46, due=by <= today)
    return svg(60, drawn, class_="bankrow", name=row_answer(state, installed, today))


def row_answer(state: BankState, installed: date | None, today: date) -> str:
    """Return all a row says, as a sentence."""
    said = [f"bank {state.id}"]
    if installed:
        said.append(f"installed {WallClock.day(installed)}")
    judged = [d for d in state.discharges if d.capacity_fraction is not None]
    said.append(f"{len(judged)} judged discharges" if judged else "no judged discharge")
    by = state.dates.replace_by
    span = state.dates.by_age_alone
    unknown = "no date can be told" + (
        f"; by age alone {years_words(span.from_day, span.to_day)}" if span else ""
    )
    if state.too_small:
        said.append("too small for what is asked even new")
    until = f"{'worn out' if state.too_small else 'replace'} {due_words(state.dates, today)}"
    said.append(("overdue" if by <= today else until) if by else unknown)
    return "; ".join(said)


def flag(x: str, top: float, bottom: float, *, due: bool) -> list[Element]:
    """Return a flag at a day, in the ink of what is due where it is due."""
    ink = "flagline due" if due else "flagline"
    head = el("path", d="M-6 -2H6L0 6Z", class_="flaghead due" if due else "flaghead")
    return [
        line(x, top, x, bottom, ink),
        el("svg", head, x=x, y=top, overflow="visible", width="1", height="1"),
    ]


def _box(state: BankState, forecast: Sequence[ExpectedCapacity]) -> tuple[date, date] | None:
    """Return the 90 % interval of the bank's end: as judged, else where the ends of the forecast cross 80 %."""
    if state.dates.ends_early and state.dates.ends_late:
        return state.dates.ends_early, state.dates.ends_late
    if state.dates.by_age_alone is not None:
        return state.dates.by_age_alone.from_day, state.dates.by_age_alone.to_day
    early = _crossing([(f.day, f.low) for f in forecast])
    late = _crossing([(f.day, f.high) for f in forecast])
    if early is None:
        return None
    end = late or forecast[-1].day
    return (early, max(end, early))


def _crossing(points: Sequence[tuple[date, float]]) -> date | None:
    previous: tuple[date, float] | None = None
    for day, value in points:
        if value <= END_OF_LIFE:
            if previous is None or previous[1] <= value:
                return day
            part = (previous[1] - END_OF_LIFE) / (previous[1] - value)
            return previous[0] + (day - previous[0]) * min(max(part, 0.0), 1.0)
        previous = (day, value)
    return None


@dataclass(frozen=True)
class River:
    """What the river of one bank shows. `hatched`: by age alone."""

    state: BankState
    forecast: tuple[ExpectedCapacity, ...]
    years: Years
    today: date
    installed: date | None = None
    height: float = 150.0
    low: float = 0.4
    high: float = 1.1

    def y(self, fraction: float) -> float:
        """Return the height of a capacity, in per cent from the top, held within the drawing."""
        return min(max((self.high - fraction) / (self.high - self.low), 0.0), 1.0) * 100.0

    def px(self, fraction: float) -> float:
        """Return the height of a capacity in pixels from the top."""
        return self.y(fraction) * self.height / 100.0


def river(picture: River) -> Element:
    """Return the river of one bank, with its whole answer as its name."""
    years, state = picture.years, picture.state
    judged = [d for d in state.discharges if d.capacity_fraction is not None]
    parts: list[Nodes] = [*years.ruling(picture.height), *_flow(picture, judged)]
    asks_more = state.asked_fraction is not None and state.asked_fraction > END_OF_LIFE
    parts += _level(picture, END_OF_LIFE, "80 % end of life", "level", right=True, above=not asks_more)
    if state.asked_fraction is not None and picture.low < state.asked_fraction < picture.high:
        words = f"{whole(state.asked_fraction)} % asked of it"
        parts += _level(picture, state.asked_fraction, words, "level asked", right=False, above=asks_more)
    parts += [
        text("0", picture.px(v) - 9, f"{whole(v)} %", dx=4, class_="soft")
        for v in (1.0, 0.6)
        if state.asked_fraction is None or abs(picture.px(v) - picture.px(state.asked_fraction) - 24) > 16
    ]
    parts.append(line(years.now, 0, years.now, picture.height, "today"))
    by = state.dates.replace_by
    if by:
        due, by = by <= picture.today, max(by, picture.today)
        right = years.fraction(year(by)) > 0.8
        parts += flag(years.x(by), 0, picture.height, due=due)
        words = (
            "replace now"
            if due
            else about_day(by, state.dates.ends_early, state.dates.ends_late, picture.today)
        )
        parts.append(
            text(
                years.x(by),
                12,
                words,
                dx=-10 if right else 10,
                end=right,
                class_="short strong" if due else "strong",
            )
        )
    parts += _dots(picture, judged) if judged else _by_age(picture)
    parts.append(line("0", picture.height - 0.5, "100%", picture.height - 0.5, "rule"))
    return svg(picture.height, parts, class_="river", name=river_answer(picture))


def river_answer(picture: River) -> str:
    """Return all a river says, as a sentence."""
    said = [row_answer(picture.state, None, picture.today)]
    said += [
        f"{WallClock.day(d.at.date())}: {whole(d.capacity_fraction)} %"
        for d in picture.state.discharges[-3:]
        if d.capacity_fraction is not None
    ]
    return "; ".join(said)


def _by_age(picture: River) -> list[Element]:
    """Return what age alone says of a bank without a judged discharge: a dotted way to a hollow mark, and its reach."""
    state, years = picture.state, picture.years
    capacity = state.capacity
    if capacity.fraction is None:
        return []
    drawn: list[Element] = []
    if picture.installed:
        begin = years.fraction(year(picture.installed)) * (years.last - years.first)
        now = years.fraction(years.today) * (years.last - years.first)
        way = path([(begin, picture.y(1.0)), (now, picture.y(capacity.fraction))])
        span = (float(years.last - years.first), 100.0)
        drawn.append(stretched(span, el("path", d=way, class_="l-age"), y=0, height=picture.height))
    if capacity.low is not None and capacity.high is not None and not picture.forecast:
        top, bottom = picture.px(capacity.high), picture.px(capacity.low)
        x = percent(years.fraction(years.today) - 0.006)
        drawn.append(rect(x, top, "1.2%", bottom - top, "unknown", fill="h-loose"))
    drawn.append(el("circle", cx=years.now, cy=picture.px(capacity.fraction), r="5", class_="claim"))
    return drawn


def _flow(picture: River, judged: Sequence[JudgedDischarge]) -> list[Element]:
    years = picture.years
    span = years.last - years.first
    past = [(year(d.at.date()) - years.first, d.capacity_fraction or 0.0, d.low, d.high) for d in judged]
    ahead = [(year(f.day) - years.first, f.median, f.low, f.high) for f in picture.forecast]
    drawn: list[Element] = []
    ruled: list[Element] = []
    bands = [(x, m if lo is None else lo, m if hi is None else hi) for x, m, lo, hi in past]
    if len(past) > 1:
        corners = [(x, picture.y(hi)) for x, _, hi in bands] + [
            (x, picture.y(lo)) for x, lo, _ in reversed(bands)
        ]
        drawn.append(el("polygon", points=polygon(corners), class_="fan"))
        drawn.append(el("path", d=path((x, picture.y(m)) for x, m, _, _ in past), class_="l-all"))
    if ahead:
        start = [(past[-1][0], past[-1][1], bands[-1][1], bands[-1][2])] if past else []
        course = [*start, *[p for p in ahead if not past or p[0] > past[-1][0]]]
        corners = [(x, picture.y(hi)) for x, _, _, hi in course] + [
            (x, picture.y(lo)) for x, _, lo, _ in reversed(course)
        ]
        clip = f"river-{picture.state.id}"
        shape = polygon((x / span, y / 100.0) for x, y in corners)
        ruled = [
            el("clipPath", el("polygon", points=shape), id=clip, clipPathUnits="objectBoundingBox"),
            el(
                "rect",
                width="100%",
                height=picture.height,
                fill="url(#h-ruled)" if past else "url(#h-loose)",
                clip_path=f"url(#{clip})",
            ),
        ]
        drawn.append(
            el(
                "path",
                d=path((x, picture.y(m)) for x, m, _, _ in course),
                class_="l-lost thin" if past else "l-age",
            )
        )
    return [*ruled, stretched((span, 100), drawn, y=0, height=picture.height)]


def _level(picture: River, at: float, words: str, class_: str, *, right: bool, above: bool) -> list[Element]:
    y = picture.px(at)
    at_y = y - 5 if above else y + 15
    label = text("100%", at_y, words, dx=-4, end=True) if right else text("0", at_y, words, dx=4)
    return [line("0", y, "100%", y, class_), label]


def _dots(picture: River, judged: Sequence[JudgedDischarge]) -> list[Element]:
    drawn: list[Element] = []
    for d in judged:
        value = d.capacity_fraction or 0.0
        x = picture.years.x(d.at.date())
        if d.low is not None and d.high is not None:
            drawn.append(line(x, picture.px(d.high), x, picture.px(d.low), "reach"))
        under = "dot under" if value < END_OF_LIFE else "dot"
        drawn.append(el("circle", cx=x, cy=picture.px(value), r="5", class_=under))
    return drawn
