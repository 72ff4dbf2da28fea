"""A signed shutdown in full: its stretches, its abort criteria, what it counts on, what came of the last; and the forms."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from urllib.parse import quote

from api.http.said import LONGEST_NOTE
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.format import with_figures
from api.pages.markup.frame import address_of
from api.pages.markup.reader import name_field, password_again, proof_field
from collector.read_model.sheet import PlanView, Sheet
from collector.read_model.wall_clock import WallClock
from rules.phrasing.figures import age, capital, kilo, listed, minutes
from rules.phrasing.reasons import said, say
from rules.phrasing.signed_shutdown import stretch_words
from rules.planning.ridethrough.shutdown import Shutdown
from rules.planning.ridethrough.signed_course import PlanCourse, Status
from rules.planning.ridethrough.signed_plan import SignedPlan


def warnings(view: PlanView) -> list[Nodes]:
    """Return what is to be said first of a plan: the criteria met now, or what speaks against beginning it."""
    if view.breaches:
        return [
            el(
                "p",
                el("b", "Break off: "),
                list(with_figures(" ".join(view.breaches))),
                class_="prose short-ink",
            )
        ]
    if view.course.status is Status.SIGNED and view.against:
        words = list(with_figures(" ".join(view.against)))
        return [
            el("p", el("b", "It would not be signed as things stand now: "), words, class_="prose short-ink")
        ]
    return []


def whole(sheet: Sheet, system: str, played: Shutdown | None, clock: WallClock) -> list[Nodes]:
    """Return everything about a system's signed shutdowns, and what the example rests on."""
    known = sheet.plans.get(system)
    parts: list[Nodes] = []
    for number, view in enumerate(known.open if known else ()):
        parts.append(_plan(sheet, view, clock, first=number == 0))
    if known is not None and known.last is not None:
        parts.append(_came_of_it(known.last, clock))
    result = played.planned.result if played is not None and not (known and known.open) else None
    if result is not None:
        parts.append(
            _fold("What this rests on", said(result.assumptions), "Not checked", said(result.not_checked))
        )
    return parts


def _plan(sheet: Sheet, view: PlanView, clock: WallClock, *, first: bool) -> Element:
    plan = view.plan
    day, _, _ = clock.head(plan.starts_at)
    heading = (
        None
        if first
        else el("h3", f"Also signed: {day}, {clock.minute(plan.starts_at)}, by {plan.signed_by}")
    )
    behind = sheet.estate.generator_of(plan.system)
    columns = el(
        "div",
        el("div", el("h3", "On the banks"), el("ul", _stretches(plan, clock))),
        el("div", el("h3", "Break off when"), el("ul", _criteria(plan))),
        el("div", el("h3", "Counted on"), el("ul", _counted(plan, set_behind=behind is not None))),
        class_="checks plan",
    )
    signed = (
        f"Signed by {plan.signed_by} on {clock.on(plan.signed_at)}, {clock.second(plan.signed_at)}; mark {view.id}. "
        "What is signed does not change; it is played again on what is known now, about once a minute."
    )
    return el(
        "div",
        heading,
        columns,
        _fold(
            "What the plan rests on",
            said((*plan.result.because, *plan.result.assumptions)),
            "Not checked",
            said(plan.result.not_checked),
        ),
        el("p", signed, class_="rest"),
        el("p", " ".join(said(plan.safety)), class_="prose small"),
        _withdraw_form(view) if sheet.acts else None,
        class_="whole",
    )


def _stretches(plan: SignedPlan, clock: WallClock) -> list[Element]:
    rows = []
    for stretch in plan.stretches:
        start = plan.starts_at + timedelta(seconds=stretch.from_s)
        end = plan.starts_at + timedelta(seconds=stretch.until_s)
        took = minutes(stretch.until_s - stretch.from_s, favours=False)
        rows.append(
            el(
                "li",
                el("b", f"{clock.second(start)} to {clock.second(end)}"),
                f", {took} min: {stretch_words(plan, stretch)}",
                class_="y",
            )
        )
    return rows


def _criteria(plan: SignedPlan) -> list[Element]:
    limits = plan.limits
    most_w = plan.load_w * (1.0 + limits.load_over)
    said = [
        "the banks may end before supply is planned back",
        f"they are needed {age(limits.overrun_s)} longer than planned",
        f"the load is over {kilo(most_w)} kW",
        f"unit {listed(plan.counted_on, 'or')} leaves or is not seen",
    ]
    if limits.margin_s > 0.0:
        said.insert(1, f"less than {minutes(limits.margin_s, favours=False)} min are to spare")
    return [el("li", words, class_="u") for words in said]


