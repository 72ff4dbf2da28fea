"""Question 5: may a unit be taken out for work, and how does work under way stand? Left out where nothing is known."""

from __future__ import annotations

from collections.abc import Sequence

from api.pages.hold_up.sentences import Judged
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.frame import address_of, question
from api.pages.markup.marks import Standing, line_mark
from api.pages.units import work as work_section
from api.pages.units.work import mark_of
from collector.read_model.sheet import Sheet, ShownIsolation
from rules.phrasing.reasons import say
from rules.system.work import UnitWork

MARKS: dict[str, Standing] = {"met": "holds", "not_met": "short", "cannot_tell": "unknown"}
ADVICE = "Asked for the next four hours. Advice on what can be read. The maker’s manual and the site’s switching schedule are the authority."


def overview(sheet: Sheet) -> Element | None:
    """Return question 5 for the whole estate, or None where nothing is known of it."""
    wait = _waits(sheet, set(sheet.estate.units))
    if not sheet.isolations and wait is None:
        return None
    under_way = {work.unit: work for state in sheet.systems for work in state.work}
    rows = [_row(alike, under_way.get(alike[0].unit)) for alike in _together(sheet, set(under_way))]
    head = el("tr", [el("th", name, scope="col") for name in ("unit", "answer", "checks")])
    table = el("table", el("thead", head), el("tbody", rows), class_="stack")
    return question(
        5,
        "May a unit be taken out for work?",
        "Asked for the next four hours. Only what can be read is judged here. The rest is listed for the person with the key.",
        el("div", table if rows else None, wait, class_="tw", id="q5-rows", live=True),
    )


def _together(sheet: Sheet, under_way: set[str]) -> list[list[ShownIsolation]]:
    """Return the answers of a system's units that are the same as one, in the place of the first."""
    found: dict[tuple[object, ...], list[ShownIsolation]] = {}
    for one in sheet.isolations:
        unit = sheet.estate.units.get(one.unit)
        counts = (len(one.met), len(one.not_met), len(one.cannot_be_seen), len(one.person))
        alone = one.unit if one.unit in under_way else ""
        key = (None if unit is None else unit.system, one.overall, one.answer, counts, alone)
        found.setdefault(key, []).append(one)
    return list(found.values())


def _row(alike: Sequence[ShownIsolation], work: UnitWork | None) -> Element:
    first = alike[0]
    links = [el("a", one.unit, href=address_of("units", one.unit)) for one in alike]
    joints = ["", *[", "] * (len(links) - 2), " and "][: len(links)]
    names: list[Nodes] = [[joint, link] for joint, link in zip(joints, links, strict=True)]
    return el(
        "tr",
        el("th", "Unit " if len(links) == 1 else "Units ", names, scope="row"),
        el("td", _answer(first, work)),
        el("td", "worked on" if work is not None else [_counts(first), " each" if len(links) > 1 else None]),
        class_="fine" if first.overall == "met" and work is None else None,
    )


def _waits(sheet: Sheet, units: set[str]) -> Element | None:
    """Return how many of some units have their answer and what the others wait for; None where all have theirs."""
    known = units & {one.unit for one in sheet.isolations}
    if known == units or not sheet.acts or not sheet.systems:
        return None
    told = f"{len(known)} of {len(units)} units" if known else "none yet"
    return el(
        "p",
        f"Reckoned since the start: {told}. A unit's turn comes once its system and its banks were judged, one unit after "
        "another, and not while a system is on its banks.",
        class_="waiting",
    )


def _answer(isolation: ShownIsolation, work: UnitWork | None) -> Element:
    """Return the answer for one unit; of one that is worked on, how far that has come."""
    if work is None:
        return el("span", line_mark(MARKS[isolation.overall]), " ", isolation.answer, class_="s")
    unplanned = [f" {say(one.because)}" for one in work.unexpected]
    return el("span", line_mark(mark_of(work)), " ", say(work.because), unplanned, class_="s")


def in_depth(sheet: Sheet, subject: Judged) -> Element | None:
    """Return question 5 for the units of one system, or None where nothing is known of it.

    Work under way stands first, then a fold a unit, then the form to say that work begins.
    """
    system, works = subject.state.id, subject.state.work
    members = {unit.id for unit in sheet.estate.units_of(system)}
    isolations = [i for i in sheet.isolations if i.unit in members]
    form = work_section.beginning(sheet, works, system)
    wait = _waits(sheet, members)
    if not (isolations or works or form or wait):
        return None
    under_way = {work.unit for work in works}
    folds = _folds([i for i in isolations if i.unit not in under_way])
    return question(
        5,
        "May a unit be taken out for work?",
        ADVICE,
        el("div", work_section.under_way(sheet, works, system, subject.clock), id="q5-work", live=True),
        el("div", folds, wait, id="q5-checks", live=True),
        form,
    )


def one(isolation: ShownIsolation) -> Element:
    """Return the checks of one unit, for paper."""
    return question(
        5,
        "May a unit be taken out for work?",
        ADVICE,
        el("div", _folds([isolation])),
    )


def _folds(isolations: Sequence[ShownIsolation]) -> list[Nodes]:
    folds: list[Nodes] = []
    for i in isolations:
        folds.append(
            el(
                "p",
                line_mark(MARKS[i.overall]),
                " ",
                el("b", f"Unit {i.unit}: "),
                i.answer,
                class_="prose answer",
            )
        )
        columns = [
            _column("Met", i.met, "y"),
            _column("Not met", i.not_met, "n"),
            _column("Cannot be seen", i.cannot_be_seen, "u"),
            _column("Yours to check", i.person, "u"),
        ]
        if not any(columns):
            continue
        folds.append(
            el(
                "details",
                el("summary", "The checks"),
                el("div", columns, class_="checks"),
            )
        )
    return folds


def _column(title: str, rows: Sequence[str], class_: str) -> Element | None:
    if not rows:
        return None
    ink = "short-ink" if class_ == "n" else None
    heading = el("h3", f"{title} ", el("small", str(len(rows)), class_=ink), class_=ink)
    return el("div", heading, el("ul", [el("li", said, class_=class_) for said in rows]))


def _counts(i: ShownIsolation) -> Element:
    failed: Nodes = (
        el("span", el("b", f"{len(i.not_met)} not met"), class_="short-ink")
        if i.not_met
        else el("span", "0 not met")
    )
    unseen = el("span", f"{len(i.cannot_be_seen)} not seen") if i.cannot_be_seen else None
    return el(
        "span",
        el("span", f"{len(i.met)} met"),
        failed,
        unseen,
        el("span", f"{len(i.person)} yours to check"),
        class_="count",
    )
