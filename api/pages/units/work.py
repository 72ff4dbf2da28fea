"""Work on a unit as it is followed: how far it has come, what it does not explain, and its forms."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final
from urllib.parse import quote

from api.http.said import LONGEST_NOTE
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.form_button import act
from api.pages.markup.frame import address_of, cautions
from api.pages.markup.marks import Standing, line_mark
from collector.read_model.own_figures import acts_on, acts_shown
from collector.read_model.sheet import Sheet
from collector.read_model.wall_clock import WallClock
from rules.phrasing.reasons import say
from rules.system.work import UnitWork, WorkStage

STAGES: Final = {
    WorkStage.BEFORE: "in service",
    WorkStage.OUT: "out",
    WorkStage.BACK: "back",
    WorkStage.SHARING: "shares",
    WorkStage.CHARGED: "bank full",
}
MOST_HOURS: Final = 168
FOLLOWED: Final = (
    "Say when work begins, and the unit is followed: out, back, sharing, bank full. What the work explains is not "
    "told meanwhile; what it does not explain is told at once."
)


def mark_of(work: UnitWork) -> Standing:
    """Return the mark of work: short where something is not as planned."""
    return "short" if work.unexpected or work.overdue else "holds"


def under_way(sheet: Sheet, works: Sequence[UnitWork], system: str, clock: WallClock) -> list[Nodes]:
    """Return the work on a system's units, each with its stages and the form to close it."""
    return [_work(sheet, work, system, clock) for work in works]


def _work(sheet: Sheet, work: UnitWork, system: str, clock: WallClock) -> Element:
    who = f", as {work.by} said" if work.by else ""
    what = f": {work.what.rstrip('.')}" if work.what else ""
    head = (
        f"Work on unit {work.unit} since {clock.at(work.begun_at)}, until {clock.at(work.until)}{who}{what}."
    )
    late = " Its time has passed." if work.overdue else ""
    parts: list[Nodes] = [
        el("h3", head),
        el("p", line_mark(mark_of(work)), " ", say(work.because), late, class_="prose answer"),
    ]
    if work.unexpected:
        stop: Nodes = [el("b", "Not planned. "), "Stop at a safe point and touch nothing more."]
        parts.append(el("p", stop, class_="short-ink"))
        parts.append(el("ul", [el("li", say(one.because)) for one in work.unexpected], class_="rests-on"))
    parts.append(_stages(work, clock))
    parts += [el("p", act.text, class_="small") for act in acts_shown(sheet.heard, work.unit)]
    if sheet.acts or acts_on(sheet.heard, work.unit):
        parts.append(el("div", _close(work, system), _more_time(work, system), class_="acts"))
    return el("div", parts, class_="work")


def _path(system: str) -> str:
    return f"/v1{address_of('systems', system)}/work"


def _close(work: UnitWork, system: str) -> Element:
    path = f"{_path(system)}/{quote(work.unit, safe='')}/close"
    return act(path, "Close the work…", work.unit, _note("What was done or found "), quiet=True)


def _more_time(work: UnitWork, system: str) -> Element:
    unit = el("input", type="hidden", name="unit", value=work.unit)
    return act(_path(system), "Give it more time…", work.unit, [unit, _hours()], quiet=True)


def _stages(work: UnitWork, clock: WallClock) -> Element:
    """Return when each stage was last reached; of stages that are still ahead, a dash."""
    reached = {step.stage: step.at for step in work.steps}
    past = list(STAGES)[: list(STAGES).index(work.stage) + 1]
    said = [
        el("span", f"{words} ", clock.at(reached[stage]) if stage in reached and stage in past else "–")
        for stage, words in STAGES.items()
    ]
    return el("p", el("span", said, class_="count"), class_="small")


def beginning(sheet: Sheet, works: Sequence[UnitWork], system: str) -> Element | None:
    """Return the form to say that work begins, with the cautions; None where nothing can be said here."""
    busy = {work.unit for work in works}
    free = [unit.id for unit in sheet.estate.units_of(system) if unit.id not in busy]
    if not (sheet.acts or acts_on(sheet.heard, system)) or not free:
        return None
    handed = [el("p", act.text, class_="small") for act in acts_shown(sheet.heard, *free)]
    options = [el("option", f"Unit {unit}", value=unit) for unit in free]
    which = el("label", "On ", el("select", options, name="unit", required=True))
    fields = [which, _hours(), _note("What is done "), el("p", cautions())]
    return el(
        "div",
        el("p", FOLLOWED, class_="small"),
        handed,
        el("div", act(_path(system), "Say that work begins…", system, fields, quiet=True), class_="acts"),
        class_="below",
    )


def _hours() -> Element:
    field = el("input", name="hours", type="number", min="1", max=str(MOST_HOURS), value="4", required=True)
    return el("label", "For how many hours from now ", field)


def _note(words: str) -> Element:
    return el("label", words, el("input", name="note", maxlength=str(LONGEST_NOTE)))
