"""What was recorded of a bank's discharges: all of them, newest first; and one, as it was read, beside what was expected."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from urllib.parse import quote

from api.pages.markup.course_plot import DrawnCourse, Plot, PlotBand, PlotDot, PlotLimit, plot
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.frame import PageFrame, address_of, question
from collector.read_model.answers import DischargeRecord, DischargeRow, ExpectedDischarge
from collector.read_model.sheet import Sheet
from collector.read_model.wall_clock import WallClock
from rules.battery.discharge.expected import Beside, ExpectedCourse
from rules.battery.state import JudgedDischarge
from rules.phrasing.figures import age, capital, end_percent, kilo, stopwatch, whole_percent
from rules.phrasing.reasons import said

KINDS = {
    "outage": "outage",
    "test": "battery test",
    "acceptance": "acceptance test",
    "import": "imported log",
}
_A_SECOND = timedelta(seconds=1)
BUCKETS = 300
"""As many points as a plot of a discharge has: of each stretch the least that was read."""


def way_to(bank: str, record: str | None = None) -> str:
    """Return the address of a bank's discharges, or of one of them."""
    listed = f"{address_of('banks', bank)}/discharges"
    return listed if record is None else f"{listed}/{quote(record, safe='')}"


def discharges_page(
    sheet: Sheet, bank: str, records: Sequence[DischargeRecord], following: str | None
) -> PageFrame:
    """Return some of a bank's discharges, newest first. `following`: the mark of those that come after."""
    clock = _clock(sheet, bank)
    head = el("tr", [el("th", n, scope="col") for n in ("when", "from", "on the bank", "what came of it")])
    rows = [el("tr", _line(sheet, bank, one, clock)) for one in records]
    table: Nodes = (
        el("div", el("table", el("thead", head), el("tbody", rows), class_="tight"), class_="tw")
        if rows
        else el("p", "No discharge of this bank is on record.", class_="say")
    )
    older = (
        el("a", "Older ones", href=f"{way_to(bank)}?after={quote(following, safe='')}") if following else None
    )
    body = [table, el("p", older, class_="rest") if older else None]
    return PageFrame(
        f"Discharges of bank {bank}",
        way_to(bank),
        (_heading(bank, "its discharges"), question(None, "What was recorded", "Newest first.", body)),
        live=False,
    )


def discharge_page(
    sheet: Sheet, bank: str, record: DischargeRecord, expected: ExpectedDischarge | None
) -> PageFrame:
    """Return one discharge: what came of it, and its volts and power as they were read beside what was expected.

    `expected`: None where it could not be reckoned in time.
    """
    clock = _clock(sheet, bank)
    when = f"{clock.on(record.at)}, {clock.second(_moment(record, record.started_s))}"
    facts: list[Nodes] = [
        f"{capital(KINDS.get(record.kind, record.kind))}, {_took(record)}. {_judged_words(_judged(sheet, bank, record))}"
    ]
    if record.claimed_s is not None:
        facts.append(f" The card had promised {stopwatch(record.claimed_s)} just before.")
    if record.longest_gap_s > 60.0:
        facts.append(f" The longest time without a reading was {age(record.longest_gap_s)}.")
    main, more = _plots(record, clock, expected)
    rows = el("a", "Its rows, as JSON", href=f"/v1{way_to(bank, record.id)}")
    body = [
        el("p", facts, class_="prose"),
        _beside(expected),
        el("div", main, class_="courses deep") if main else el("p", "No row holds a reading.", class_="say"),
        el("div", more, class_="courses") if more else None,
        el("p", rows, class_="rest"),
    ]
    reading = (
        "Solid: the least of each moment that was read. Band and broken line: what was expected of this bank as it was known "
        "the day before, at the power it then gave; nine of ten such banks lie within."
    )
    return PageFrame(
        f"Discharge of bank {bank}",
        way_to(bank, record.id),
        (_heading(bank, when), question(None, "Read and expected", reading, body)),
        live=False,
    )


