"""The phase ruler: what each line asks against what the units left would carry, in watts and in volt-amperes.

Every bar is scaled so that the limit is one straight upright at 80 % of the width. A bar is now, cut by unit;
its whisker reaches the peak, and the peak decides. A unit that is not heard is a dotted part of its last share.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.svg import line, percent, rect, svg, text
from collector.read_model.sheet import Sheet
from rules.phrasing.figures import CANNOT_TELL, count, down, kilo, up
from rules.system.state import LineRedundancy, LoadBasis, Redundancy, Standing, SystemState

LIMIT_AT: float = 0.8
BASIS_WORDS = {
    LoadBasis.NOW: "load now, no peak known yet",
    LoadBasis.PEAK_30D: "30-day peak",
    LoadBasis.P95_30D: "30-day 95 %",
}


@dataclass(frozen=True, slots=True)
class CarriedShare:
    """What a unit carries of one line, in W or VA; `heard` False for its last share before it fell silent."""

    unit: str
    amount: float
    heard: bool


def shares(sheet: Sheet, state: SystemState, board_line: int, kind: Literal["w", "va"]) -> list[CarriedShare]:
    """Return what each unit carries of a board line, by its own last reading."""
    gone = {u.id for u in state.units if u.standing in {Standing.SILENT, Standing.UNKNOWN}}
    found: list[CarriedShare] = []
    for unit in sheet.estate.units_of(state.id):
        view = sheet.unit(unit.id)
        if view is None or view.reading is None:
            continue
        for own in view.reading.output.lines:
            placed = unit.line_order[own.line - 1] if 0 < own.line <= len(unit.line_order) else own.line
            amount = own.power_w if kind == "w" else own.apparent_va
            if placed == board_line and amount is not None and amount > 0:
                found.append(CarriedShare(unit.id, amount, unit.id not in gone))
    return found


def ruler(sheet: Sheet, state: SystemState, redundancy: Redundancy) -> Element:
    """Return the rulers of one system."""
    rows: list[Nodes] = [el("span", BASIS_WORDS[redundancy.basis], class_="pk")]
    for row in redundancy.lines:
        rows.append(el("span", f"L{row.line}", class_="ph"))
        for kind, now, peak, limit in (
            ("W", row.now_w, row.peak_w, row.limit_w),
            ("VA", row.now_va, row.peak_va, row.limit_va),
        ):
            parts = shares(sheet, state, row.line, "w" if kind == "W" else "va")
            rows.append(el("span", kind, class_="un"))
            rows.append(_track(kind, now, peak, limit, parts))
    return el("div", rows, class_="grid", role="img", aria_label=_answer(redundancy))


def caption(redundancy: Redundancy, units: int, spare: int) -> Element | None:
    """Return what stands under the uprights."""
    known = [row for row in redundancy.lines if row.limit_w is not None or row.limit_va is not None]
    if not known:
        return None
    if all(row.limit_w == 0 and row.limit_va == 0 for row in known):
        return el("p", "with a unit lost, none is left that would carry", class_="limitcap none-left")
    same_w = {row.limit_w for row in known}
    same_va = {row.limit_va for row in known}
    left = max(units - spare, 0)
    who = "one unit carries" if left == 1 else f"{count(left)} units carry"
    figures = [
        f"{down(value / 1000.0, 2):.2f} {unit}"
        for values, unit in ((same_w, "kW"), (same_va, "kVA"))
        if len(values) == 1 and (value := next(iter(values))) is not None
    ]
    words: Nodes = [f"{who} {', '.join(figures)}", el("span", " a line", class_="w"), " ▴"]
    return el("p", words if figures else "what the units left carry ▴", class_="limitcap")


def table(redundancy: Redundancy) -> Element:
    """Return the figures behind the rulers."""
    head = ("line", "kW now", "peak", "left", "kVA now", "peak", "left")
    return el(
        "div",
        el(
            "table",
            el(
                "thead",
                el(
                    "tr",
                    [el("th", name, class_="num" if n else None, scope="col") for n, name in enumerate(head)],
                ),
            ),
            el("tbody", [_figures(row) for row in redundancy.lines]),
        ),
        class_="tw",
    )


def _figures(row: LineRedundancy) -> Element:
    cells: list[Element] = []
    for now, peak, limit in ((row.now_w, row.peak_w, row.limit_w), (row.now_va, row.peak_va, row.limit_va)):
        cells.append(_cell(None if now is None else kilo(now)))
        cells.append(_cell(None if peak is None else kilo(peak)))
        if peak is None or limit is None:
            cells.append(_cell(None))
        elif peak > limit:
            cells.append(_cell(f"short {up((peak - limit) / 1000.0, 2):.2f}", short=True))
        else:
            cells.append(_cell(f"{down((limit - peak) / 1000.0, 2):.2f}"))
    return el("tr", el("th", f"L{row.line}", scope="row"), cells)


def _cell(words: str | None, *, short: bool = False) -> Element:
    if words is None:
        return el("td", "not known", class_="num none")
    return el("td", words, class_="num short-ink" if short else "num")


def _track(
    kind: str, now: float | None, peak: float | None, limit: float | None, parts: Sequence[CarriedShare]
) -> Element:
    full = limit / LIMIT_AT if limit else (max(now or 0.0, peak or 0.0) / LIMIT_AT or 1.0)
    edge = 0.0 if limit == 0 else LIMIT_AT
    drawn: list[Nodes] = [line("0", 17.5, "100%", 17.5, "hair")]
    words, short = _words(peak if peak is not None else now, limit)
    if now is None:
        drawn.append(rect("0", 1, percent(LIMIT_AT), 14, "unknown", fill="h-loose"))
    else:
        drawn += _bar(kind, now, full, parts)
    if peak is not None and now is not None and peak > now:
        reach = min(peak, limit) if limit is not None else peak
        drawn.append(line(percent(now / full), 8, percent(max(reach, now) / full), 8, "whisker"))
        if limit is None or peak <= limit:
            drawn.append(line(percent(peak / full), 0, percent(peak / full), 16, "whisker end"))
    top = max(now or 0.0, peak or 0.0)
    if limit is not None and top > limit:
        drawn.append(
            rect(percent(edge), -1, percent(min(top / full, 1.0) - edge), 18, "notheld", fill="h-short")
        )
    if limit is not None:
        drawn.append(line(percent(edge), -6, percent(edge), 25, "limit"))
    drawn.append(
        text(
            "100%",
            13,
            words,
            el("tspan", " over", class_="w") if short else None,
            end=True,
            class_="short strong" if short else "soft",
        )
    )
    return svg(18, drawn, class_="track va" if kind == "VA" else "track")


def _words(peak: float | None, limit: float | None) -> tuple[str, bool]:
    if peak is None:
        return CANNOT_TELL, False
    if limit is not None and peak > limit:
        return f"+{up((peak - limit) / 1000.0, 2):.2f}", True
    return kilo(peak), False


def _bar(kind: str, now: float, full: float, parts: Sequence[CarriedShare]) -> list[Element]:
    total = sum(part.amount for part in parts)
    scale = now / total if total > 0 and all(part.heard for part in parts) else 1.0
    drawn: list[Element] = []
    begin = 0.0
    for part in parts or [CarriedShare("", now, heard=True)]:
        wide = part.amount * (scale if parts else 1.0) / full
        style = "bar" if kind == "W" else "bar open"
        drawn.append(rect(percent(begin), 1, percent(wide), 14, style if part.heard else "unknown"))
        if kind == "W" and part.unit and wide > 0.045 * len(part.unit) + 0.02:
            drawn.append(
                text(percent(begin), 12, part.unit, dx=5, class_="in-bar" if part.heard else "in-bar soft")
            )
        begin += wide
    return drawn


def _answer(redundancy: Redundancy) -> str:
    said: list[str] = []
    for row in redundancy.lines:
        for kind, peak, limit in (("kW", row.peak_w, row.limit_w), ("kVA", row.peak_va, row.limit_va)):
            known = peak is not None and limit is not None
            said.append(
                f"L{row.line} {kilo(peak)} of {down(limit / 1000.0, 2):.2f} {kind}"
                if known and peak is not None and limit is not None
                else f"L{row.line} {kind} {CANNOT_TELL}"
            )
    return "; ".join(said)
