"""Question 2: is it redundant on every phase? Rulers for the estate, and shares between units for one system."""

from __future__ import annotations

from collections.abc import Sequence

from api.pages.hold_up.basis import stopped
from api.pages.hold_up.sentences import Judged
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.format import since
from api.pages.markup.frame import address_of, question, slug
from api.pages.markup.marks import Standing, line_mark
from api.pages.units.ruler import caption, ruler, table
from collector.read_model.sheet import Sheet, ShownUnit
from rules.phrasing.figures import CANNOT_TELL, capital, clause, count, down, kilo, listed, up, whole_percent
from rules.phrasing.reasons import say
from rules.system.state import LoadBasis, Redundancy, RedundancyAt, UnitStanding
from rules.system.state import Standing as UnitStands
from rules.values.verdict import Verdict

MARKS: dict[Verdict, Standing] = {
    Verdict.ADEQUATE: "holds",
    Verdict.INADEQUATE: "short",
    Verdict.CANNOT_TELL: "unknown",
}
STANDS = {
    UnitStands.CARRYING: "carrying",
    UnitStands.ON_BATTERY: "on its bank",
    UnitStands.RESTING: "resting",
    UnitStands.IDLE: "not seen carrying",
    UnitStands.BYPASS: "on bypass",
    UnitStands.OFF: "off",
    UnitStands.ISOLATED: "isolated",
    UnitStands.SILENT: "silent",
    UnitStands.UNKNOWN: "not known",
}
BASIS_NAMES = {
    LoadBasis.NOW: "load now",
    LoadBasis.PEAK_30D: "30-day peak",
    LoadBasis.P95_30D: "30-day 95 % load",
}
HOW_TO_READ = (
    "The upright is what the units left would carry, after losing one. Bars are now, by unit; whiskers reach the "
    "peak of the last 30 days. The peak decides."
)


def verdict(redundancy: Redundancy) -> str:
    """Return the answer in a sentence: the rules' first reason after a yes, a no, or that it cannot be told."""
    because = stopped(say(redundancy.because[0])) if redundancy.because else ""
    if redundancy.verdict is Verdict.CANNOT_TELL:
        return f"Cannot tell. {because}".strip()
    if redundancy.verdict is Verdict.INADEQUATE:
        return because or "No."
    tight = redundancy.tightest_line
    if tight is not None and redundancy.margin_w is not None and redundancy.margin_w >= 0:
        gone = f"With {listed(redundancy.gone)} gone, " if redundancy.gone else ""
        when = " at the peak" if redundancy.basis is LoadBasis.PEAK_30D else " now"
        left = f"{int(redundancy.margin_w / 100) / 10:.1f} kW left on L{tight}{when}"
        return f"Yes, on every line, in watts and in volt-amperes. {capital(f'{gone}{left}')}{_unproven(redundancy)}."
    return f"Yes. {because}".strip()


def reason(redundancy: Redundancy) -> str:
    """Return what an answer rests on, as short as a cell: the tightest line and what it has left or lacks."""
    tight, left_w = redundancy.tightest_line, redundancy.margin_w
    if redundancy.verdict is Verdict.CANNOT_TELL or tight is None or left_w is None:
        return clause(say(redundancy.because[0])) if redundancy.because else ""
    at = "at its peak" if redundancy.basis is LoadBasis.PEAK_30D else "now"
    if left_w < 0:
        return f"L{tight} asks {up(-left_w / 1000.0, 2):.2f} kW too much {at}"
    return f"tightest L{tight}: {down(left_w / 1000.0):.1f} kW left {at}"


def _unproven(redundancy: Redundancy) -> str:
    """Return which banks were not shown to carry their part: beside the kilowatts, never in them."""
    banks = redundancy.unproven_banks
    if not banks:
        return ""
    return f"; bank {banks[0]} unproven" if len(banks) == 1 else f"; banks {listed(banks)} unproven"