def _beside(expected: ExpectedDischarge | None) -> Element:
    """Return where the last volts lay beside those expected, or why nobody can say."""
    if expected is None:
        return el("p", "What was expected is still being reckoned; load this page again.", class_="say")
    volts = expected.volts
    if volts is None:
        words = "Too little was drawn, or known of the bank, for volts to be expected of it."
        return el("p", words, class_="say")
    low, high = f"{volts.low_v[-1]:.0f}", f"{volts.high_v[-1]:.0f} V"
    read = el("b", f"{volts.read_v:.0f} V")
    if volts.beside is Beside.WITHIN:
        return el("p", read, f" at its end, within the {low} to {high} expected.", class_="say")
    under = volts.beside is Beside.UNDER
    where = el("span", "under" if under else "over", class_="short-ink" if under else "")
    return el("p", read, " at its end, ", where, f" the {low} to {high} expected.", class_="say")


def _heading(bank: str, words: str) -> Element:
    back = el("a", "The bank's sheet", href=address_of("banks", bank))
    more = el("a", "all its discharges", href=way_to(bank))
    return el(
        "h1",
        el("b", f"Bank {bank}"),
        f": {words} ",
        el("span", back, " · ", more, class_="why"),
        class_="lead one",
    )


def _clock(sheet: Sheet, bank: str) -> WallClock:
    system = sheet.estate.units[sheet.estate.banks[bank].feeds[0]].system
    return WallClock(sheet.site(system).time_zone, sheet.now)


def _line(sheet: Sheet, bank: str, record: DischargeRecord, clock: WallClock) -> list[Element]:
    start = _moment(record, record.started_s)
    words = f"{clock.on(start)}, {clock.second(start)}"
    return [
        el("th", el("a", words, href=way_to(bank, record.id)), scope="row"),
        el("td", KINDS.get(record.kind, record.kind)),
        el("td", _took(record)),
        el("td", _judged_words(_judged(sheet, bank, record))),
    ]


def _moment(record: DischargeRecord, seconds: float) -> datetime:
    return record.at + timedelta(seconds=seconds)


def _took(record: DischargeRecord) -> str:
    if record.ended_s is None:
        return "it goes on"
    how = "its output was lost" if record.ended_how == "output_lost" else "the supply came back"
    return f"{stopwatch(record.ended_s - record.started_s)}, then {how}"


def _judged(sheet: Sheet, bank: str, record: DischargeRecord) -> JudgedDischarge | None:
    """Return what a discharge showed of the bank, None where it was not judged, or not since the start."""
    state = sheet.bank(bank)
    known = state.discharges if state is not None else ()
    # a discharge is judged from when it began, and its record begins with the rest before it
    ended_s = record.rows[-1].t_s if record.ended_s is None else record.ended_s
    until = _moment(record, ended_s)
    return next((d for d in known if record.at - _A_SECOND <= d.at <= until), None)


def _judged_words(judged: JudgedDischarge | None) -> str:
    if judged is None or judged.capacity_fraction is None:
        return oddities(judged) or "Seen, not judged."
    between = ""
    if judged.low is not None and judged.high is not None:
        between = f" ({end_percent(judged.low)} to {end_percent(judged.high)})"
    depth = "" if judged.depth_fraction is None else f", {whole_percent(judged.depth_fraction)} % of it drawn"
    odd = oddities(judged)
    return f"Judged {whole_percent(judged.capacity_fraction)} %{between}{depth}.{' ' if odd else ''}{odd}"


def oddities(judged: JudgedDischarge | None) -> str:
    """Return what is said of a discharge's record itself: why it cannot be judged, or what was mended; empty: nothing."""
    if judged is None or not judged.because:
        return ""
    said_of_it = said(judged.because)
    if judged.capacity_fraction is None:
        *mended, why = said_of_it
        return " ".join([f"Cannot tell: {why}.", *(f"{capital(one)}." for one in mended)])
    return " ".join(f"{capital(one)}." for one in said_of_it)


@dataclass(frozen=True, slots=True)
class _Column:
    """What is drawn of a discharge: one column of its rows, and how its values are written."""

    title: str
    unit: str
    of: Callable[[DischargeRow], float | None]
    figure: Callable[[float], str]
    finest: float = 1.0
    holds: tuple[float, ...] = ()


_VOLTS: Final = _Column("Volts", "V, of the bank", lambda row: row.voltage_v, lambda v: f"{v:.0f}")
_POWER: Final = _Column(
    "Power", "kW, of the units it feeds", lambda row: row.output_power_w, kilo, 100.0, (0.0,)
)
_CURRENT: Final = _Column("Current", "A, out of the bank", lambda row: row.current_a, lambda a: f"{a:.0f}")
_WARMTH: Final = _Column("Temperature", "°C", lambda row: row.temperature_c, lambda c: f"{c:.0f}")


