"""The sheet of one bank: how much is left and until when, what each discharge showed, how it is kept."""

from __future__ import annotations

from datetime import date

from api.pages.alarms.alarm_list import wrong
from api.pages.banks.capacity_river import River, river
from api.pages.banks.discharges import KINDS, oddities, way_to
from api.pages.banks.next_discharge import tests_said
from api.pages.banks.past_test import past_test
from api.pages.banks.section import (
    age_years,
    axis,
    capacity_words,
    date_words,
    due_sentence,
    enough_until,
    first_to_fail,
    fitted,
    gives,
    installed,
    name_of,
    overview,
    today_of,
    too_little,
)
from api.pages.hold_up.basis import what_would_tell
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.format import with_figures
from api.pages.markup.frame import PageFrame, address_of, clock_of, question
from api.pages.markup.marks import Standing, evidence, line_mark
from collector.read_model.sheet import Sheet
from collector.read_model.wall_clock import WallClock
from rules.battery.assessment.expected_cost import cheapest_said
from rules.battery.assessment.faults import CLAIMS_WRONG
from rules.battery.assessment.life.shared_life import said_of_others
from rules.battery.model.ageing import END_OF_LIFE, REFERENCE_C
from rules.battery.state import BankState
from rules.phrasing.dates import due_words as due_words_of
from rules.phrasing.figures import (
    CANNOT_TELL,
    age,
    capital,
    count,
    end_percent,
    kilo,
    listed,
    plural,
    whole_percent,
)
from rules.phrasing.reasons import said, say
from rules.plant.estate import Bank, FittedBank
from rules.values.verdict import Basis, Verdict


def banks_page(sheet: Sheet) -> PageFrame:
    """Return the sheet of all banks, the first to fail first."""
    return PageFrame("Banks", "/banks", (_summary(sheet), overview(sheet)))


def _summary(sheet: Sheet) -> Element:
    """Return how the banks stand together, in a sentence."""
    today = today_of(sheet)
    due = [s for s in first_to_fail(sheet.banks) if s.dates.replace_by is not None]
    late = [s for s in due if s.dates.replace_by is not None and s.dates.replace_by <= today]
    untold = len(sheet.banks) - len(due)
    mark: Standing = "short" if late else "unknown" if untold or not due else "holds"
    if late:
        verb = "is" if len(late) == 1 else "are"
        said = f"{capital(plural(len(late), 'bank'))} {verb} overdue: {listed([name_of(sheet, s.id) for s in late])}."
    elif due:
        first = due[0]
        larger = ", by a larger one" if first.too_small else ""
        said = (
            f"The first to replace{larger} is {name_of(sheet, first.id)}, {due_words_of(first.dates, today)}."
        )
    else:
        said = "Nothing can be told of when a bank is due."
    unjudged = len(sheet.estate.banks) - len(sheet.banks)
    why = [f"{plural(len(sheet.estate.banks), 'bank')} in the estate"]
    if untold:
        why.append(f"{count(untold)} without a date")
    if unjudged:
        why.append(f"{count(unjudged)} not judged yet")
    row = el(
        "span", line_mark(mark), el("span", said, el("span", " · ".join(why), class_="why")), class_="row"
    )
    return el("h1", row, class_="lead", id="lead", live=True)


def bank_page(sheet: Sheet, name: str) -> PageFrame | None:
    """Return a bank's sheet, or None for one that is not in the estate."""
    bank = sheet.estate.banks.get(name)
    if bank is None:
        return None
    address, state, blocks = address_of("banks", name), sheet.bank(name), fitted(sheet, name)
    title = capital(name_of(sheet, name))
    if state is None:
        words = el(
            "p",
            el("b", title),
            " has not been judged yet.",
            el("br"),
            el("small", _plant(bank, blocks)),
            class_="waiting",
        )
        return PageFrame(title, address, (el("h1", title, class_="off"), words))
    parts: list[Element | None] = [
        _lead(sheet, bank, state, blocks),
        what_would_tell(state.would_tell, "tell"),
        past_test(sheet, name) if state.unproven else None,
        _left(sheet, state),
        _shown(sheet, state),
        _kept(state),
        _known(sheet, state, today_of(sheet)),
        None if state.unproven else past_test(sheet, name),
    ]
    mine = tuple(a for a in sheet.alarms if a.about == name)
    if mine:
        owner = sheet.estate.units[bank.feeds[0]].system
        parts.append(wrong(sheet, mine, WallClock(sheet.site(owner).time_zone, sheet.now), of=owner))
    return PageFrame(title, address, tuple(part for part in parts if part))


def standing(sheet: Sheet, state: BankState) -> Standing:
    """Return which line stands for a bank."""
    by, fraction = state.dates.replace_by, state.capacity.fraction
    if by is not None and by <= today_of(sheet):
        return "short"
    if fraction is None or state.capacity.basis is not Basis.TESTED:
        return "unknown"
    return "short" if fraction < END_OF_LIFE else "holds"