def overview(sheet: Sheet, subjects: Sequence[Judged]) -> Element:
    """Return question 2 for the whole estate."""
    several = [s for s in subjects if s.state.redundancy is not None]
    alone = [s for s in subjects if s.state.redundancy is None]
    rulers = [_ruler(sheet, s, s.state.redundancy) for s in several if s.state.redundancy]
    body: list[Nodes] = [el("div", rulers, class_="rulers")] if rulers else []
    if alone:
        names = capital(listed([s.state.name for s in alone]))
        meant = (
            "has no spare unit: not redundant, and not meant to be."
            if len(alone) == 1
            else "have no spare unit: not redundant, and not meant to be."
        )
        body.append(el("p", f"{names} {meant}", class_="rest"))
    return question(2, "Redundant on every phase?", HOW_TO_READ, body)


def _ruler(sheet: Sheet, subject: Judged, redundancy: Redundancy, *, titled: bool = True) -> Element:
    state = subject.state
    spare = sheet.estate.systems[state.id].spare_units if state.id in sheet.estate.systems else 1
    name = el(
        "h3",
        line_mark(MARKS[redundancy.verdict]),
        " ",
        el("a", state.name, href=address_of("systems", state.id)),
    )
    return el(
        "div",
        el(
            "div",
            [name, el("p", verdict(redundancy), _more(state.id, redundancy), class_="say")]
            if titled
            else None,
            ruler(sheet, state, redundancy),
            caption(redundancy, subject.units, spare),
            id=f"q2-{slug(state.id)}",
            live=True,
        ),
        el(
            "details",
            el("summary", "Figures behind the rulers"),
            el("div", table(redundancy), id=f"q2t-{slug(state.id)}", live=True),
        ),
        class_="ruler fine" if redundancy.verdict is Verdict.ADEQUATE else "ruler",
    )


def _more(system: str, redundancy: Redundancy) -> Nodes:
    """Return a way to the further reasons, where there are any."""
    left = len(redundancy.because) - 1
    if left < 1 or redundancy.verdict is Verdict.ADEQUATE:
        return None
    words = "one reason more" if left == 1 else f"{count(left)} reasons more"
    return [" ", el("small", el("a", words, href=f"{address_of('systems', system)}#q2"))]


def _reasons(subject: Judged, redundancy: Redundancy) -> Nodes:
    """Return the further reasons, the margins at other loads, and what sets one unit apart."""
    said = [stopped(say(one)) for one in redundancy.because[1:]]
    said += [_margin_at(at) for at in redundancy.at if at.basis is not redundancy.basis]
    parts: list[Nodes] = [el("ul", [el("li", reason) for reason in said], class_="rests-on")] if said else []
    return [*parts, _apart(subject)]


def _apart(subject: Judged) -> Nodes:
    """Return what sets a unit apart now, and what the last outage showed, each with its day."""
    if not subject.state.findings:
        return None
    said = [
        el(
            "li",
            f"In the outage of {subject.clock.on(f.at)}: {clause(say(f.because))}."
            if f.at
            else stopped(say(f.because)),
        )
        for f in subject.state.findings
    ]
    return [el("h3", "What sets a unit apart"), el("ul", said, class_="rests-on")]


def _pair(sheet: Sheet, subject: Judged) -> Nodes:
    """Return whether the system could take its partner's load, where it has a partner."""
    pair = subject.state.partner
    if pair is None:
        return None
    other = sheet.estate.systems.get(pair.partner)
    name = other.name if other else pair.partner
    answer = {
        Verdict.ADEQUATE: "Yes, on every line, in watts and in volt-amperes.",
        Verdict.INADEQUATE: "No.",
        Verdict.CANNOT_TELL: "Cannot tell.",
    }[pair.verdict]
    said = [stopped(say(one)) for one in pair.because]
    said += [_margin_at(at) for at in pair.at if at.basis is not pair.basis]
    return [
        el(
            "h3",
            "Could it take the load of ",
            el("a", name, href=address_of("systems", pair.partner)),
            " too?",
        ),
        el("p", line_mark(MARKS[pair.verdict]), " ", answer, class_="prose answer"),
        el("ul", [el("li", reason) for reason in said], class_="rests-on"),
    ]


def _margin_at(at: RedundancyAt) -> str:
    decides = "watts" if at.tightest_limit == "w" else "volt-amperes"
    line, basis = f"L{at.tightest_line}", BASIS_NAMES[at.basis]
    if at.margin_w >= 0:
        return f"At the {basis} {down(at.margin_w / 1000, 2):.2f} kW are left, tightest on {line}, where {decides} decide."
    return f"At the {basis} {line} is {up(-at.margin_w / 1000, 2):.2f} kW over, where {decides} decide."