def _plots(
    record: DischargeRecord, clock: WallClock, expected: ExpectedDischarge | None
) -> tuple[list[Element], list[Element]]:
    """Return what is drawn large, and what beside it."""
    rows = shown_rows(record)
    volts = expected.volts if expected is not None else None
    before_w = expected.power_w if expected is not None else None
    limits = () if before_w is None else (PlotLimit(before_w, f"just before {kilo(before_w)}"),)
    main = [
        _plot(record, rows, clock, _VOLTS, expected=volts),
        _plot(record, rows, clock, _POWER, limits=limits),
    ]
    more = [_plot(record, rows, clock, _CURRENT), _plot(record, rows, clock, _WARMTH)]
    return [one for one in main if one is not None], [one for one in more if one is not None]


def shown_rows(record: DischargeRecord) -> tuple[DischargeRow, ...]:
    """Return the rows that are drawn: from the last before the bank had to give to the last in which it did."""
    upto = record.ended_after_s
    return tuple(row for row in record.discharge_rows if upto is None or row.t_s <= upto)


def _plot(  # noqa: PLR0917 - a plot of one column, and what it is held against
    record: DischargeRecord,
    rows: Sequence[DischargeRow],
    clock: WallClock,
    column: _Column,
    expected: ExpectedCourse | None = None,
    limits: tuple[PlotLimit, ...] = (),
) -> Element | None:
    values = _values(rows, column.of)
    if all(value is None for value in values):
        return None
    first_s, length_s = rows[0].t_s, max(rows[-1].t_s - rows[0].t_s, 1.0)
    dots: tuple[PlotDot, ...] = ()
    end = next((value for value in reversed(values) if value is not None), None)
    if record.ended_s is not None and end is not None and column is _VOLTS:
        how = "output lost" if record.ended_how == "output_lost" else "supply back"
        dots = (PlotDot(_moment(record, first_s + length_s), end, how),)
    return plot(
        Plot(
            column.title,
            column.unit,
            _moment(record, first_s + length_s),
            timedelta(seconds=length_s),
            (DrawnCourse(column.title.lower(), values),),
            column.figure,
            clock,
            limits=limits,
            holds=column.holds,
            finest=column.finest,
            dots=dots,
            band=None if expected is None else _band(expected, first_s, length_s, len(values)),
        )
    )


def _band(expected: ExpectedCourse, first_s: float, length_s: float, count: int) -> PlotBand:
    """Return the band at the middle of each bucket, None where no volts were expected yet."""
    middles = [first_s + (n + 0.5) * length_s / count for n in range(count)]
    low, median, high = (
        tuple(_at(expected.t_s, values, t_s) for t_s in middles)
        for values in (expected.low_v, expected.median_v, expected.high_v)
    )
    return PlotBand("expected", low, median, high)


def _at(times: Sequence[float], values: Sequence[float], t_s: float) -> float | None:
    """Return a value between two that are told, None before the first; the last stands on."""
    place = bisect_right(times, t_s)
    if place == 0:
        return None
    if place == len(times):
        return values[-1]
    part = (t_s - times[place - 1]) / (times[place] - times[place - 1])
    return values[place - 1] + part * (values[place] - values[place - 1])


def _values(
    rows: Sequence[DischargeRow], of: Callable[[DischargeRow], float | None]
) -> tuple[float | None, ...]:
    """Return the least of each stretch; a stretch between two rows a normal reading apart holds the earlier's value."""
    if not rows:
        return (None,)
    first_s, length_s = rows[0].t_s, max(rows[-1].t_s - rows[0].t_s, 1.0)
    count = min(BUCKETS, max(len(rows), 2))
    found: list[float | None] = [None] * count
    for row in rows:
        value = of(row)
        place = min(int((row.t_s - first_s) / length_s * count), count - 1)
        if value is not None:
            before = found[place]
            found[place] = value if before is None else min(before, value)
    wide_s = length_s / count
    last: tuple[float, float] | None = None
    for place, value in enumerate(found):
        at_s = place * wide_s
        if value is not None:
            last = (at_s, value)
        elif last is not None and at_s - last[0] <= max(HELD_S, 2.0 * wide_s):
            found[place] = last[1]
    return tuple(found)


HELD_S = 30.0
"""A reading is drawn on for so long where none comes: three of a slow card's periods. A longer time is a gap."""
