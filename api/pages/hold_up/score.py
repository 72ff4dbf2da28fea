"""How well the demonstration's hold-ups were foretold, misses included: only a simulated plant knows the truth."""

from __future__ import annotations

from typing import Final

from api.pages.markup.elements import Element, el
from api.pages.markup.frame import clock_of, question
from api.pages.markup.svg import Axis, line, rect, svg
from collector.read_model.sheet import ScoredOutage, Sheet
from rules.phrasing.figures import minutes

SHOWN: Final = 12


def score_section(sheet: Sheet) -> Element | None:
    """Return the score, or None outside the demonstration."""
    if sheet.score is None or not sheet.score.outages:
        return None
    outages = sheet.score.outages
    inside = sum(_inside(o) for o in outages)
    below = sum(o.truth_s < o.low_s for o in outages)
    clock, axis = clock_of(sheet), Axis.over(max(max(o.high_s or 0.0, o.truth_s) for o in outages) * 1.05)
    sentence = f"In {inside} of {len(outages)} simulated outages the truth lay inside the 90 % interval"
    sentence += (
        f"; in {below} it was worse than the least that was promised."
        if below
        else "; never was it worse than promised."
    )
    rows = [
        el(
            "tr",
            el("th", f"{clock.on(o.at)}, {clock.second(o.at)}", scope="row"),
            el("td", sheet.estate.systems[o.system].name if o.system in sheet.estate.systems else o.system),
            el("td", _strip(o, axis), class_="wide-bar"),
            el("td", _foretold(o), class_="num", data_label="foretold, min"),
            el(
                "td",
                minutes(o.truth_s, favours=True),
                class_="num" if o.truth_s >= o.low_s else "num short-ink",
                data_label="truth, min",
            ),
            el("td", _word(o)),
        )
        for o in sorted(outages, key=lambda o: o.at, reverse=True)[:SHOWN]
    ]
    names = ("outage", "system", "foretold, and the truth", "foretold, min", "truth, min", "")
    head = el(
        "tr", [el("th", n, class_="num" if 3 <= i <= 4 else None, scope="col") for i, n in enumerate(names)]
    )
    table = el("div", el("table", el("thead", head), el("tbody", rows), class_="tight score"), class_="tw")
    return question(
        None,
        "How well it foretold",
        "Only a simulated plant knows how long it would truly have held. The bar is what was foretold at the failure, "
        "90 %; the upright is the truth.",
        el("div", el("p", sentence, class_="prose answer"), table, id="score", live=True),
        id_="score-q",
    )


def _inside(o: ScoredOutage) -> bool:
    return o.low_s <= o.truth_s and (o.high_s is None or o.truth_s <= o.high_s)


def _foretold(o: ScoredOutage) -> str:
    low = minutes(o.low_s, favours=True)
    return f"{low} or more" if o.high_s is None else f"{low} to {minutes(o.high_s, favours=True)}"


def _strip(outage: ScoredOutage, axis: Axis) -> Element:
    worse = outage.truth_s < outage.low_s
    x = axis.x(outage.truth_s)
    return svg(
        20,
        line("0", 19, "100%", 19, "hair"),
        rect(
            axis.x(outage.low_s),
            4,
            axis.width(outage.low_s, axis.span_s if outage.high_s is None else outage.high_s),
            12,
            "window",
        ),
        None
        if outage.median_s is None
        else line(axis.x(outage.median_s), 4, axis.x(outage.median_s), 16, "middle"),
        line(x, 0, x, 20, "truth due" if worse else "truth"),
    )


def _word(outage: ScoredOutage) -> str:
    if outage.truth_s < outage.low_s:
        return "worse than promised"
    return "inside" if _inside(outage) else "better than foretold"
