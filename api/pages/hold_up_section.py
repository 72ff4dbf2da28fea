"""Question 1, if the mains fails now: for the whole estate on one axis, for one system in depth, and while it happens."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from api.pages.drawing import Axis
from api.pages.frame import address_of, question
from api.pages.marks import evidence
from api.pages.markup import Element, Nodes, el
from api.pages.minutes import Lost, Need, Picture, graph, span_s, work_s
from api.pages.model import Fan, Outage, Sheet
from api.pages.outage_graph import LivePicture, live_graph
from api.pages.sentences import PURPOSES, Judged
from api.pages.words import (
    CANNOT_TELL,
    age,
    capital,
    clause,
    kilo,
    listed,
    minutes,
    plural,
    remaining,
    since,
    span,
    stopwatch,
    whole_percent,
)
from rules.estate import in_place
from rules.verdicts import Basis, HoldUp, RequirementVerdict, Verdict
from rules.verdicts import Standing as UnitStands

KEY: Final = (
    ("k-all", "all units"),
    ("k-lost", "any one unit lost"),
    ("k-try", "start attempt"),
    ("k-wait", "someone walks to the set"),
    ("k-work", "engine to last unit walked in"),
    ("k-short", "needed, not held"),
)
HOW_TO_READ: Final = (
    "What is asked hangs below each line. What the banks give falls to meet it from above: full at the left, empty "
    "where it lands. Widths are 90 % intervals."
)


def picture(sheet: Sheet, subject: Judged, axis: Axis, *, big: bool) -> Picture:
    """Return what the minute graph of a system shows."""
    state, need = subject.state, subject.need
    generator = sheet.estate.generator_of(state.id)
    asked = None
    if need and need.required_s is not None:
        work = work_s(generator, sheet.estate.units_of(state.id)) if generator else 0.0
        asked = Need(need.required_s, need.purpose, generator, work)
    unheard = bool(subject.silent())
    held = HoldUp(None, None, None, None, Basis.NONE) if unheard else state.hold_up.now
    lost = [] if unheard or subject.units < 2 else _losses(subject, big=big)
    others = [
        (f"{PURPOSES[other.purpose]}: {minutes(other.required_s, favours=False)}", other.required_s)
        for other in state.requirements
        if big and other is not need and other.required_s is not None
    ]
    ends = state.hold_up.at_end_of_life
    old = [h for h in (ends.all, ends.one_unit_lost) if h.low_s is not None] if big and not unheard else []
    claims = [
        view.reading.battery.card_runtime_s
        for unit in sheet.estate.units_of(state.id)
        if (view := sheet.unit(unit.id)) and view.reading and view.reading.battery.card_runtime_s is not None
    ]
    claimed = min(claims) if claims and held.low_s is None else None
    fan = sheet.fans.get(state.id, Fan())
    return Picture(
        id=f"{'big' if big else 'row'}-{_slug(state.id)}",
        name=state.name,
        axis=axis,
        need=asked,
        held=held,
        lost=lost,
        fan=fan,
        end_of_life=old,
        other_needs=others,
        claimed_s=claimed,
        proven=subject.proven,
        big=big,
    )


def _losses(subject: Judged, *, big: bool) -> list[Lost]:
    if big:
        return [Lost(f"unit {listed(loss.units, 'or')} lost", loss.hold_up) for loss in subject.losses]
    worst = subject.state.hold_up.one_unit_lost
    return [Lost(subject.lost_words(), worst)] if worst.low_s is not None else []


def _slug(name: str) -> str:
    return "".join(c if c.isascii() and c.isalnum() else f"_{ord(c):x}" for c in name)


def axis_for(subjects: Sequence[Judged], *, lost_only: bool = False) -> Axis:
    """Return the axis that some systems share."""
    needs = [s.needed_s for s in subjects if s.needed_s is not None]
    held = [s.state.hold_up.now for s in subjects if not lost_only and not s.silent()]
    return Axis.over(span_s(needs, held) * 1.02)


def overview(sheet: Sheet, subjects: Sequence[Judged]) -> Element:
    """Return question 1 for the whole estate, every system on one axis."""
    axis = axis_for(subjects)
    key = el(
        "p",
        [el("span", el("i", class_=mark), words) for mark, words in KEY],
        class_="key",
        aria_hidden="true",
    )
    rows = [_row(sheet, subject, axis) for subject in subjects]
    return question(
        1,
        "If the mains fails now",
        HOW_TO_READ,
        key,
        el(
            "div",
            el("div", axis.letters(), class_="axis"),
            rows,
            el("div", axis.letters(), class_="axis"),
            class_="mg",
        ),
        el(
            "details",
            el("summary", "The same as a table"),
            el("div", _table(subjects), class_="tw", id="q1-table", live=True),
        ),
    )


def _row(sheet: Sheet, subject: Judged, axis: Axis) -> Element:
    state = subject.state
    return el(
        "div",
        el(
            "div",
            el("h3", el("a", state.name, href=address_of("systems", state.id))),
            el("p", installed_words(sheet, subject), el("br"), load_words(sheet, subject)),
            class_="who",
        ),
        el("div", graph(picture(sheet, subject, axis, big=False)), axis.letters(), class_="plotbox"),
        figures(sheet, subject, big=False),
        el("p", rests(sheet, subject), class_="rests"),
        class_="sys stale" if subject.silent() else "sys",
        id=f"q1-{_slug(state.id)}",
        live=True,
    )


def installed_words(sheet: Sheet, subject: Judged) -> str:
    """Return what cabinets stand in a system's positions today, "3 × 20 kVA, 16 kW each"."""
    day = sheet.now.date()
    fitted = [f for unit in sheet.estate.units_of(subject.state.id) if (f := in_place(unit.fitted, day))]
    kinds = {
        (f.rating_va, f.rating_w): sum((g.rating_va, g.rating_w) == (f.rating_va, f.rating_w) for g in fitted)
        for f in fitted
    }
    if not kinds:
        return plural(subject.units, "unit")
    said = [
        f"{n} × {va / 1000:g} kVA, {w / 1000:g} kW{' each' if n > 1 else ''}" for (va, w), n in kinds.items()
    ]
    return " and ".join(said)


