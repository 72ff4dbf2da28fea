"""The sheet of question 6, played: what is asked, how it goes, what would carry it, and the place to sign it."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta

from api.http.said import LONGEST_NOTE
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.format import with_figures
from api.pages.markup.frame import PageFrame, address_of, question
from api.pages.markup.reader import name_field, password_again, proof_field
from api.pages.plans.question_form import form
from api.pages.plans.shutdown import course, sentence
from api.pages.plans.shutdown_question import ShutdownQuestion
from collector.read_model.answers import WhatIf
from collector.read_model.sheet import Sheet
from collector.read_model.wall_clock import WallClock
from rules.phrasing.figures import kilo, listed
from rules.phrasing.reasons import said, say
from rules.phrasing.safety import ADVICE_ONLY
from rules.planning.ridethrough.result import Happening, PlayedLoad, PlayedLoadBasis, Ridethrough
from rules.values.code import Code
from rules.values.verdict import Verdict

TITLE = "If we switch the mains off"
READING = "Put the question in the sentence; the answer follows it. Nothing is switched from here."
ANSWER_ID = "played"


def what_if_page(
    sheet: Sheet, asked: ShutdownQuestion, wrong: tuple[str, ...], played: WhatIf | None, waits: str = ""
) -> PageFrame:
    """Return the sheet. `wrong`: what of the question could not be taken; `waits`: why nothing is `played`."""
    name = sheet.estate.systems[asked.system].name
    answer = el(
        "div",
        [el("p", text, class_="prose short-ink") for text in wrong],
        el("p", waits, class_="waiting") if played is None else _answer(sheet, asked, played),
        id=ANSWER_ID,
        class_="plays",
        aria_live="polite",
    )
    body = question(6, TITLE, READING, form(sheet, asked), answer)
    heading = el("h1", f"{TITLE}: {name}", class_="off")
    return PageFrame(f"{TITLE}: {name}", asked.address, (heading, body), live=False)


def _answer(sheet: Sheet, asked: ShutdownQuestion, played: WhatIf) -> list[Nodes]:
    clock = WallClock(sheet.site(asked.system).time_zone, sheet.now)
    result = played.shutdown.planned.result
    mark, words = sentence(f"{_when(asked, clock)}:", played.shutdown.planned, asked.moment, clock)
    past = "That hour is past. It is played on the banks of now, and the load on record for that hour of the week."
    return [
        el("p", past, class_="prose") if asked.moment <= sheet.now else None,
        el("p", mark, " ", words, class_="ans"),
        _one_lost(asked, played, clock),
        el("p", _load(result.load, asked, clock), class_="asked"),
        course(played.shutdown, asked.moment, clock, asked=True),
        _remedy(asked, result, clock),
        _course(sheet, asked, result, clock),
        el("div", _basis(result), class_="whole"),
        _sign(sheet, asked, result),
        el("p", ADVICE_ONLY, class_="rest"),
    ]


def _when(asked: ShutdownQuestion, clock: WallClock) -> str:
    start, end = asked.moment, asked.moment + timedelta(hours=asked.hours)
    until = clock.minute(end) if clock.on(start) == clock.on(end) else f"{clock.on(end)}, {clock.minute(end)}"
    return f"{clock.head(start)[0]}, {clock.minute(start)} to {until}"


def _one_lost(asked: ShutdownQuestion, played: WhatIf, clock: WallClock) -> Element | None:
    if played.one_lost is None:
        return None
    mark, words = sentence(
        f"With unit {played.one_lost.unit} lost as well", played.one_lost.way, asked.moment, clock
    )
    return el("p", mark, " ", words, class_="prose")


def _load(load: PlayedLoad | None, asked: ShutdownQuestion, clock: WallClock) -> str:
    if load is None:
        return "No load is known to play it on."
    if load.basis is PlayedLoadBasis.NOW:
        return f"Load {kilo(load.power_w)} kW, as it is now: of that hour of the week none is on record yet."
    span = (
        "" if load.low_w is None or load.high_w is None else f" ({kilo(load.low_w)} to {kilo(load.high_w)})"
    )
    day = f"{asked.starts_at:%A}"
    return f"Load {kilo(load.power_w)} kW{span}: what {day}s asked at {clock.minute(asked.moment)} in the last weeks."


def _remedy(asked: ShutdownQuestion, result: Ridethrough, clock: WallClock) -> Element | None:
    """Return what would carry a shutdown that is not, as a question to be played."""
    remedy = result.remedy
    if remedy is None:
        return None
    by = clock.second(asked.moment + timedelta(seconds=remedy.shed_by_s))
    minutes = int(remedy.shed_by_s / 6.0) / 10.0  # a tenth of a minute, never later than what carries it
    then = replace(asked, sheds=tuple(dict.fromkeys((*asked.sheds, *remedy.groups))), shed_min=minutes)
    return el(
        "p",
        f"Shed {listed(remedy.groups)}, {kilo(remedy.power_w)} kW, by {by}, and it is carried: ",
        el("a", "play that", href=then.address),
        ".",
        class_="prose",
    )


def _course(sheet: Sheet, asked: ShutdownQuestion, result: Ridethrough, clock: WallClock) -> Element | None:
    if not result.happenings:
        return None
    names = {asked.system: "", **{u.id: f", unit {u.id}" for u in sheet.estate.units_of(asked.system)}}

    def row(item: Happening) -> Element:
        moments = [asked.moment + timedelta(seconds=s) for s in (item.low_s, item.median_s, item.high_s)]
        cells = [el("td", clock.second(moment), class_="num") for moment in moments]
        share = "" if item.share > 0.99 else f" (in {int(100 * item.share)} of 100 courses)"
        return el("tr", cells, el("td", f"{say(item.what)}{names.get(item.about, f', {item.about}')}{share}"))

    head = [el("th", word, scope="col") for word in ("earliest", "expected", "latest", "what happens")]
    table = el(
        "table", el("thead", el("tr", head)), el("tbody", [row(i) for i in result.happenings]), class_="tight"
    )
    return el("details", el("summary", "Hour by hour"), el("div", table, class_="tw"))


def _basis(result: Ridethrough) -> Element:
    rests_on = [one for one in result.assumptions if one.code is not Code.LOAD_BY_RECORD]  # it stands above
    return el(
        "details",
        el("summary", "What this rests on, and what is not checked"),
        el("ul", [el("li", list(with_figures(text))) for text in said(rests_on)], class_="rests-on"),
        el("h3", "Not checked"),
        el("ul", [el("li", text) for text in said(result.not_checked)], class_="rests-on"),
    )


def _sign(sheet: Sheet, asked: ShutdownQuestion, result: Ridethrough) -> Element | None:
    if not sheet.acts:
        return None
    if asked.moment <= sheet.now:
        return el("p", "That hour has begun: only what is to come can be signed.", class_="rest")
    if result.verdict is not Verdict.ADEQUATE:
        return el("p", "What is not carried, or cannot be told, is not signed.", class_="rest")
    action = f"/v1{address_of('systems', asked.system)}/plans"
    note = el("input", name="note", maxlength=str(LONGEST_NOTE))
    fields: list[Nodes] = [
        el("input", type="hidden", name="starts_at", value=f"{asked.starts_at:%Y-%m-%dT%H:%M}"),
        el("input", type="hidden", name="scenario", data_json=True, value=json.dumps(asked.body())),
        el("label", "What for, or number of the permit ", note),
        name_field(),
        password_again(),
    ]
    act = el(
        "details",
        el("summary", "Sign it as played…", class_="btn"),
        el(
            "form",
            proof_field(),
            fields,
            el("p", class_="refusal short-ink", role="alert"),
            el("button", "Sign it", type="submit", class_="btn"),
            method="post",
            action=action,
            data_act="sign",
        ),
        class_="act",
    )
    return el("div", act, class_="acts")
