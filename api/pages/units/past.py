"""How a unit went: a day, a month and two years of its load, its share, its bank's volts and temperature."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from api.pages.markup.course_plot import DrawnCourse, Plot, PlotDot, PlotLimit, plot
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.frame import PageFrame, address_of, question
from collector.read_model.history.unit_past import LENGTH, POINTS, Course, PastSpan, UnitPast
from collector.read_model.sheet import Sheet
from collector.read_model.wall_clock import WallClock
from rules.battery.state import JudgedDischarge
from rules.phrasing.figures import kilo, whole_percent
from rules.plant.estate import in_place

TITLE = "How it went"
READING = (
    "Means, as fine as a plot can show; the least of a bank's volts. Loose hatch: not read. Full dots: discharges that were "
    "judged; hollow ones were only seen."
)
MOST_DOTS = 6
"""The newest discharges that have room in a plot."""


def past_page(sheet: Sheet, past: UnitPast) -> PageFrame:
    """Return the sheet of a unit's past."""
    name, unit = past.unit, sheet.estate.units[past.unit]
    clock = WallClock(sheet.site(unit.system).time_zone, sheet.now)
    system = sheet.estate.systems[unit.system].name
    back = el("a", "What it reads now", href=address_of("units", name))
    heading = el(
        "h1",
        el("b", f"Unit {name}"),
        f" of {system}: two years back. ",
        el("span", back, class_="why"),
        class_="lead one",
    )
    plots = [_load(sheet, past, span, clock) for span in PastSpan]
    plots += [_share(past, clock)]
    plots += [_voltage(sheet, past, span, clock) for span in (PastSpan.MONTH, PastSpan.YEARS)]
    plots += [_temperature(past, span, clock) for span in (PastSpan.MONTH, PastSpan.YEARS)]
    body = question(
        None, TITLE, READING, _imported(past, clock), el("div", plots, class_="courses"), _elsewhere(past)
    )
    return PageFrame(
        f"Unit {name}, its past", f"{address_of('units', name)}/past", (heading, body), live=False
    )


def _imported(past: UnitPast, clock: WallClock) -> Nodes:
    """Return what of this was not measured here, in words; nothing where all of it was."""
    return [
        el(
            "p",
            f"Imported, not measured here: {clock.on(one.first)} to {clock.on(one.last)}, from {one.file}, by {one.by} on "
            f"{clock.on(one.at)}. Where a reading of our own stands, it is shown.",
            class_="rest",
        )
        for one in past.imported
    ]


def _elsewhere(past: UnitPast) -> Element:
    start = past.end - LENGTH[PastSpan.MONTH]
    query = f"quantity=output_power_w&line=1&from={_rfc3339(start)}&to={_rfc3339(past.end)}&points=720"
    address = f"/v1{address_of('units', past.unit)}/history?{query}"
    return el(
        "p", el("a", "These readings, as JSON", href=address), ": any quantity, line and span.", class_="rest"
    )


def _rfc3339(moment: datetime) -> str:
    return f"{moment:%Y-%m-%dT%H:%M:%SZ}"


def _load(sheet: Sheet, past: UnitPast, span: PastSpan, clock: WallClock) -> Element:
    unit = sheet.estate.units[past.unit]
    cabinet = in_place(unit.fitted, sheet.now.date())
    limits: tuple[PlotLimit, ...] = ()
    if cabinet is not None:
        each_w = cabinet.rating_w / unit.output_lines
        limits = (PlotLimit(each_w, f"one line carries {kilo(each_w, 2)}"),)
    courses = past.loads[span]
    drawn = tuple(DrawnCourse(f"L{course.line}", tuple(b.mean for b in course.buckets)) for course in courses)
    words = f"kW, means of {_bucket_words(span)}{_peak(courses, span, clock)}"
    return plot(
        Plot(
            f"Load a line, {span.value}",
            words,
            past.end,
            LENGTH[span],
            drawn,
            lambda w: kilo(w, 1),
            clock,
            limits,
            holds=(0.0,),
            finest=100.0,
        )
    )