def load_words(sheet: Sheet, subject: Judged) -> Nodes:
    """Return the load now, or the last that was read and when, never presented as present."""
    state = subject.state
    if state.load.power_w is not None and not subject.silent():
        return f"{kilo(state.load.power_w)} kW now"
    read = [
        (view.reading.output.power_w, view.reading.at)
        for unit in sheet.estate.units_of(state.id)
        if (view := sheet.unit(unit.id)) and view.reading and view.reading.output.power_w is not None
    ]
    if not read:
        return el("span", "load not known", class_="val")
    if len(read) < subject.units:
        return el("span", f"{len(read)} of {subject.units} units read", class_="val")
    latest = min(at for _, at in read)
    total = sum(power or 0.0 for power, _ in read)
    return el("span", f"{kilo(total)} kW at {subject.clock.at(latest)}", class_="val")


def figures(sheet: Sheet, subject: Judged, *, big: bool) -> Element:
    """Return the figures set large beside the graph."""
    held, needed = subject.state.hold_up, subject.needed_s
    rows: list[Nodes] = []
    if not subject.proven or held.now.low_s is None or needed is None or subject.silent():
        rows.append(_figure("margin", None, "", el("dd", CANNOT_TELL, class_="cannot")))
        rows += _silence(sheet, subject)
        if held.now.low_s is not None and not subject.silent():
            reckoned = span(held.now.low_s, favours=True)
            rows.append(
                _figure(
                    "would hold, reckoned only",
                    None,
                    "",
                    el("dd", reckoned[0], " ", el("small", reckoned[1]), class_="part"),
                )
            )
        return el("dl", rows, class_="figs")
    rows.append(
        _margin(
            f"margin, {subject.all_words()}" if not big else _ranged(subject.all_words(), held.now),
            "",
            held.now.low_s,
            needed,
        )
    )
    if subject.units > 1:
        if big:
            rows += [
                _margin(
                    _ranged(f"unit {listed(loss.units, 'or')} lost", loss.hold_up),
                    "lost",
                    loss.hold_up.low_s,
                    needed,
                )
                for loss in reversed(subject.losses)
            ]
        else:
            rows.append(_margin(f"margin, {subject.lost_words()}", "lost", held.one_unit_lost.low_s, needed))
    ends = held.at_end_of_life
    if big and ends.all.low_s is not None:
        parts: list[Nodes] = [minutes(ends.all.low_s, favours=True), " ", el("small", "all")]
        if ends.one_unit_lost.low_s is not None and subject.units > 1:
            parts += [" ", minutes(ends.one_unit_lost.low_s, favours=True), " ", el("small", "one lost")]
        rows.append(_figure("all banks at end of life", "eol", "", el("dd", parts, class_="part")))
    return el("dl", rows, class_="figs")