def _lead(sheet: Sheet, bank: Bank, state: BankState, blocks: FittedBank | None) -> Element:
    mark = standing(sheet, state)
    fraction = state.capacity.fraction
    said: Nodes
    if fraction is None:
        said = [el("b", name_of(sheet, bank.id)), " cannot be judged: nothing is known of its capacity."]
    elif state.capacity.basis is not Basis.TESTED:
        due = [" ", due_sentence(state, today_of(sheet))]
        now = "until now: its first discharge is being judged." if gives(sheet, bank.id) else ""
        told = now or f": {too_little(state)}."
        said = [el("b", name_of(sheet, bank.id)), f" is unproven{' ' if now else ''}{told}", due]
    else:
        figure = f"{whole_percent(fraction)} %"
        between = ""
        if state.capacity.low is not None and state.capacity.high is not None:
            between = f", between {end_percent(state.capacity.low)} and {end_percent(state.capacity.high)}"
        verb = " is past its end of life: " if fraction < END_OF_LIFE else " gives "
        ink = el("span", figure, class_="short-ink nb") if fraction < END_OF_LIFE else figure
        said = [
            el("b", name_of(sheet, bank.id)),
            verb,
            ink,
            f" of rated{between}. ",
            due_sentence(state, today_of(sheet)),
        ]
    row = el(
        "span",
        line_mark(mark),
        el("span", said, el("span", _plant(bank, blocks), class_="why")),
        class_="row",
    )
    return el("h1", row, class_="lead bank", id="lead", live=True)


def _plant(bank: Bank, blocks: FittedBank | None) -> str:
    parts = [plural(bank.strings, "string"), f"{bank.cells} cells in series"]
    if bank.halves == 2:
        parts.append("split about its mid-point")
    if blocks:
        parts.append(f"{blocks.blocks} blocks of {blocks.type}")
        parts.append(f"ends at {blocks.end_voltage_per_cell_v * bank.cells:.1f} V")
        parts.append(f"installed {WallClock.day(blocks.from_day)}")
        if blocks.design_life_years:
            parts.append(f"{blocks.design_life_years:g}-year design")
    parts.append(f"feeds {listed(bank.feeds)}")
    return " · ".join(parts)


def _legend(picture: River) -> str | None:
    """Return what is drawn of a bank's capacity, and how; None where nothing is."""
    judged_ = any(d.capacity_fraction is not None for d in picture.state.discharges)
    said = ["Solid: judged from discharges."] if judged_ else []
    said += ["Ruled: what is to be expected."] if picture.forecast else []
    return " ".join([*said, "Width is the 90 % interval."]) if said else None


def _worn(years: float, as_c: float | None) -> str:
    """Return an effective age, and the constant temperature that wears a bank as much as its own did."""
    return f"{years:.1f}" if as_c is None else f"{years:.1f}, its own heat counting as {as_c:.0f} °C"


def _left(sheet: Sheet, state: BankState) -> Element:
    years = axis(sheet, [state], ahead=True)
    picture = River(
        state,
        sheet.forecasts.get(state.id, ()),
        years,
        today_of(sheet),
        installed(sheet, state.id),
        height=330.0,
    )
    dates, today = state.dates, today_of(sheet)

    def about(day: date | None) -> str:
        return CANNOT_TELL if day is None else date_words(state, day, today)

    rows = [
        ("capacity", capacity_words(state, gives=gives(sheet, state.id))),
        (
            "asked of it",
            CANNOT_TELL
            if state.asked_fraction is None
            else f"{whole_percent(state.asked_fraction)} % of rated",
        ),
        *([("its end by age alone", age_years(state))] if state.unproven else []),
        ("no longer enough about", enough_until(state, about(dates.expected_end), today)),
        ("below 80 % about", about(dates.falls_under_80)),
        ("order a larger one by" if state.too_small else "order by", about(dates.order_by)),
        ("worn out by" if state.too_small else "replace by", about(dates.replace_by)),
        (
            f"worn as in years at {REFERENCE_C:.0f} °C",
            CANNOT_TELL
            if state.effective_age_years is None
            else _worn(state.effective_age_years, state.worn_as_c),
        ),
    ]
    table = el(
        "table",
        el(
            "tbody",
            [
                el("tr", el("th", n, scope="row"), el("td", t, class_="none" if t == CANNOT_TELL else None))
                for n, t in rows
            ],
        ),
        class_="tight",
    )
    return question(
        4,
        "How much is left, and until when",
        _legend(picture),
        el("div", years.letters(), river(picture), class_="rivers", id="river", live=True),
        el(
            "div",
            el("div", table, class_="tw"),
            _carried(sheet, state),
            class_="two below",
            id="dates",
            live=True,
        ),
    )


def _carried(sheet: Sheet, state: BankState) -> Element:
    shown = state.shown_to_carry
    clock = clock_of(sheet)
    if shown is None:
        words: Nodes = "Never shown to carry its load. Capacity arithmetic does not catch an open cell; only a discharge does."
    else:
        words = [
            evidence(
                "seen", f"carried {kilo(shown.power_w)} kW for {age(shown.for_s)} on {clock.on(shown.at)}."
            )
        ]
    weak = "A weak block can end a bank at once; nothing read by a card would warn of that."
    return el("div", el("p", words, class_="prose"), el("p", weak, class_="prose small"))


