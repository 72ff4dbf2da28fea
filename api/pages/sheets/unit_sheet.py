"""The sheet of one unit: what its card says, how old that is, what of it was doubted, and how the card answers.

Words and readings are set apart, and so are readings and claims: a card's own minutes and per cent stand at the
end, under what they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from api.pages.alarms.alarm_list import wrong
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.format import since
from api.pages.markup.frame import PageFrame, address_of, question
from api.pages.markup.marks import Standing, line_mark
from api.pages.sheets.unit_card import LATE, card_section, claims_section, doubts_section
from api.pages.units.redundancy import STANDS
from collector.read_model.sheet import Sheet, ShownUnit
from collector.read_model.wall_clock import WallClock
from rules.phrasing.figures import age, clause, kilo, stopwatch, whole_percent
from rules.plant.estate import Unit, in_place
from rules.plant.reading import Doubt, Reading
from rules.plant.unread import Unread
from rules.system.state import Standing as UnitStands
from rules.system.state import UnitStanding

STALE_POLLS: Final = 3.0


STALE_LEAST_S: Final = 15.0
"""A reading is stale past three poll periods and never under 15 s, as the verdicts take it."""


def unit_page(sheet: Sheet, name: str) -> PageFrame | None:
    """Return a unit's sheet, or None for a position that is not in the estate."""
    unit = sheet.estate.units.get(name)
    if unit is None:
        return None
    view = sheet.unit(name) or ShownUnit(name)
    clock = WallClock(sheet.site(unit.system).time_zone, sheet.now)
    parts: list[Element | None] = [_lead(sheet, unit, view)]
    if view.reading is not None:
        parts.append(_readings(sheet, view, view.reading, clock))
        parts.append(doubts_section(view.reading))
    parts.append(card_section(sheet, unit, view))
    if view.reading is not None:
        parts.append(claims_section(view.reading))
    mine = tuple(a for a in sheet.alarms if a.about == name)
    if mine:
        parts.append(wrong(sheet, mine, clock, of=unit.system))
    return PageFrame(f"Unit {name}", address_of("units", name), tuple(part for part in parts if part))


def stale(sheet: Sheet, view: ShownUnit) -> bool:
    """Return whether a unit's reading is too old to be called present, or absent."""
    limit = max(STALE_POLLS * ((view.card.poll_s if view.card else None) or sheet.poll_s), STALE_LEAST_S)
    return view.reading is None or view.silent_since is not None or view.age_s is None or view.age_s > limit


def _lead(sheet: Sheet, unit: Unit, view: ShownUnit) -> Element:
    state = sheet.system(unit.system)
    stands = next((u for u in state.units if u.id == unit.id), None) if state else None
    system = sheet.estate.systems[unit.system].name
    mark, said = _said(sheet, view, stands)
    cabinet = in_place(unit.fitted, sheet.now.date())
    fitted = (
        f"{cabinet.model}, {cabinet.rating_va / 1000:g} kVA, {cabinet.rating_w / 1000:g} kW"
        if cabinet
        else "no cabinet declared"
    )
    banks = [bank.id for bank in sheet.estate.banks_of(unit.id)]
    why: Nodes = [
        el("a", system, href=address_of("systems", unit.system)),
        f" · {fitted} · ",
        [el("a", f"bank {bank}", href=address_of("banks", bank)) for bank in banks[:1]]
        if banks
        else "no bank declared",
        " · ",
        el("a", "how it went", href=f"{address_of('units', unit.id)}/past"),
    ]
    row = el(
        "span",
        line_mark(mark),
        el("span", el("b", f"Unit {unit.id}"), " ", said, el("span", why, class_="why")),
        class_="row",
    )
    return el("h1", row, class_="lead", id="lead", live=True)


def _said(sheet: Sheet, view: ShownUnit, stands: UnitStanding | None) -> tuple[Standing, Nodes]:
    if view.fault:
        return "unknown", f"cannot be judged: a fault in ridethrough itself, {clause(view.fault)}."
    if view.reading is None and view.unread is Unread.NOT_ASKED:
        return "unknown", "has not been asked yet."
    if view.reading is None:
        return "unknown", "has never been read."
    if view.silent_since is not None:
        why = f" ({clause(view.why_silent)})" if view.why_silent else ""
        return "unknown", ["has been silent for ", since(view.silent_since, sheet.now), f"{why}."]
    if view.unread is not None and view.unread.ours and stale(sheet, view):
        return "unknown", LATE[view.unread]
    standing = stands.standing if stands else UnitStands.UNKNOWN
    share = stands.share_fraction if stands else None
    carries = (
        f" {whole_percent(share)} % of the load"
        if share is not None and standing is UnitStands.CARRYING
        else ""
    )
    mark: Standing = {
        UnitStands.CARRYING: "holds",
        UnitStands.RESTING: "holds",
        UnitStands.ON_BATTERY: "battery",
    }.get(standing, "unknown" if standing in {UnitStands.UNKNOWN, UnitStands.SILENT} else "short")  # type: ignore[assignment]
    words = (
        f"is {STANDS[standing]}{carries}"
        if standing is not UnitStands.UNKNOWN
        else "stands in a way that cannot be told"
    )
    return mark, [words, ", read ", since(view.reading.at, sheet.now), " ago."]