def _silence(sheet: Sheet, subject: Judged) -> list[Nodes]:
    gone = [
        view.silent_since
        for unit in subject.silent()
        if (view := sheet.unit(unit)) is not None and view.silent_since is not None
    ]
    if not gone:
        return []
    return [_figure("silent for", None, "", el("dd", since(min(gone), sheet.now), class_="part"))]


def _ranged(words: str, held: HoldUp) -> str:
    if held.low_s is None or held.high_s is None:
        return words
    return f"{words}, {minutes(held.low_s, favours=True)} to {minutes(held.high_s, favours=True)}"


def _margin(words: str, mark: str, low_s: float | None, needed_s: float) -> Element:
    if low_s is None:
        return _figure(words, mark, "", el("dd", CANNOT_TELL, class_="cannot"))
    left = low_s - needed_s
    figure, unit = span(abs(left), favours=left >= 0)
    if left >= 0:
        return _figure(words, mark, "", el("dd", f"+{figure} ", el("small", unit)))
    return _figure(
        words,
        mark,
        "",
        el("dd", f"{figure} ", el("small", f"{unit} short", class_="short-ink"), class_="short"),
    )


def _figure(words: str, mark: str | None, _: str, value: Element) -> Element:
    return el("div", el("dt", None if mark is None else el("i", class_=mark or None), words), value)


def rests(sheet: Sheet, subject: Judged) -> Nodes:
    """Return what a verdict rests on, with its grade, and what stands beside it."""
    held = subject.state.hold_up
    parts: list[Nodes] = []
    grounds = grounds_of(sheet, subject)
    if grounds:
        parts.append(grounds[0])
    decisive = subject.decisive
    if decisive and decisive.because and subject.standing not in {"holds", "battery"}:
        parts.append([" ", " ".join(_stopped(said) for said in decisive.because)])
    ends = held.at_end_of_life
    if ends.all.low_s is not None and subject.needed_s is not None and subject.proven:
        lows = [ends.all.low_s] + (
            [ends.one_unit_lost.low_s] if ends.one_unit_lost.low_s is not None and subject.units > 1 else []
        )
        enough = "still enough" if min(lows) >= subject.needed_s else "no longer enough"
        with_lost = f" and {minutes(lows[1], favours=True)} with a unit lost" if len(lows) > 1 else ""
        parts.append(
            f" With every bank at its end of life and cold: {minutes(lows[0], favours=True)} min{with_lost}, {enough}."
        )
    return parts


