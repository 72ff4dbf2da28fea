"""Question 1 while it happens: how long a system on its banks still holds, and the last moment to act."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from api.pages.hold_up.last_call import SET_WORDS, act_words
from api.pages.hold_up.minute_graph import attempts, work_s
from api.pages.hold_up.outage_graph import LivePicture, live_graph
from api.pages.hold_up.section import figure
from api.pages.hold_up.sentences import Judged
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.format import remaining, with_figures
from api.pages.markup.frame import question, slug
from api.pages.markup.marks import evidence
from collector.read_model.sheet import Sheet, ShownOutage, StartAttempt
from rules.phrasing.figures import CANNOT_TELL, age, clause, kilo, minutes, plural
from rules.phrasing.reasons import say
from rules.plant.estate import Generator
from rules.system.state import OnBattery
from rules.system.state import Standing as UnitStands
from rules.values.verdict import Verdict


def outage(sheet: Sheet, subject: Judged, *, named: bool = False) -> Element | None:
    """Return question 1 of a system that is on its banks, or None for one that is not."""
    on, held = subject.state.on_battery, sheet.outages.get(subject.state.id)
    if on is None:
        return None
    generator = sheet.estate.generator_of(subject.state.id)
    known = held or ShownOutage()
    if not known.starts and generator:
        known = replace(known, starts=by_the_clock(generator, on, sheet.now))
    work = work_s(generator, sheet.estate.units_of(subject.state.id)) if generator else 0.0
    live = LivePicture(slug(subject.state.id), subject.state.name, on, known, subject.clock, sheet.now, work)
    rows: list[Nodes] = []
    if on.set_says is not None:
        rows.append(
            figure("the generator, the site says", None, el("dd", SET_WORDS[on.set_says], class_="part"))
        )
    elif on.set_out_before and on.set_out_before <= sheet.now:
        rows.append(figure("to start the generator by hand", None, el("dd", "too late", class_="cannot")))
    elif on.act_before and on.act_before > sheet.now:
        rows.append(figure(f"left {act_words(on)}", None, el("dd", remaining(on.act_before, sheet.now))))
    if on.ends_earliest:
        rows.append(figure("left at the least", None, el("dd", remaining(on.ends_earliest, sheet.now))))
        rows.append(figure("ends at the earliest", "", el("dd", subject.clock.second(on.ends_earliest))))
    elif on.carried:
        rows.append(figure("ends", None, el("dd", "carried by what is fed")))
    else:
        rows.append(figure("ends", None, el("dd", CANNOT_TELL, class_="cannot")))
    if known.shedding and known.shedding.ends_earliest:
        words = f"if {kilo(known.shedding.power_w)} kW is shed now"
        rows.append(
            figure(words, "eol", el("dd", subject.clock.second(known.shedding.ends_earliest), class_="part"))
        )
    carrying = [u.id for u in subject.state.units if u.standing is UnitStands.ON_BATTERY]
    power = subject.state.load.power_w
    value: Nodes = (
        [kilo(power), " ", el("small", f"kW, {plural(len(carrying), 'unit')}")]
        if power is not None
        else CANNOT_TELL
    )
    rows.append(figure("carrying", None, el("dd", value, class_="part" if power is not None else "cannot")))
    axis = live.axis
    tried = (
        "what the generator has tried"
        if known.starts_seen
        else "what the generator should have tried, by the clock"
    )
    body = el(
        "div",
        el("div", axis.letters(), class_="axis"),
        el(
            "div",
            el("div", live_graph(live), axis.letters(), class_="plotbox"),
            el("dl", rows, class_="figs"),
            class_="sys",
        ),
        class_="mg big live",
    )
    return question(
        1,
        f"How long {subject.state.name} still holds" if named else "How long it still holds",
        f"Heavy: as read. Fan: what is expected, 90 %. Below: {tried}.",
        el(
            "div",
            body,
            el("p", list(with_figures(known.shedding.what)), class_="say shed") if known.shedding else None,
            el("p", _live_rests(sheet, subject, known.readings), class_="rest"),
            id=f"outage-{slug(subject.state.id)}",
            live=True,
        ),
        id_=f"now-{slug(subject.state.id)}",
    )


def by_the_clock(generator: Generator, on: OnBattery, now: datetime) -> tuple[StartAttempt, ...]:
    """Return the attempts the generator should have made by now; those the rules count as failed are so, the rest open."""
    made: list[StartAttempt] = []
    for n, (begin, until) in enumerate(attempts(generator)):
        at, end = (on.since + timedelta(seconds=s) for s in (begin, until))
        if at < now:
            worked = False if n < (on.starts_failed or 0) else None
            made.append(StartAttempt(at, min(end, now), worked))
    return tuple(made)


def _live_rests(sheet: Sheet, subject: Judged, readings: int | None) -> Nodes:
    ages = [
        view.age_s
        for unit in sheet.estate.units_of(subject.state.id)
        if (view := sheet.unit(unit.id)) and view.age_s is not None and view.silent_since is None
    ]
    on = subject.state.on_battery
    parts: list[Nodes] = []
    if ages and on and not on.reckoned_since:
        many = f"{readings} readings in this outage, " if readings else ""
        parts.append(evidence("seen", f"{many}newest {age(min(ages))} old."))
    elif on and on.reckoned_since:
        moment = subject.clock.second(on.reckoned_since)
        parts.append(
            evidence("reckoned", f"nothing was read since {moment}; the end is carried forward from then.")
        )
    held = sheet.outages.get(subject.state.id)
    lost = held.one_unit_lost_from_now if held else None
    if lost and lost.low_s is not None and subject.units > 1:
        parts.append(
            f" With a unit lost from now on: {minutes(lost.low_s, favours=True)} min more at the least."
        )
    needs = [
        need for need in subject.state.requirements if need.verdict is Verdict.CANNOT_TELL and need.because
    ]
    if needs:
        parts.append(f" Cannot tell: {clause(say(needs[0].because[0]))}.")
    return parts
