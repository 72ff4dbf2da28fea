"""Question 1, if the mains fails now: for the whole estate on one axis."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from api.pages.hold_up.basis import installed_words, load_words, rests
from api.pages.hold_up.minute_graph import Lost, Need, Picture, graph, span_s, work_s
from api.pages.hold_up.sentences import PURPOSES, Judged, verdict_words
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.format import since
from api.pages.markup.frame import address_of, question, slug
from api.pages.markup.svg import Axis
from collector.read_model.sheet import Sheet
from rules.phrasing.figures import CANNOT_TELL, listed, minutes, span
from rules.system.state import HoldUp

KEY: Final = (
    ("k-all", "all units"),
    ("k-lost", "any one unit lost"),
    ("k-try", "start attempt"),
    ("k-wait", "someone walks to the generator"),
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
    held = state.hold_up.now
    lost = [] if held.low_s is None or subject.units < 2 else _losses(subject, big=big)
    others = [
        (f"{PURPOSES[other.purpose]}: {minutes(other.required_s, favours=False)}", other.required_s)
        for other in state.requirements
        if big and other is not need and other.required_s is not None
    ]
    ends = state.hold_up.at_end_of_life
    old = [h for h in (ends.all, ends.one_unit_lost) if h.low_s is not None] if big else []
    claims = [
        view.reading.battery.card_runtime_s
        for unit in sheet.estate.units_of(state.id)
        if (view := sheet.unit(unit.id)) and view.reading and view.reading.battery.card_runtime_s is not None
    ]
    claimed = min(claims) if claims and held.low_s is None else None
    fan = sheet.fans.get(state.id, ())
    return Picture(
        id=f"{'big' if big else 'row'}-{slug(state.id)}",
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


def axis_for(subjects: Sequence[Judged]) -> Axis:
    """Return the axis that some systems share."""
    needs = [s.needed_s for s in subjects if s.needed_s is not None]
    held = [s.state.hold_up.now for s in subjects]
    return Axis.over(span_s(needs, held) * 1.02)


def overview(sheet: Sheet, subjects: Sequence[Judged], *, said: bool = False) -> Element:
    """Return question 1 for the whole estate, every system on one axis; `said`: each with its verdict as a sentence."""
    axis = axis_for(subjects)
    key = el(
        "p",
        [el("span", el("i", class_=mark), words) for mark, words in KEY],
        class_="key",
        aria_hidden="true",
    )
    rows = [_row(sheet, subject, axis, said=said) for subject in subjects]
    return question(
        1,
        "If the mains fails now",
        HOW_TO_READ,
        key,
        el(
            "div",
            el("div", axis.letters(), class_="axis", id="q1-axis", live=True),
            rows,
            el("div", axis.letters(), class_="axis", id="q1-axis-end", live=True),
            class_="mg",
        ),
        el(
            "details",
            el("summary", "The same as a table"),
            el("div", _table(subjects), class_="tw", id="q1-table", live=True),
        ),
    )


def _rests(sheet: Sheet, subject: Judged, *, said: bool) -> Nodes:
    """Return what a row rests on; of many that hold the system's own sheet says it."""
    return None if said and subject.standing == "holds" else rests(sheet, subject)


def _classes(subject: Judged) -> str:
    """Return how a row is shown: paper leaves out what is `fine` where there are many."""
    fine = " fine" if subject.standing == "holds" else ""
    return f"sys{' stale' if subject.silent() else fine}"


def _row(sheet: Sheet, subject: Judged, axis: Axis, *, said: bool) -> Element:
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
        el(
            "p",
            [verdict_words(subject), " "] if said else None,
            _rests(sheet, subject, said=said),
            class_="rests",
        ),
        class_=_classes(subject),
        id=f"q1-{slug(state.id)}",
        live=True,
    )


def figures(sheet: Sheet, subject: Judged, *, big: bool) -> Element:
    """Return the figures set large beside the graph."""
    held, needed = subject.state.hold_up, subject.needed_s
    rows: list[Nodes] = []
    if not subject.proven or held.now.low_s is None or needed is None:
        rows.append(figure("margin", None, el("dd", CANNOT_TELL, class_="cannot")))
        rows += _silence(sheet, subject)
        if held.now.low_s is not None:
            reckoned = span(held.now.low_s, favours=True)
            rows.append(
                figure(
                    "would hold, reckoned only",
                    None,
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
    if held.recharged is not None and held.recharged.low_s is not None:
        full = span(held.recharged.low_s, favours=True)
        value = el("dd", full[0], " ", el("small", full[1]), class_="part")
        rows.append(figure("would hold, banks recharged", None, value))
    ends = held.at_end_of_life
    if big and ends.all.low_s is not None:
        parts: list[Nodes] = [minutes(ends.all.low_s, favours=True), " ", el("small", "all")]
        if ends.one_unit_lost.low_s is not None and subject.units > 1:
            parts += [" ", minutes(ends.one_unit_lost.low_s, favours=True), " ", el("small", "one lost")]
        rows.append(figure("all banks at end of life", "eol", el("dd", parts, class_="part")))
    return el("dl", rows, class_="figs")


def _silence(sheet: Sheet, subject: Judged) -> list[Nodes]:
    gone = [
        view.silent_since
        for unit in subject.silent()
        if (view := sheet.unit(unit)) is not None and view.silent_since is not None
    ]
    if not gone:
        return []
    return [figure("silent for", None, el("dd", since(min(gone), sheet.now), class_="part"))]


def figure(words: str, mark: str | None, value: Element) -> Element:
    """Return one figure set large under its words; `mark` is the stroke of its line on the graph, "" for solid."""
    return el("div", el("dt", None if mark is None else el("i", class_=mark or None), words), value)


def _ranged(words: str, held: HoldUp) -> str:
    if held.low_s is None or held.high_s is None:
        return words
    return f"{words}, {minutes(held.low_s, favours=True)} to {minutes(held.high_s, favours=True)}"


def _margin(words: str, mark: str, low_s: float | None, needed_s: float) -> Element:
    if low_s is None:
        return figure(words, mark, el("dd", CANNOT_TELL, class_="cannot"))
    left = low_s - needed_s
    large, unit = span(abs(left), favours=left >= 0)
    if left >= 0:
        return figure(words, mark, el("dd", f"+{large} ", el("small", unit)))
    return figure(
        words,
        mark,
        el("dd", f"{large} ", el("small", f"{unit} short", class_="short-ink"), class_="short"),
    )


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
    known = subject.proven

    def hold(h: HoldUp) -> str:
        if h.low_s is None or not known:
            return CANNOT_TELL
        if h.high_s is None:
            return f"{minutes(h.low_s, favours=True)} or more"
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