def grounds_of(sheet: Sheet, subject: Judged) -> list[list[Nodes]]:
    """Return what a hold-up rests on, best first, each after its grade."""
    found: list[list[Nodes]] = []
    banks = [
        state for bank in sheet.estate.banks_of_system(subject.state.id) if (state := sheet.bank(bank.id))
    ]
    basis = subject.state.hold_up.now.basis
    if basis is Basis.TESTED:
        seen = [(d.at, d) for bank in banks for d in bank.discharges if d.capacity_fraction is not None]
        if seen:
            latest = max(seen, key=lambda pair: pair[0])[1]
            deep = (
                f", {whole_percent(latest.depth_fraction)} % deep"
                if latest.depth_fraction is not None
                else ""
            )
            days = len({d.at.date() for _, d in seen})
            found.append(
                [
                    evidence(
                        "seen",
                        f"{plural(days, 'judged discharge')}, the last on {subject.clock.on(latest.at)}{deep}.",
                    )
                ]
            )
        else:
            found.append([evidence("seen", "the banks were seen to discharge.")])
    elif basis is Basis.TABLE:
        found.append(
            [
                evidence(
                    "reckoned",
                    "from the maker’s constant-power table and the banks’ age; no discharge has been judged.",
                )
            ]
        )
    elif basis is Basis.GENERIC:
        found.append(
            [
                evidence(
                    "reckoned",
                    "from a typical table and the banks’ age; the maker’s own is not in the estate file.",
                )
            ]
        )
    claim = _claim(sheet, subject)
    if claim:
        found.append([evidence("claimed", claim)])
    return found


def _claim(sheet: Sheet, subject: Judged) -> str | None:
    claims = [
        view.reading.battery.card_runtime_s
        for unit in sheet.estate.units_of(subject.state.id)
        if (view := sheet.unit(unit.id)) and view.reading and view.reading.battery.card_runtime_s is not None
    ]
    if not claims:
        return None
    said = sorted({minutes(c, favours=True) for c in claims}, key=float)
    figure = said[0] if len(said) == 1 else f"{said[0]} to {said[-1]}"
    return f"{figure} min by the {'card' if len(claims) == 1 else 'cards'}; a card’s own minutes are used for nothing."


def _stopped(sentence: str) -> str:
    return capital(sentence if sentence.endswith((".", "!", "?")) else f"{sentence}.")


def _table(subjects: Sequence[Judged]) -> Element:
    names = (
        "system",
        "needs, min",
        "all units hold",
        "any one lost holds",
        "margin, all",
        "margin, one lost",
    )
    head = el("tr", [el("th", n, class_="num" if i else None, scope="col") for i, n in enumerate(names)])
    return el("table", el("thead", head), el("tbody", [_table_row(s) for s in subjects]))


def _table_row(subject: Judged) -> Element:
    held, needed = subject.state.hold_up, subject.needed_s
    known = subject.proven and not subject.silent()

    def hold(h: HoldUp) -> str:
        if h.low_s is None or h.high_s is None or not known:
            return CANNOT_TELL
        return f"{minutes(h.low_s, favours=True)} to {minutes(h.high_s, favours=True)}"

    def left(h: HoldUp) -> str:
        if h.low_s is None or needed is None or not known:
            return CANNOT_TELL
        gap = h.low_s - needed
        return f"+{minutes(gap, favours=True)}" if gap >= 0 else f"short {minutes(-gap, favours=False)}"

    one = (
        ("no second unit", "no second unit")
        if subject.units < 2
        else (hold(held.one_unit_lost), left(held.one_unit_lost))
    )
    cells = (
        CANNOT_TELL if needed is None else minutes(needed, favours=False),
        hold(held.now),
        one[0],
        left(held.now),
        one[1],
    )
    return el(
        "tr", el("th", subject.state.name, scope="row"), [el("td", cell, class_="num") for cell in cells]
    )


# ---- one system in depth