def _readings(sheet: Sheet, view: ShownUnit, reading: Reading, clock: WallClock) -> Element:
    old = stale(sheet, view)
    marked = {(doubt.object, doubt.line): doubt for doubt in reading.doubts}
    tables: list[Nodes] = []
    output = [
        (line.line, line.voltage_v, line.current_a, line.power_w, line.load_pct)
        for line in reading.output.lines
    ]
    tables.append(_lines("Output", "upsOutput", ("V", "A", "kW", "% of line"), output, marked))
    entering = [
        (line.line, line.voltage_v, line.current_a, line.power_w, line.frequency_hz)
        for line in reading.input.lines
    ]
    tables.append(_lines("Mains in", "upsInput", ("V", "A", "kW", "Hz"), entering, marked))
    if reading.bypass is not None:
        bypass = [
            (line.line, line.voltage_v, line.current_a, line.power_w, None) for line in reading.bypass.lines
        ]
        tables.append(_lines("Bypass", "upsBypass", ("V", "A", "kW", ""), bypass, marked))
    # how long a card is silent stands above: a second age, of its last answer, would differ from it by seconds
    quiet = view.silent_since is not None
    reading_words: Nodes = [
        "Live part last read at "
        if quiet
        else ["Live part read ", since(reading.at, sheet.now), " ago, at "],
        f"{clock.at(reading.at)}.",
    ]
    notes = [
        f"{part}: at {clock.at(at)}" if quiet else f"{part}: {age((sheet.now - at).total_seconds())} old"
        for part, at in sorted(reading.part_at.items())
        if at < reading.at
    ]
    if notes:
        reading_words = [reading_words, " Slower parts: " + "; ".join(notes) + "."]
    if reading.doubts:
        reading_words = [reading_words, " A small c marks what was corrected; why stands below."]
    body = el(
        "div",
        el("div", el("div", tables[:2]), el("div", _battery(reading, marked), tables[2:]), class_="two"),
        class_="readings stale" if old else "readings",
        id="readings",
        live=True,
    )
    when = el("span", reading_words, id="read-at", live=True)
    return question(None, "What it reads", when, body, id_="reads")


def _lines(
    title: str,
    prefix: str,
    units: Sequence[str],
    rows: Sequence[tuple[int, float | None, float | None, float | None, float | None]],
    marked: dict[tuple[str, int | None], Doubt],
) -> Element:
    names = {
        "V": "Voltage",
        "A": "Current",
        "kW": "TruePower" if prefix == "upsInput" else "Power",
        "% of line": "PercentLoad",
        "Hz": "Frequency",
    }
    shown = [unit for unit in units if unit]
    head = el(
        "tr", el("th", "line", scope="col"), [el("th", unit, class_="num", scope="col") for unit in shown]
    )
    body: list[Element] = []
    for line, *values in rows:
        cells: list[Element] = []
        for unit, value in zip(units, values, strict=True):
            if not unit:
                continue
            text = (
                None
                if value is None
                else kilo(value, 2)
                if unit == "kW"
                else f"{value:.0f}"
                if unit == "% of line"
                else f"{value:.1f}"
            )
            cells.append(_value(text, marked.get((prefix + names[unit], line))))
        body.append(el("tr", el("th", f"L{line}", scope="row"), cells))
    if not body:
        body = [el("tr", el("td", "no line was given", colspan=str(len(shown) + 1), class_="none"))]
    return el(
        "div",
        el("h3", title),
        el("div", el("table", el("thead", head), el("tbody", body), class_="tight"), class_="tw"),
    )


def _value(text: str | None, doubt: Doubt | None) -> Element:
    if text is None:
        return el("td", "not known", class_="num none doubted" if doubt else "num none")
    mark = el("sup", "c", title="corrected", aria_label="corrected") if doubt else None
    return el("td", text, mark, class_="num doubted" if doubt else "num")


def _battery(reading: Reading, marked: dict[tuple[str, int | None], Doubt]) -> Element:
    b, out = reading.battery, reading.output
    doubted = {name for name, _ in marked}
    rows = [
        ("output source", "upsOutputSource", out.source.value if out.source else None),
        ("output frequency", "upsOutputFrequency", _unit(out.frequency_hz, "Hz")),
        ("bank voltage", "upsBatteryVoltage", _unit(b.voltage_v, "V")),
        ("bank current, out of it", "upsBatteryCurrent", _unit(b.current_a, "A")),
        ("bank temperature", "upsBatteryTemperature", _unit(b.temperature_c, "°C", 0)),
        ("battery status", "upsBatteryStatus", b.status.value if b.status else None),
        (
            "on battery for",
            "upsSecondsOnBattery",
            None if b.on_battery_s is None else stopwatch(b.on_battery_s),
        ),
        (
            "times the mains was bad",
            "upsInputLineBads",
            None if reading.input.bad_count is None else str(reading.input.bad_count),
        ),
        (
            "last test",
            "upsTestResultsSummary",
            reading.test.result.value.replace("_", " ") if reading.test.result else None,
        ),
    ]
    body = [
        el("tr", el("th", name, scope="row"), _value_of(text, name_ in doubted)) for name, name_, text in rows
    ]
    return el(
        "div",
        el("h3", "Bank and state"),
        el("div", el("table", el("tbody", body), class_="tight"), class_="tw"),
    )


def _value_of(text: str | None, doubted: bool) -> Element:
    if text is None:
        return el("td", "not known", class_="num none")
    return el("td", text, el("sup", "c", aria_label="corrected") if doubted else None, class_="num")


def _unit(value: float | None, unit: str, decimals: int = 1) -> str | None:
    return None if value is None else f"{value:.{decimals}f} {unit}"