def _counted(plan: SignedPlan, *, set_behind: bool) -> list[Element]:
    said = [f"{kilo(plan.load_w)} kW to carry", f"{_units(plan.counted_on)} in service"]
    if plan.scenario.units_out:
        said.append(f"{_units(sorted(plan.scenario.units_out))} out")
    if plan.result.margin_s is not None:
        said.append(
            f"{minutes(plan.result.margin_s, favours=True)} min to spare at the least, when it was signed"
        )
    said += [
        f"{step.group} shed {age(step.at_s)} after the start" if step.at_s is not None
        else f"{step.group} shed when {age(step.when_left_s or 0.0)} are left"
        for step in plan.scenario.sheds
    ]  # fmt: skip
    left = {outage.generator for outage in plan.scenario.outages}
    if set_behind:
        said.append(
            "the generator in service throughout" if left == {True}
            else "the generator isolated throughout" if left == {False}
            else "the generator isolated in part of it"
        )  # fmt: skip
    return [el("li", words, class_="y") for words in said]


def _units(names: Sequence[str]) -> str:
    return f"unit{'' if len(names) == 1 else 's'} {listed(names)}"


def _came_of_it(view: PlanView, clock: WallClock) -> Element:
    """Return what was foretold of the last shutdown beside what happened, misses included."""
    plan, course = view.plan, view.course
    rows = [
        el(
            "tr",
            el("th", capital(say(row.what)), scope="row"),
            el("td", say(row.foretold), data_label="foretold"),
            el("td", say(row.happened), data_label="happened"),
            el("td", _verdict(row.inside), class_="short-ink" if row.inside is False else None),
        )
        for row in view.compared
    ]
    head = el("tr", [el("th", name, scope="col") for name in ("of it", "foretold", "happened", "")])
    return el(
        "div",
        el("h3", f"What came of the last: {clock.on(plan.starts_at)}, {clock.minute(plan.starts_at)}"),
        el("p", _how_it_ended(plan, course), class_="prose"),
        el("div", el("table", el("thead", head), el("tbody", rows), class_="stack"), class_="tw"),
        class_="whole",
    )


def _verdict(inside: bool | None) -> str:
    return "not put to the test" if inside is None else "as foretold" if inside else "missed"


def _how_it_ended(plan: SignedPlan, course: PlanCourse) -> str:
    if course.status is Status.WITHDRAWN:
        why = f": {course.why}" if course.why else ""
        return f"Signed by {plan.signed_by}, withdrawn by {course.by} while it ran{why}."
    met = (
        f" Criteria to break it off were met: {listed([b.replace('_', ' ') for b in course.broken])}."
        if course.broken
        else ""
    )
    return f"Signed by {plan.signed_by}.{met}"


def _fold(title: str, rows: Sequence[str], also: str, more: Sequence[str]) -> Element:
    return el(
        "details",
        el("summary", title),
        el("ul", [el("li", row) for row in rows], class_="rests-on"),
        el("h3", also),
        el("ul", [el("li", row) for row in more], class_="rests-on"),
    )


def sign_form(system: str, time_zone: str) -> Element:
    """Return the form to sign a shutdown; it is played before it is signed, and refused with the reason."""
    choice = el(
        "select",
        el("option", "is left in service", value="true"),
        el("option", "is isolated meanwhile", value="false"),
        name="generator",
    )
    fields = (
        _label(
            "Starts, by the clock of the site ",
            el("input", name="starts_at", type="datetime-local", required=True),
            time_zone,
        ),
        _label(
            "Mains off for, in minutes ",
            el("input", name="minutes", type="number", min="1", max="20160", required=True),
        ),
        _label("The generator ", choice),
        _label("What for, or number of the permit ", el("input", name="note", maxlength=str(LONGEST_NOTE))),
    )
    action = f"/v1{address_of('systems', system)}/plans"
    return el("div", _form(action, "Sign a shutdown…", "sign", fields, again=True), class_="acts")


def _withdraw_form(view: PlanView) -> Element:
    action = f"/v1{address_of('systems', view.plan.system)}/plans/{quote(view.id, safe='')}/withdraw"
    fields = _label("Why ", el("input", name="note", maxlength=str(LONGEST_NOTE)))
    return el("div", _form(action, "Withdraw…", view.id, fields, quiet=True), class_="acts")


def _form(
    action: str, words: str, act: str, fields: Nodes, *, quiet: bool = False, again: bool = False
) -> Element:
    return el(
        "details",
        el("summary", words, class_="btn quiet" if quiet else "btn"),
        el(
            "form",
            proof_field(),
            fields,
            name_field(),
            password_again() if again else None,
            el("p", class_="refusal short-ink", role="alert"),
            el("button", words.rstrip("…"), type="submit", class_="btn"),
            method="post",
            action=action,
            data_act=act,
        ),
        class_="act",
    )


def _label(words: str, control: Element, hint: str = "") -> Element:
    return el("label", words, el("small", f"({hint}) ") if hint else None, control)
