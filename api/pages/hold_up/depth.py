"""Question 1 for one system: the large graph, the steps of what is needed, and what the answer rests on."""

from __future__ import annotations

from typing import Final

from api.pages.hold_up.basis import grounds_of, stopped
from api.pages.hold_up.minute_graph import graph
from api.pages.hold_up.section import axis_for, figures, picture
from api.pages.hold_up.sentences import PURPOSES, Judged
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.frame import question
from collector.read_model.sheet import Sheet
from rules.phrasing.figures import CANNOT_TELL, kilo, minutes, plural, stopwatch
from rules.phrasing.reasons import say
from rules.plant.estate import Generator, Purpose
from rules.system.state import RequirementVerdict
from rules.values.code import Code
from rules.values.verdict import Verdict

IN_THE_LEAD: Final = frozenset({Code.HOLDS, Code.HOLDS_ONE_LOST})
"""What the sheet's head says already, with the same figures: what holds and what is needed, where that is enough."""


def in_depth(sheet: Sheet, subject: Judged) -> Element:
    """Return question 1 for one system: the large graph, the steps of what is needed, and what it rests on."""
    axis = axis_for([subject])
    load = subject.state.load.power_w
    now = f"Load as it is now, {kilo(load)} kW. " if load is not None else ""
    big = el(
        "div",
        el("div", axis.letters(), class_="axis"),
        el(
            "div",
            el("div", graph(picture(sheet, subject, axis, big=True)), axis.letters(), class_="plotbox"),
            figures(sheet, subject, big=True),
            class_="sys",
        ),
        class_="mg big",
    )
    grounds = [el("li", ground) for ground in grounds_of(sheet, subject)]
    said_by = [
        one
        for need in subject.state.requirements
        for one in need.because
        if need.verdict is not Verdict.ADEQUATE or one.code not in IN_THE_LEAD
    ]
    because = [
        el("li", stopped(said))
        for said in dict.fromkeys(map(say, [*said_by, *subject.state.hold_up.because]))
    ]
    unchecked = [el("li", stopped(say(one))) for one in subject.state.not_checked]
    right: list[Nodes] = [
        el("h3", "What it rests on"),
        el("ul", grounds or el("li", "nothing that was read"), class_="rests-on"),
    ]
    if because:
        right += [el("h3", "Why"), el("ul", because, class_="rests-on")]
    steps = {step.step: step for need in subject.state.requirements for step in need.would_tell}
    if steps:
        told = [
            el("li", el("b", stopped(say(step.step))), " ", stopped(say(step.buys)))
            for step in steps.values()
        ]
        right += [el("h3", "What would tell, the least effort first"), el("ol", told, class_="rests-on")]
    if unchecked:
        right += [el("h3", "Not checked"), el("ul", unchecked, class_="rests-on")]
    return question(
        1,
        "If the mains fails now",
        f"{now}Widths are 90 % intervals; the least is what is promised.",
        el("div", big, id="q1-big", live=True),
        el(
            "div",
            el("div", _steps(sheet, subject)),
            el("div", right),
            class_="two",
            id="q1-why",
            live=True,
        ),
    )


def _steps(sheet: Sheet, subject: Judged) -> Nodes:
    needs = subject.state.requirements
    stepped = [need for need in needs if need.steps]
    listed_ = [need for need in needs if not need.steps]
    parts: list[Nodes] = []
    if stepped:
        generator = sheet.estate.generator_of(subject.state.id)
        by_length = sorted(stepped, key=lambda need: len(need.steps), reverse=True)
        names = list(dict.fromkeys(step.step for need in by_length for step in need.steps))
        seen = {step.step: step.seen_s for need in stepped for step in need.steps if step.seen_s is not None}
        head = [el("th", "step", scope="col")]
        head += [el("th", HEADS[need.purpose], class_="num", scope="col") for need in stepped]
        head += [el("th", "last seen", class_="num", scope="col")] if seen else []
        rows: list[Element] = []
        for name in names:
            cells = [el("td", _allowed(need, name), class_="num") for need in stepped]
            cells += (
                [el("td", stopwatch(seen[name]) if name in seen else "not seen", class_="num")]
                if seen
                else []
            )
            rows.append(el("tr", el("th", step_words(name, generator), scope="row"), cells))
        total = [
            el("td", stopwatch(need.required_s) if need.required_s is not None else CANNOT_TELL, class_="num")
            for need in stepped
        ]
        rows.append(
            el("tr", el("th", "needed", scope="row"), total, el("td") if seen else None, class_="sum")
        )
        table = el("table", el("thead", el("tr", head)), el("tbody", rows), class_="tight")
        parts += [el("h3", "What is needed, min:s"), el("div", table, class_="tw")]
    if listed_:
        parts.append(el("h3", "What else is needed" if stepped else "What is needed"))
        parts.append(el("ul", [el("li", _plain_need(need)) for need in listed_], class_="rests-on"))
    return parts or el("p", "No need is declared for this system.", class_="say")


HEADS: Final = {
    Purpose.GENERATOR_START: "last start works",
    Purpose.MANUAL_GENERATOR_START: "by hand",
    Purpose.ORDERLY_SHUTDOWN: "to close down",
    Purpose.PLANNED: "planned",
}
STEPS: Final = {
    "detect": "notice and call the generator",
    "hand_start": "someone reaches the generator and starts it",
    "run_up": "run up",
    "changeover": "changeover",
    "accept": "units accept the generator",
    "hold_off": "last unit’s hold-off",
    "walk_in": "last unit walks in",
}


def step_words(step: str, generator: Generator | None) -> str:
    """Return a step of the bridge to the generator in words."""
    if step == "starts" and generator:
        return (
            f"{plural(generator.attempts, 'start')}, {generator.crank_s:g} s on, {generator.rest_s:g} s off"
        )
    return STEPS.get(step, step.replace("_", " "))


def _allowed(need: RequirementVerdict, name: str) -> str:
    found = [step.allowed_s for step in need.steps if step.step == name]
    return stopwatch(sum(found)) if found else "–"


VERDICTS: Final = {
    Verdict.ADEQUATE: "held",
    Verdict.INADEQUATE: "not held",
    Verdict.CANNOT_TELL: CANNOT_TELL,
}


def _plain_need(need: RequirementVerdict) -> str:
    figure = (
        minutes(need.required_s, favours=False) + " min"
        if need.required_s is not None
        else "a time not known"
    )
    return f"{figure} {PURPOSES[need.purpose]}: {VERDICTS[need.verdict]}"