def in_depth(sheet: Sheet, subject: Judged) -> Element:
    """Return question 2 for one system: its rulers, and what each unit carries."""
    redundancy = subject.state.redundancy
    if redundancy is None:
        alone = el(
            "p", "One unit, and no spare is declared: not redundant, and not meant to be.", class_="say"
        )
        return question(
            2,
            "Redundant on every phase?",
            None,
            alone,
            el(
                "div",
                _shares(sheet, subject),
                _apart(subject),
                _pair(sheet, subject),
                id="q2-shares",
                live=True,
            ),
        )
    sentence: Nodes = el(
        "p", line_mark(MARKS[redundancy.verdict]), " ", verdict(redundancy), class_="prose answer"
    )
    return question(
        2,
        "Redundant on every phase?",
        HOW_TO_READ,
        el("div", sentence, id="q2-say", live=True),
        el(
            "div",
            _ruler(sheet, subject, redundancy, titled=False),
            el(
                "div",
                _shares(sheet, subject),
                _reasons(subject, redundancy),
                _pair(sheet, subject),
                id="q2-shares",
                live=True,
            ),
            class_="two",
        ),
    )


def _shares(sheet: Sheet, subject: Judged) -> Element:
    lines = sorted({row.line for row in subject.state.load.lines})
    head = ["unit", *[f"L{line} kW" for line in lines], "sum", "share", "reading"]
    rows = [_share(sheet, unit, lines) for unit in subject.state.units]
    load = subject.state.load
    by_line = {row.line: row.power_w for row in load.lines}
    total = [_number(by_line.get(line)) for line in lines]
    total.append(_number(load.power_w))
    foot = el("tr", el("th", "all", scope="row"), total, el("td"), el("td"), class_="sum")
    numeric = len(head) - 1
    return el(
        "div",
        el(
            "table",
            el(
                "thead",
                el(
                    "tr",
                    [
                        el("th", h, class_="num" if 0 < n < numeric else None, scope="col")
                        for n, h in enumerate(head)
                    ],
                ),
            ),
            el("tbody", rows, foot),
            class_="tight shares",
        ),
        class_="tw",
    )


def _share(sheet: Sheet, unit: UnitStanding, lines: Sequence[int]) -> Element:
    view = sheet.unit(unit.id)
    powers = _by_board_line(sheet, unit.id, view)
    silent = unit.standing in {UnitStands.SILENT, UnitStands.UNKNOWN}
    cells = [_number(powers.get(line), stale=silent) for line in lines]
    known = view.reading.output.power_w if view and view.reading else None
    cells.append(_number(known, stale=silent))
    share = f"{whole_percent(unit.share_fraction)} %" if unit.share_fraction is not None else CANNOT_TELL
    cells.append(el("td", share, class_="num" if unit.share_fraction is not None else "num none"))
    read: Nodes = [since(unit.read_at, sheet.now), " old"] if unit.read_at else "never read"
    note = f"; {STANDS[unit.standing]}" if unit.standing is not UnitStands.CARRYING else ""
    doubts = len(view.reading.doubts) if view and view.reading else 0
    seen = f"; {count(doubts)} corrected or doubted" if doubts else ""
    name = el("th", el("a", unit.id, href=address_of("units", unit.id)), scope="row")
    return el("tr", name, cells, el("td", read, note, seen), class_="stale-row" if silent else None)


def _by_board_line(sheet: Sheet, unit: str, view: ShownUnit | None) -> dict[int, float | None]:
    if view is None or view.reading is None or unit not in sheet.estate.units:
        return {}
    order = sheet.estate.units[unit].line_order
    return {
        (order[own.line - 1] if 0 < own.line <= len(order) else own.line): own.power_w
        for own in view.reading.output.lines
    }


def _number(value: float | None, *, stale: bool = False) -> Element:
    if value is None:
        return el("td", "not known", class_="num none")
    return el("td", kilo(value), class_="num val" if stale else "num")
