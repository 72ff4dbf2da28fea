"""The first days: what each step makes known and how it is done, ticked off by what is there; then what is known of each bank."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from api.pages.banks.table_trial import way_to_table
from api.pages.hold_up.basis import stopped
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.frame import address_of, question
from api.pages.markup.marks import evidence, line_mark
from collector.read_model.beginning.steps import BankKnown, BeginningStep, FirstDays, StepKind
from collector.read_model.sheet import Sheet
from rules.phrasing.figures import capital, count, listed, plural
from rules.phrasing.reasons import say

NAMED: Final = 8
"""So many are named for which a step is left; the rest is a count."""
BANKS: Final = 10
"""So many banks are listed with what speaks for them."""
ADVISED: Final = 4
"""Of so many systems it is said how long which bank should carry its part; each says it on its own sheet."""


@dataclass(frozen=True, slots=True)
class _Told:
    title: str
    how: str
    lines: tuple[str, ...]
    noun: str
    buys: Nodes
    done_at: Callable[[str], str] | None = None
    """The address at which it is done for one, by its id; None: not on a page."""


STEPS: Final[Mapping[StepKind, _Told]] = {
    StepKind.TABLE: _Told(
        "Give the maker’s table",
        "From the data sheet of the blocks: minutes and watts (per cell or per block), as many pairs as it has. Pasted at a bank below, it is "
        "checked, tried, and turned into the line for the estate file. Five minutes for each type of block.",
        (),
        "bank",
        [
            evidence(
                "reckoned", "from table and age: a figure, and a wide one. The age is known, the wear is not."
            )
        ],
        way_to_table,
    ),
    StepKind.PAST_TEST: _Told(
        "Import past tests",
        "From acceptance and service reports: seconds, volts and amperes or watts, brought on the bank’s own sheet or by the "
        "command. It is judged within a minute.",
        ("ridethrough import discharge TEST.csv --bank BANK --at 2024-05-26T09:00Z --by NAME …",),
        "bank",
        [evidence("seen", "at those dates: points on the bank’s line, and a day to replace it by.")],
        lambda bank: f"{address_of('banks', bank)}#past-test",
    ),
    StepKind.DISCHARGE: _Told(
        "Let it see a short discharge",
        "A few minutes on the banks at the load of today, by the cabinet’s own test or the next trial of the generator, with help "
        "at hand. Ridethrough watches; it cannot start one.",
        (),
        "bank",
        [evidence("seen", "now: a figure that is promised, and questions 1 and 5 answered.")],
    ),
    StepKind.PEOPLE: _Told(
        "Say whom to tell, and see that it arrives",
        "A person in the estate file with a way to reach them; then one test message to each.",
        ("ridethrough test-delivery ESTATE.toml --data DIR",),
        "person",
        "Then it is known that the ways to them work. Without people, alarms stand on this page and at brokers alone.",
    ),
    StepKind.CARDS: _Told(
        "Prove which card is whose",
        "At each cabinet, with the command that watches what changes there. Cards look alike, and addresses get swapped.",
        ("ridethrough confirm UNIT --who NAME …",),
        "card",
        "What is said of a unit is then surely of that unit: nobody opens the wrong breaker by it.",
    ),
}


def nothing_shown(begun: FirstDays | None) -> bool:
    """Return whether nothing was seen of any bank yet: the first days."""
    return begun is not None and bool(begun.banks) and not begun.shown


def first_days(sheet: Sheet) -> Element | None:
    """Return the steps: in full while nothing was seen of any bank, else folded; None once all are done."""
    begun = sheet.begun
    if begun is None or begun.over or not begun.banks:
        return None
    done = begun.done
    items = el("ol", [_step(sheet, step, n + 1) for n, step in enumerate(begun.steps)], class_="steps")
    banks = _banks(sheet, begun)
    title = f"{capital(plural(len(begun.steps), 'step'))}, and what each one buys"
    tally = f"{done} of {len(begun.steps)} done"
    if nothing_shown(begun):
        reading = f"In any order; the first gives most for least. {tally}."
        return question(
            None, title, reading, el("div", items, banks, id="steps-left", live=True), id_="steps"
        )
    fold = el("details", el("summary", f"{tally}: {_left(begun)}"), items, banks)
    return question(
        None, "What would still be known", None, el("div", fold, id="steps-left", live=True), id_="steps"
    )


def _left(begun: FirstDays) -> str:
    return listed(
        [
            STEPS[step.kind].title[:1].lower() + STEPS[step.kind].title[1:]
            for step in begun.steps
            if not step.over
        ]
    )


def _step(sheet: Sheet, step: BeginningStep, number: int) -> Element:
    told = STEPS[step.kind]
    if step.over:
        done = f"{told.title}: done for {'it' if step.of == 1 else f'all {step.of}'}."
        return el(
            "li", el("span", str(number), class_="no"), el("p", line_mark("holds"), " ", done), class_="over"
        )
    body: list[Nodes] = [el("h3", told.title), el("p", told.how)]
    body += [el("pre", line) for line in told.lines]
    body.append(el("p", _progress(step, told), class_="small"))
    if step.kind is StepKind.DISCHARGE:
        body += _would_tell(sheet)
    return el(
        "li",
        el("span", str(number), class_="no"),
        el("div", body),
        el("p", told.buys, class_="buys"),
        id=f"step-{step.kind.value}",
    )


def _progress(step: BeginningStep, told: _Told) -> Nodes:
    if not step.of:
        return f"No {told.noun} is named in the estate file."
    named = step.left[:NAMED]
    rest = len(step.left) - len(named)
    between = [", "] * (len(named) - 1)
    if between and not rest:
        between[-1] = " and "
    names = [
        [joint, name if told.done_at is None else el("a", name, href=told.done_at(name))]
        for joint, name in zip(["", *between], named, strict=True)
    ]
    return [f"{step.done} of {step.of} done; left: ", names, f" and {rest} more." if rest else "."]


def _would_tell(sheet: Sheet) -> list[Element]:
    """Return for how long which system is to be let on its banks, as it was reckoned."""
    said = []
    for state in sheet.systems:
        # in the order of effort: a discharge is the last of them
        said += [f"{state.name}: {stopped(say(one.step))}" for one in state.hold_up.would_tell[-1:]]
    return [el("p", one, class_="small") for one in said[:ADVISED]]


def _banks(sheet: Sheet, begun: FirstDays) -> Element:
    """Return what speaks for each bank; a dotted ring is evidence that is still to come."""
    head = el(
        "tr",
        [
            el("th", name, scope="col")
            for name in ("bank", "table", "past test", "seen on battery", "so its capacity is")
        ],
    )
    rows = [_bank(sheet, bank) for bank in begun.banks[:BANKS]]
    rest = len(begun.banks) - BANKS
    table = el("div", el("table", el("thead", head), el("tbody", rows), class_="tight stack"), class_="tw")
    return el(
        "div",
        el("h3", "What is known of each bank"),
        table,
        el("p", f"{rest} banks more.", class_="rest") if rest > 0 else None,
        class_="below",
    )


def _bank(sheet: Sheet, bank: BankKnown) -> Element:
    found = sheet.estate.banks.get(bank.bank)
    owner = sheet.estate.units[found.feeds[0]].system if found is not None and found.feeds else None
    name = f"{sheet.estate.systems[owner].name}, bank {bank.bank}" if owner else f"Bank {bank.bank}"
    open_still = "not shown yet" if any(b.id == bank.bank for b in sheet.banks) else "not judged yet"
    return el(
        "tr",
        el("th", el("a", name, href=address_of("banks", bank.bank)), scope="row"),
        [
            el("td", "there" if there else el("span", "not yet", class_="ny"))
            for there in (bank.table, bank.past_test, bank.discharge)
        ],
        el("td", "shown" if bank.shown else el("i", open_still, class_="s")),
    )


def opening(sheet: Sheet) -> str:
    """Return what is said first while nothing was seen of any bank."""
    units = len(sheet.units)
    heard = sum(view.reading is not None and view.silent_since is None for view in sheet.units)
    cards = f"All {count(units)} units answer" if heard == units else f"{heard} of {units} units answer"
    wrong = any(
        a.state.startswith("active") and a.severity in {"critical", "major", "minor"} for a in sheet.alarms
    )
    # in the first seconds of a run no bank is judged, whatever is on record of them
    held = "What the banks hold, nobody has seen." if sheet.banks else "The banks are being judged."
    return f"{cards}{'' if wrong else ' and nothing is wrong'}. {held}"
