"""The strip of a planned shutdown: clock hours, and what carries the load when, with the generator and without it.

Black is mains or generator, the held ink the banks, the short hatch a load that is dropped, the loose hatch what
cannot be told. The load is taken to be lost at the earliest moment foretold.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.svg import (
    NARROW_PX,
    WIDE_PX,
    Axis,
    AxisFigure,
    blank,
    letters,
    line,
    percent,
    rect,
    svg,
    text,
)
from collector.read_model.wall_clock import WallClock
from rules.planning.ridethrough.scenario import Scenario
from rules.planning.ridethrough.shutdown import Way, lasts_s
from rules.planning.ridethrough.supply import SupplyChange
from rules.values.verdict import Verdict

STEPS_MIN: Final = (5, 10, 15, 30, 60, 120, 240, 480, 1440)
MOST_HOURS: Final = 7
LEAD: Final = 0.06
"""What is drawn before the start and after the end, as part of the whole."""
HEIGHT: Final = 30.0
CHARACTER_PX: Final = 6.9


@dataclass(frozen=True, slots=True)
class Band:
    """What carries the load from one second to another: "mains", "set", "banks", "dropped" or "unknown"."""

    what: str
    from_s: float
    until_s: float


def bands(way: Way, scenario: Scenario, end_s: float) -> tuple[Band, ...]:
    """Return what carries the load from the start to `end_s`, in order."""
    unknown = way.result.verdict is Verdict.CANNOT_TELL
    lost_s = way.expected_s if way.lost_s[0] is None else way.lost_s[0]
    found: list[Band] = []
    at_s, carrier = 0.0, "mains"
    for stretch in way.stretches:
        until_s = min(stretch.until_s, end_s)
        if stretch.from_s > at_s:
            found.append(Band(carrier, at_s, stretch.from_s))
        dropped = lost_s is not None and lost_s < until_s
        held_s = min(max(lost_s or 0.0, stretch.from_s), until_s) if dropped else until_s
        found.append(Band("unknown" if unknown else "banks", stretch.from_s, held_s))
        found.append(Band("dropped", held_s, until_s))
        at_s, carrier = until_s, "set" if stretch.ended is SupplyChange.SET_CARRIES else "mains"
        if dropped:  # what is dropped stays so until the mains is back and somebody sees to it
            back_s = min(max(lasts_s(scenario), until_s), end_s)
            found.append(Band("dropped", until_s, back_s))
            at_s, carrier = back_s, "mains"
            break
    found.append(Band(carrier, at_s, end_s))
    return tuple(_joined(band for band in found if band.until_s > band.from_s))


def _joined(found: Iterator[Band]) -> Iterator[Band]:
    before: Band | None = None
    for band in found:
        if before is not None and before.what == band.what and before.until_s == band.from_s:
            before = Band(band.what, before.from_s, band.until_s)
            continue
        if before is not None:
            yield before
        before = band
    if before is not None:
        yield before


@dataclass(frozen=True)
class Strip:
    """One shutdown to be drawn: rows by name, from when it starts. `now`: where the present is, if it runs."""

    rows: tuple[tuple[str, tuple[Band, ...] | None], ...]
    starts_at: datetime
    end_s: float
    clock: WallClock
    answer: str
    now: datetime | None = None

    @property
    def lead_s(self) -> float:
        """Return how much is drawn before the start."""
        return LEAD * self.end_s

    @property
    def axis(self) -> Axis:
        """Return the axis, from shortly before the start."""
        return Axis(self.end_s + 2.0 * self.lead_s)

    def fraction(self, seconds: float) -> float:
        """Return the place of a moment, given in s after the start."""
        return self.axis.fraction(seconds + self.lead_s)


def strip(picture: Strip) -> Element:
    """Return the drawing; its rows are named beside it, its answer stands in its label."""
    rails: list[Nodes] = [el("span"), el("div", _hours(picture), class_="hrs")]
    for number, (name, found) in enumerate(picture.rows):
        label = picture.answer if number == 0 else None
        rails += [el("span", name, class_="way"), el("div", _rail(picture, found, label), class_="rail")]
    return el("div", rails, class_="strip")


def _hours(picture: Strip) -> Element:
    return letters([AxisFigure(picture.fraction(s), words) for s, words in hours(picture)])


def hours(picture: Strip) -> list[tuple[float, str]]:
    """Return the whole clock hours (or parts of one) of the site that are drawn, in s after the start."""
    span_s = picture.axis.span_s
    step = next((m for m in STEPS_MIN if span_s / 60.0 / m <= MOST_HOURS), STEPS_MIN[-1]) * 60.0
    local = picture.starts_at.astimezone(picture.clock.zone)
    midnight = local.replace(hour=0, minute=0, second=0, microsecond=0)
    into_s = (local - midnight).total_seconds()
    first = -(-(into_s - picture.lead_s) // step)
    found = []
    at_s = first * step - into_s
    while at_s <= picture.end_s + picture.lead_s:
        moment = picture.starts_at + timedelta(seconds=at_s)
        found.append((at_s, picture.clock.minute(moment)))
        at_s += step
    return found or [(0.0, picture.clock.minute(picture.starts_at))]


def _rail(picture: Strip, found: Sequence[Band] | None, label: str | None) -> Element:
    parts: list[Nodes] = [line("0", HEIGHT - 0.5, "100%", HEIGHT - 0.5, "hair")]
    lead = picture.lead_s
    if found is None:
        parts.append(text("0", 20, "no generator behind this supply", dx=4, class_="soft"))
        return svg(HEIGHT, parts, name=label)
    drawn = [
        Band("mains", -lead, 0.0),
        *found,
        Band("mains", picture.end_s, picture.end_s + lead),
    ]
    for band in _joined(iter(drawn)):
        x, width = percent(picture.fraction(band.from_s)), _width(picture, band)
        if band.what == "dropped":
            parts.append(rect(x, 5, width, 20, "notheld", fill="h-short"))
        elif band.what == "unknown":
            parts.append(rect(x, 5, width, 20, "unknown", fill="h-loose"))
        else:
            parts.append(rect(x, 12, width, 7, "onbanks" if band.what == "banks" else "onsupply"))
    for band in found:
        parts += _words(picture, band)
    if picture.now is not None:
        at = percent(picture.fraction((picture.now - picture.starts_at).total_seconds()))
        parts.append(line(at, 0, at, HEIGHT, "nowline"))
    return svg(HEIGHT, parts, name=label)


def _width(picture: Strip, band: Band) -> str:
    return percent(max(picture.fraction(band.until_s) - picture.fraction(band.from_s), 0.0))


NAMES: Final = {"set": "generator", "dropped": "dropped", "banks": "banks", "unknown": "cannot tell"}
INKS: Final = {"dropped": "short", "banks": "held", "unknown": "soft"}


def _words(picture: Strip, band: Band) -> list[Element]:
    """Return a band's name in its middle, where there is room for it."""
    name = NAMES.get(band.what)
    wide = picture.fraction(band.until_s) - picture.fraction(band.from_s)
    room_px = len(name or "") * CHARACTER_PX + 10.0
    if name is None or wide * WIDE_PX < room_px + 8.0:
        return []
    middle = percent((picture.fraction(band.from_s) + picture.fraction(band.until_s)) / 2.0)
    said = [
        blank(middle, 15.5, room_px),
        text(middle, 20, name, middle=True, class_=INKS.get(band.what, "")),
    ]
    return said if wide * NARROW_PX >= room_px + 8.0 else [el("g", said, class_="for-wide")]
