"""What was recorded of a bank's discharges: all of them, newest first; and one, its volts, power and current as they were read."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from urllib.parse import quote

from api.pages.markup.course_plot import DrawnCourse, Plot, PlotDot, plot
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.frame import PageFrame, address_of, question
from collector.read_model.answers import DischargeRecord, DischargeRow
from collector.read_model.sheet import Sheet
from collector.read_model.wall_clock import WallClock
from rules.battery.state import JudgedDischarge
from rules.phrasing.figures import age, capital, end_percent, kilo, stopwatch, whole_percent

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


def discharge_page(sheet: Sheet, bank: str, record: DischargeRecord) -> PageFrame:
    """Return one discharge: what came of it, and its volts, power, current and temperature as they were read."""
    clock = _clock(sheet, bank)
    when = f"{clock.on(record.at)}, {clock.second(_moment(record, record.started_s))}"
    facts: list[Nodes] = [
        f"{capital(KINDS.get(record.kind, record.kind))} of {when}: {_took(record)}. {_judged_words(_judged(sheet, bank, record))}"
    ]
    if record.claimed_s is not None:
        facts.append(f" The card had promised {stopwatch(record.claimed_s)} just before.")
    if record.longest_gap_s > 60.0:
        facts.append(f" The longest time without a reading was {age(record.longest_gap_s)}.")
    plots = [one for one in _plots(record, clock) if one is not None]
    rows = el("a", "Its rows, as JSON", href=f"/v1{way_to(bank, record.id)}")
    body = [
        el("p", facts, class_="prose"),
        el("div", plots, class_="courses") if plots else el("p", "No row holds a reading.", class_="say"),
        el("p", rows, class_="rest"),
    ]
    return PageFrame(
        f"Discharge of bank {bank}",
        way_to(bank, record.id),
        (
            _heading(bank, when),
            question(
                None, "As it was read", "The least of each moment. The dot: when it ended, and how.", body
            ),
        ),
        live=False,
    )


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
        return "Seen, not judged."
    between = ""
    if judged.low is not None and judged.high is not None:
        between = f" ({end_percent(judged.low)} to {end_percent(judged.high)})"
    depth = "" if judged.depth_fraction is None else f", {whole_percent(judged.depth_fraction)} % of it drawn"
    return f"Judged {whole_percent(judged.capacity_fraction)} %{between}{depth}."


def _plots(record: DischargeRecord, clock: WallClock) -> list[Element | None]:
    return [
        _plot(
            record,
            clock,
            "Volts",
            "V, of the bank",
            lambda row: row.voltage_v,
            lambda v: f"{v:.0f}",
            1.0,
        ),
        _plot(
            record, clock, "Power", "kW, of the units it feeds", lambda row: row.output_power_w, kilo, 100.0
        ),
        _plot(
            record,
            clock,
            "Current",
            "A, out of the bank",
            lambda row: row.current_a,
            lambda a: f"{a:.0f}",
            1.0,
        ),
        _plot(record, clock, "Temperature", "°C", lambda row: row.temperature_c, lambda c: f"{c:.0f}", 1.0),
    ]


def _plot(  # noqa: PLR0917 - a plot of one column and how it is written
    record: DischargeRecord,
    clock: WallClock,
    title: str,
    unit: str,
    of: Callable[[DischargeRow], float | None],
    figure: Callable[[float], str],
    finest: float,
) -> Element | None:
    values = _values(record, of)
    if all(value is None for value in values):
        return None
    length_s = max(record.rows[-1].t_s, 1.0)
    dots: tuple[PlotDot, ...] = ()
    end = next((value for value in reversed(values) if value is not None), None)
    if record.ended_s is not None and end is not None and title == "Volts":
        at = int(min(record.ended_s / length_s, 0.999) * len(values))
        here = values[at]
        how = "output lost" if record.ended_how == "output_lost" else "supply back"
        dots = (PlotDot(_moment(record, record.ended_s), end if here is None else here, how),)
    return plot(
        Plot(
            title,
            unit,
            _moment(record, length_s),
            timedelta(seconds=length_s),
            (DrawnCourse(title.lower(), values),),
            figure,
            clock,
            finest=finest,
            dots=dots,
        )
    )


def _values(record: DischargeRecord, of: Callable[[DischargeRow], float | None]) -> tuple[float | None, ...]:
    """Return the least of each stretch; a stretch between two rows a normal reading apart holds the earlier's value."""
    length_s = max(record.rows[-1].t_s, 1.0)
    count = min(BUCKETS, max(len(record.rows), 2))
    found: list[float | None] = [None] * count
    for row in record.rows:
        value = of(row)
        place = min(int(row.t_s / length_s * count), count - 1)
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
