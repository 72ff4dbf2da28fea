"""A scenario played out for one system, for paper: the answer, what happens when, what it rests on."""

from __future__ import annotations

from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.format import with_figures
from api.pages.markup.frame import question
from api.pages.markup.marks import Standing, line_mark
from collector.read_model.sheet import Sheet
from rules.phrasing.figures import stopwatch
from rules.phrasing.reasons import said, say
from rules.planning.ridethrough.result import Happening, Ridethrough
from rules.values.verdict import Verdict

ANSWERS: dict[Verdict, str] = {
    Verdict.ADEQUATE: "The load is carried through.",
    Verdict.INADEQUATE: "The load is not carried through.",
    Verdict.CANNOT_TELL: "It cannot be told whether the load is carried through.",
}
MARKS: dict[Verdict, Standing] = {
    Verdict.ADEQUATE: "holds",
    Verdict.INADEQUATE: "short",
    Verdict.CANNOT_TELL: "unknown",
}


def played(sheet: Sheet, result: Ridethrough, played_on: str) -> Element:
    """Return a scenario's course for one system."""
    declared = sheet.estate.systems.get(result.system)
    name = result.system if declared is None else declared.name
    parts: list[Nodes] = [
        el(
            "p",
            line_mark(MARKS[result.verdict]),
            " ",
            el("b", f"{name}: "),
            ANSWERS[result.verdict],
            class_="prose answer",
        ),
        el("ul", [el("li", list(with_figures(text))) for text in said(result.because)], class_="rests-on"),
        el("p", f"Played on {played_on}.", class_="prose"),
    ]
    if result.happenings:
        head = el(
            "tr", [el("th", word, scope="col") for word in ("earliest", "expected", "latest", "what happens")]
        )
        rows = [_row(result, item) for item in result.happenings]
        parts.append(el("table", el("thead", head), el("tbody", rows), class_="tight"))
    parts += [
        el("h3", "Assumed"),
        el(
            "ul", [el("li", list(with_figures(text))) for text in said(result.assumptions)], class_="rests-on"
        ),
        el("h3", "Not checked"),
        el("ul", [el("li", text) for text in said(result.not_checked)], class_="rests-on"),
    ]
    return question(None, name, "Times count from the scenario’s start, h:mm:ss or m:ss.", el("div", parts))


def _row(result: Ridethrough, item: Happening) -> Element:
    about = "" if item.about == result.system else f" {item.about}"
    share = "" if item.share > 0.99 else f" (in {int(100 * item.share)} of 100 courses)"
    cells = [el("td", stopwatch(s), class_="num") for s in (item.low_s, item.median_s, item.high_s)]
    return el("tr", cells, el("td", f"{say(item.what)}{about}{share}"))