def _shown(sheet: Sheet, state: BankState) -> Element:
    clock = clock_of(sheet)
    rows: list[Element] = []
    for d in sorted(state.discharges, key=lambda d: d.at, reverse=True):
        under = d.capacity_fraction is not None and d.capacity_fraction < END_OF_LIFE
        between = (
            f"{end_percent(d.low)}–{end_percent(d.high)}"
            if d.low is not None and d.high is not None
            else CANNOT_TELL
        )
        capacity = (
            f"{whole_percent(d.capacity_fraction)} %" if d.capacity_fraction is not None else CANNOT_TELL
        )
        depth = f"{whole_percent(d.depth_fraction)} %" if d.depth_fraction is not None else CANNOT_TELL
        rows.append(
            el(
                "tr",
                el("th", clock.on(d.at), scope="row"),
                el("td", depth, class_="num"),
                el(
                    "td", el("b", capacity) if under else capacity, class_="num short-ink" if under else "num"
                ),
                el("td", between, class_="num"),
                el("td", KINDS.get(d.kind, d.kind)),
            )
        )
        odd = oddities(d)
        if odd:
            rows.append(el("tr", el("td", odd, colspan="5", class_="small")))
    if not rows:
        body: Nodes = el(
            "p",
            "No discharge of this bank has been judged. What is said of it rests on its age alone.",
            class_="say",
        )
    else:
        names = ("date", "depth", "capacity", "90 %", "from")
        head = el(
            "tr", [el("th", n, class_="num" if 0 < i < 4 else None, scope="col") for i, n in enumerate(names)]
        )
        body = el(
            "div", el("table", el("thead", head), el("tbody", rows), class_="tight narrow-table"), class_="tw"
        )
    return question(
        None,
        "Every judged discharge",
        "Depth is of what this bank gives; capacity, of what its table gives.",
        el("div", body, id="discharges", live=True),
        el(
            "p",
            el("a", "All that was recorded, each with its volts and power", href=way_to(state.id)),
            class_="rest",
        ),
        id_="judged-discharges",
    )


def _known(sheet: Sheet, state: BankState, today: date) -> Element | None:
    """Return what else is known of a bank: what somebody should do, when to test it, what its card promised."""
    parts: list[Nodes] = []
    for n, finding in enumerate(state.findings):
        parts.append(
            el(
                "li",
                el("span", str(n + 1), class_="no"),
                el(
                    "div",
                    el("p", say(finding.what), class_="what"),
                    el("p", list(with_figures(say(finding.do))), class_="do"),
                ),
                el("p", el("b", finding.severity), class_="meta"),
                class_="al",
                data_sev=finding.severity,
            )
        )
    said: list[Nodes] = []
    said += [el("p", list(with_figures(words)), class_="prose") for words in tests_said(sheet, state, today)]
    if state.by_cost is not None:
        cheapest = say(cheapest_said(state.by_cost, state.dates.replace_by))
        said.append(el("p", list(with_figures(cheapest)), class_="prose"))
    if state.by_others is not None:
        said.append(el("p", list(with_figures(say(said_of_others(state.by_others)))), class_="prose"))
    claims = state.claims
    told = any(finding.kind == CLAIMS_WRONG for finding in state.findings)
    if claims is not None and claims.count and claims.ratio is not None and not told:
        times = f"{claims.ratio:.1f} times" if not 0.95 <= claims.ratio < 1.05 else "as much as"
        words = f"in {plural(claims.count, 'discharge')} its card promised {times} the minutes that came."
        said.append(el("p", evidence("claimed", words), class_="prose"))
    if not parts and not said:
        return None
    title = "What to do about it" if parts else "Tests, and what its card promised"
    listed_ = el("ol", parts, class_="say-list") if parts else None
    return question(None, title, None, el("div", listed_, said, id="findings", live=True), id_="known")


def _kept(state: BankState) -> Element:
    charging = state.charging
    mark: Standing = {Verdict.ADEQUATE: "holds", Verdict.INADEQUATE: "short", Verdict.CANNOT_TELL: "unknown"}[
        charging.verdict
    ]  # type: ignore[assignment]
    words = {
        Verdict.ADEQUATE: "Kept as it should be.",
        Verdict.INADEQUATE: "Not kept as it should be.",
        Verdict.CANNOT_TELL: "Cannot tell how it is kept.",
    }[charging.verdict]
    because = " ".join(f"{capital(b.rstrip('.'))}." for b in said(charging.because))
    volts = (
        f" {charging.float_voltage_per_cell_v:.3f} V per cell on float."
        if charging.float_voltage_per_cell_v is not None
        else ""
    )
    return question(
        None,
        "How it is kept",
        None,
        el(
            "p",
            line_mark(mark),
            " ",
            words,
            f" {because}" if because else "",
            volts,
            class_="prose",
            id="kept",
            live=True,
        ),
    )
