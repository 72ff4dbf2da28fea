"""The form of question 6: a sentence with blanks. Without script a button asks; with it each change does."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from api.pages.markup.elements import Element, Nodes, el
from api.pages.plans.shutdown_question import ADDRESS, GeneratorAsked, ShutdownQuestion, can, figure
from collector.read_model.sheet import Sheet
from rules.phrasing.figures import kilo
from rules.plant.estate import LoadGroup

FORM_ID = "ask"
WORDS = {
    GeneratorAsked.ITSELF: "starts by itself",
    GeneratorAsked.BY_HAND: "has to be started by hand",
    GeneratorAsked.NOT_AT_ALL: "does not run",
}


def form(sheet: Sheet, question: ShutdownQuestion) -> Element:
    """Return the question as a form."""
    zone = sheet.site(question.system).time_zone
    generator = sheet.estate.generator_of(question.system)
    return el(
        "form",
        el(
            "p",
            "Switch off the mains of ",
            _systems(sheet, question.system),
            " on ",
            el("input", name="day", type="date", value=f"{question.starts_at:%Y-%m-%d}", aria_label="day"),
            " at ",
            el(
                "input",
                name="at",
                type="time",
                value=f"{question.starts_at:%H:%M}",
                aria_label=f"hour, {zone}",
            ),
            " for ",
            _figure("hours", question.hours, "how many hours"),
            " h.",
        ),
        None if generator is None else _generator(question, can(generator)),
        _sheds(sheet.estate.load_groups.values(), question),
        _out(sheet, question),
        el(
            "p",
            f"By the clock of the site ({zone}). ",
            el("button", "Play it", type="submit", class_="btn quiet sm"),
            class_="small",
        ),
        id=FORM_ID,
        class_="ask",
        action=ADDRESS,
        method="get",
    )


def _systems(sheet: Sheet, chosen: str) -> Element:
    options = [
        el("option", system.name, value=system.id, selected=system.id == chosen)
        for system in sheet.estate.systems.values()
    ]
    return el("select", options, name="system", aria_label="system")


def _figure(name: str, value: float, label: str) -> Element:
    return el("input", name=name, value=figure(value), size="3", inputmode="decimal", aria_label=label)


def _generator(question: ShutdownQuestion, able: Sequence[GeneratorAsked]) -> Element:
    choices = [
        _choice("radio", "generator", case.value, WORDS[case], case is question.generator) for case in able
    ]
    return _row("The generator", choices)


def _sheds(declared: Iterable[LoadGroup], question: ShutdownQuestion) -> Element | None:
    groups = [g for g in declared if g.system == question.system]
    if not groups:
        return None
    choices = [
        _choice(
            "checkbox", "shed", group.id, f"{group.id}, {_kilowatts(group)} kW", group.id in question.sheds
        )
        for group in sorted(groups, key=lambda g: (-g.importance, g.id))
    ]
    after = el(
        "span", _figure("shed_min", question.shed_min, "minutes after the start"), " min after the start"
    )
    return _row("Shed", [*choices, after])


def _kilowatts(group: LoadGroup) -> str:
    return kilo(sum(group.watts))


def _out(sheet: Sheet, question: ShutdownQuestion) -> Element:
    choices = [_choice("radio", "out", "", "no unit", question.out is None)]
    choices += [
        _choice("radio", "out", unit.id, unit.id, unit.id == question.out)
        for unit in sheet.estate.units_of(question.system)
    ]
    return _row("Out for work", choices)


def _row(words: str, controls: Nodes) -> Element:
    return el("p", el("span", words), controls, class_="gr", role="group", aria_label=words)


def _choice(kind: str, name: str, value: str, words: str, chosen: bool) -> Element:
    return el(
        "label",
        el("input", type=kind, name=name, value=value, checked=chosen),
        el("span", words),
        class_="ch",
    )