def in_depth(sheet: Sheet, subject: Judged) -> Element:
    """Return question 1 for one system: the large graph, the steps of what is needed, and what it rests on."""
    axis = axis_for([subject])
    load = subject.state.load.power_w
    now = f"Load as it is now, {kilo(load)} kW. " if load is not None and not subject.silent() else ""
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
    because = [el("li", _stopped(said)) for need in subject.state.requirements for said in need.because]
    unchecked = [el("li", _stopped(said)) for said in subject.state.not_checked]
    right: list[Nodes] = [
        el("h3", "What it rests on"),
        el("ul", grounds or el("li", "nothing that was read"), class_="rests-on"),
    ]
    if because:
        right += [el("h3", "Why"), el("ul", because, class_="rests-on")]
    if unchecked:
        right += [el("h3", "Not checked"), el("ul", unchecked, class_="rests-on")]
    return question(
        1,
        "If the mains fails now",
        f"{now}Widths are 90 % intervals; the least is what is promised.",
        el("div", big, id="q1-big", live=True),
        el(
            "div",
            el("div", _steps(subject.state.requirements)),
            el("div", right),
            class_="two",
            id="q1-why",
            live=True,
        ),
    )


def _steps(needs: Sequence[RequirementVerdict]) -> Nodes:
    stepped = [need for need in needs if need.steps]
    listed_ = [need for need in needs if not need.steps]
    parts: list[Nodes] = []
    if stepped:
        names = list(dict.fromkeys(step.step for need in stepped for step in need.steps))
        seen = {step.step: step.seen_s for need in stepped for step in need.steps if step.seen_s is not None}
        head = [el("th", "step", scope="col")]
        head += [el("th", PURPOSES[need.purpose], class_="num", scope="col") for need in stepped]
        head += [el("th", "last seen", class_="num", scope="col")] if seen else []
        rows: list[Element] = []
        for name in names:
            cells = [el("td", _allowed(need, name), class_="num") for need in stepped]
            cells += (
                [el("td", stopwatch(seen[name]) if name in seen else "not seen", class_="num")]
                if seen
                else []
            )
            rows.append(el("tr", el("th", name, scope="row"), cells))
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


# ---- while it happens


def outage(sheet: Sheet, subject: Judged, *, named: bool = False) -> Element | None:
    """Return question 1 of a system that is on its banks, or None for one that is not."""
    on, held = subject.state.on_battery, sheet.outages.get(subject.state.id)
    if on is None:
        return None
    generator = sheet.estate.generator_of(subject.state.id)
    known = held or Outage()
    work = work_s(generator, sheet.estate.units_of(subject.state.id)) if generator else 0.0
    live = LivePicture(_slug(subject.state.id), subject.state.name, on, known, subject.clock, sheet.now, work)
    rows: list[Nodes] = []
    if on.start_set_before and on.start_set_before > sheet.now:
        rows.append(
            _figure("left to start the set", None, "", el("dd", remaining(on.start_set_before, sheet.now)))
        )
    if on.ends_earliest:
        rows.append(_figure("left at the least", None, "", el("dd", remaining(on.ends_earliest, sheet.now))))
        rows.append(_figure("ends at the earliest", "", "", el("dd", subject.clock.second(on.ends_earliest))))
    else:
        rows.append(_figure("ends", None, "", el("dd", CANNOT_TELL, class_="cannot")))
    if known.shedding:
        words = f"if {kilo(known.shedding.power_w)} kW is shed now"
        rows.append(
            _figure(
                words, "eol", "", el("dd", subject.clock.second(known.shedding.ends_earliest), class_="part")
            )
        )
    carrying = [u.id for u in subject.state.units if u.standing is UnitStands.ON_BATTERY]
    power = subject.state.load.power_w
    value: Nodes = (
        [kilo(power), " ", el("small", f"kW, {plural(len(carrying), 'unit')}")]
        if power is not None
        else CANNOT_TELL
    )
    rows.append(
        _figure("carrying", None, "", el("dd", value, class_="part" if power is not None else "cannot"))
    )
    axis = live.axis
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
        "Heavy: as read. Fan: what is expected, 90 %. Below: what the set has tried.",
        el(
            "div",
            body,
            el("p", _live_rests(sheet, subject, known.readings), class_="rest"),
            id=f"outage-{_slug(subject.state.id)}",
            live=True,
        ),
        id_=f"now-{_slug(subject.state.id)}",
    )


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
        parts.append(f" Cannot tell: {clause(needs[0].because[0])}.")
    return parts