def _bucket_words(span: PastSpan) -> str:
    return {PastSpan.DAY: "5 min", PastSpan.MONTH: "2 h", PastSpan.YEARS: "2 days"}[span]


def _peak(courses: Sequence[Course], span: PastSpan, clock: WallClock) -> str:
    """Return the highest reading of all lines and when it was: means hide it."""
    peaks = [(b.max, c.line, b.start) for c in courses for b in c.buckets if b.max is not None]
    if not peaks:
        return ""
    value, line, start = max(peaks, key=lambda one: one[0])
    return f"; the highest reading, L{line}: {kilo(value, 2)}, {_between(start, start + LENGTH[span] / POINTS[span], clock)}"


def _between(start: datetime, end: datetime, clock: WallClock) -> str:
    """Return within what time a reading of a bucket was: nothing finer is kept of it."""
    first, last = clock.on(start), clock.on(min(end, clock.now))
    if first != last:
        return f"{first} to {last}"
    return f"{first}, {clock.minute(start)} to {clock.minute(min(end, clock.now))}"


def _share(past: UnitPast, clock: WallClock) -> Element:
    course = DrawnCourse("share", past.share)
    return plot(
        Plot(
            "Share of its system, 24 h",
            "% of the power of all units",
            past.end,
            LENGTH[PastSpan.DAY],
            (course,),
            lambda part: f"{whole_percent(part)} %",
            clock,
            holds=(0.0, 1.0),
            finest=0.01,
        )
    )


def _voltage(sheet: Sheet, past: UnitPast, span: PastSpan, clock: WallClock) -> Element:
    course = past.voltage[span]
    least = tuple(b.min for b in course.buckets)
    return plot(
        Plot(
            f"Bank volts, {span.value}",
            f"V, the least of each {_bucket_words(span)}",
            past.end,
            LENGTH[span],
            (DrawnCourse("bank", least),),
            lambda v: f"{v:.0f}",
            clock,
            finest=1.0,
            dots=_dots(sheet, past, course, span, clock),
        )
    )


def _temperature(past: UnitPast, span: PastSpan, clock: WallClock) -> Element:
    values = tuple(b.mean for b in past.temperature[span].buckets)
    return plot(
        Plot(
            f"Bank temperature, {span.value}",
            f"°C, means of {_bucket_words(span)}",
            past.end,
            LENGTH[span],
            (DrawnCourse("bank", values),),
            lambda c: f"{c:.0f}",
            clock,
            finest=1.0,
        )
    )


def _dots(
    sheet: Sheet, past: UnitPast, course: Course, span: PastSpan, clock: WallClock
) -> tuple[PlotDot, ...]:
    """Return the newest discharges of the unit's banks in a span, at the least volts of their bucket."""
    start = past.end - LENGTH[span]
    found: list[tuple[JudgedDischarge, str]] = []
    for bank in sheet.estate.banks_of(past.unit):
        state = sheet.bank(bank.id)
        found += [(d, bank.id) for d in (state.discharges if state else ()) if start <= d.at < past.end]
    found.sort(key=lambda one: one[0].at)
    dots = []
    for discharge, of in found[-MOST_DOTS:]:
        value = _at(course, discharge.at, LENGTH[span])
        if value is None:
            continue
        judged = discharge.capacity_fraction
        words = f"{clock.day(discharge.at.astimezone(clock.zone).date())}"
        words += "" if judged is None else f": judged {whole_percent(judged)} %"
        dots.append(PlotDot(discharge.at, value, words, judged is not None, address_of("banks", of)))
    return tuple(dots)


def _at(course: Course, moment: datetime, length: timedelta) -> float | None:
    """Return the least of the bucket a moment lies in."""
    if not course.buckets:
        return None
    place = int((moment - course.buckets[0].start) / length * len(course.buckets))
    return course.buckets[min(max(place, 0), len(course.buckets) - 1)].min
