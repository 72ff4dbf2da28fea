"""How many systems stand how, in a sentence; of a large estate by name, the gravest first, and what to do first."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Final

from api.pages.estate.cells import shutdown_words
from api.pages.estate.first_days import nothing_shown, opening
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.frame import address_of
from api.pages.markup.marks import STANDINGS, Standing, line_mark
from collector.read_model.rows.site_rows import GRAVEST_FIRST, worst_first
from collector.read_model.rows.system_row import RowAlarm, ShortAnswer, Stands, SystemRow
from collector.read_model.sheet import Sheet
from collector.read_model.wall_clock import WallClock
from rules.phrasing.figures import capital, clause, count, minutes, on_banks
from rules.system.state import Against

SIGNED: Final = 3
"""So many signed shutdowns are told, the next first."""
NAMED: Final = 6
"""So many are named of those that are short or cannot be judged; the rest is a count."""


def of(rows: Sequence[SystemRow], how: Stands) -> list[SystemRow]:
    """Return the lines that stand so, the gravest first."""
    return [row for row in rows if row.stands is how]


def sentence(rows: Sequence[SystemRow], *, brief: bool = False) -> tuple[Standing, str]:
    """Return how many systems stand how: "One of three systems would fall short, one cannot be judged.", and its mark.

    `brief`: for a screen on a wall, which has its rows to say with what lost.
    """
    total = len(rows)
    parts = [(of(rows, how), how) for how in GRAVEST_FIRST if how is not Stands.HOLDS]
    said: list[str] = []
    for found, how in parts:
        if not found:
            continue
        many = len(found)
        words = "would fall short" if brief and how is Stands.SHORT else _words(found, how)
        said.append(f"{count(many)} {words}" if said else f"{_of_all(many, total)} {words}")
    if not said:
        both = (
            "It rides"
            if total == 1
            else "Both systems ride"
            if total == 2
            else f"All {count(total)} systems ride"
        )
        return "holds", f"{both} through."
    gravest = next(how for found, how in parts if found)
    return STANDINGS[gravest], f"{capital(', '.join(said))}."


def _words(found: Sequence[SystemRow], how: Stands) -> str:
    if how is Stands.OFF:
        return "feeds nothing" if len(found) == 1 else "feed nothing"
    if how is Stands.BATTERY:
        return on_banks_words(found)
    return short_words(found) if how is Stands.SHORT else "cannot be judged"


def on_banks_words(found: Sequence[SystemRow]) -> str:
    """Return that systems are on their banks, or how many of the units of one that are beside others that are fed."""
    if len(found) == 1:
        return on_banks(found[0].gives, found[0].units, found[0].fed)
    return (
        "have units on their banks" if any(row.fed and row.gives for row in found) else "are on their banks"
    )


def lost_words(rows: Sequence[SystemRow]) -> str:
    """Return " with a unit lost" where that is how all of those that fall short do, else nothing."""
    return short_words(of(rows, Stands.SHORT)).removeprefix("would fall short")


def short_words(found: Sequence[SystemRow]) -> str:
    """Return that systems would fall short; where all of them hold with all their units, only with one of them lost."""
    lost = all(
        row.against is Against.ONE_UNIT_LOST
        and row.held is not None
        and row.needed_s is not None
        and row.held.low_s >= row.needed_s
        for row in found
    )
    return "would fall short with a unit lost" if lost else "would fall short"


def _of_all(many: int, total: int) -> str:
    if many == total:
        return (
            "the one system"
            if total == 1
            else "both systems"
            if total == 2
            else f"all {count(total)} systems"
        )
    return f"{count(many)} of {count(total)} systems"


def _begin_with(sheet: Sheet, rows: Sequence[SystemRow]) -> tuple[SystemRow, RowAlarm] | None:
    """Return where to begin: the alarm to act on first of all, and its system's row; None where no alarm asks for anything."""
    for alarm in sheet.alarms:
        for row in rows:
            if row.alarm is not None and row.alarm.id == alarm.id and row.alarm.do_first:
                return row, row.alarm
    return None


def what_first(sheet: Sheet, rows: Sequence[SystemRow], *, sited: bool = False) -> str | None:
    """Return what to do first of all, where and by when, `sited` with its site; None where no alarm stands."""
    found = _begin_with(sheet, rows)
    if found is None:
        return None
    row, alarm = found
    by = f", {alarm.by}" if alarm.by else ""
    return f"First, at {_at(sheet, row, sited)}{by}: {clause(alarm.do_first)}."


def lead(sheet: Sheet, rows: Sequence[SystemRow]) -> Element:
    """Return the opening of a small estate: one sentence, and what to do first."""
    mark, said = sentence(rows)
    first = what_first(sheet, rows)
    words = el("span", said, [" ", el("b", first, class_="blk")] if first else None)
    early = nothing_shown(sheet.begun) and mark == "unknown"
    if early:
        words = el(
            "span",
            el("b", "Nothing shown yet."),
            " ",
            opening(sheet),
            [" ", el("b", first, class_="blk")] if first else None,
        )
    heading = el("h1", el("span", line_mark(mark), words, class_="row"), class_="lead one")
    # on the first days the steps say what comes next
    return el("div", heading, None if early else nexts(sheet, rows, sited=False), id="lead", live=True)


def nexts(sheet: Sheet, rows: Sequence[SystemRow], *, sited: bool) -> Element | None:
    """Return why that is first, and what comes next: the bank to order and the size of units bought there now, a signed shutdown, the first load to shed.

    None of an estate that is a single system: its row says it all.
    """
    if len(rows) < 2:
        return None
    said: list[Nodes] = []
    begun = _begin_with(sheet, rows)
    if begun is not None:
        said.append(_item("What is wrong there", begun[1].what))
    order = min(
        (row for row in rows if row.bank),
        key=lambda row: (row.bank.by if row.bank else date.max, row.id),
        default=None,
    )
    if order is not None and order.bank is not None:
        soon = sum(row.bank is not None and row.bank.soon for row in rows) - order.bank.soon
        when = "now" if order.bank.due else f"by {order.bank.words}"
        more = f"; {soon} more within a year" if soon else ""
        size = f". Replacement units there: {order.size} kVA each, now {order.plant}" if order.size else ""
        said.append(
            _item(
                "Next bank to order", f"{order.bank.bank} at {_at(sheet, order, sited)}, {when}{more}{size}."
            )
        )
    elif sheet.banks:
        said.append(_item("Next bank to order", "cannot tell, no bank has a day yet."))
    signed = sorted(
        ((row.shutdown.at, row.id, row, row.shutdown) for row in rows if row.shutdown and row.shutdown.at),
        key=lambda one: one[:2],
    )
    told = [
        f"{_at(sheet, row, sited)}, {shutdown_words(played, WallClock(sheet.site(row.id).time_zone, sheet.now))}"
        for _, _, row, played in signed[:SIGNED]
    ]
    more = f"; {len(signed) - SIGNED} more" if len(signed) > SIGNED else ""
    said.append(_item("Signed shutdowns", f"{'; '.join(told) or 'none'}{more}."))
    shed = next((row for row in rows if row.shed and row.stands is not Stands.HOLDS), None)
    if shed is not None:
        said.append(_item("First to shed", f"{shed.shed}, at {_at(sheet, shed, sited)}."))
    elif not sheet.estate.load_groups:
        said.append(_item("First to shed", "no load group is declared."))
    return el("p", [[one, " "] for one in said], class_="nexts")


def _item(name: str, words: str) -> Element:
    return el("span", el("b", f"{name}: "), words)


def _at(sheet: Sheet, row: SystemRow, sited: bool) -> str:
    return _where(sheet, row) if sited else row.name


def tally(sheet: Sheet, rows: Sequence[SystemRow], *, do: bool = True) -> Element:
    """Return the opening of a large estate: those short and those that cannot be judged by name, the others counted.

    `do`: what to do first of all stands there too.
    """
    order = worst_first(rows)
    lines: list[Nodes] = []
    for how in GRAVEST_FIRST:
        found = of(order, how)
        if found and how is not Stands.HOLDS:
            lines.append([line_mark(STANDINGS[how]), el("p", _counted(found, how), _named(sheet, found))])
    holding = of(order, Stands.HOLDS)
    if holding:
        lines.append([line_mark("holds"), el("p", _holding(sheet, holding))])
    first = what_first(sheet, order, sited=True)
    if first and do:
        lines.append([el("span"), el("p", el("b", first))])
    if do:
        lines.append([el("span"), nexts(sheet, order, sited=True)])
    return el("div", lines, class_="tally", id="lead", live=True)


def _counted(found: Sequence[SystemRow], how: Stands) -> Nodes:
    return [el("b", str(len(found)), class_="n"), f" {_words(found, how)}: "]


def _named(sheet: Sheet, found: Sequence[SystemRow]) -> Nodes:
    parts: list[Nodes] = []
    for row in found[:NAMED]:
        short = (
            el("span", f" {minutes(-row.margin_s, favours=False)} min", class_="short-ink nb")
            if row.margin_s is not None and row.margin_s < 0
            else None
        )
        parts += [
            "; " if parts else "",
            el("a", _where(sheet, row), href=address_of("systems", row.id)),
            short,
        ]
    rest = len(found) - NAMED
    return [*parts, f" and {rest} more." if rest > 0 else "."]


def _where(sheet: Sheet, row: SystemRow) -> str:
    site = sheet.estate.sites[row.site].name
    return row.name if site == row.name else f"{site}, {row.name}"


def _holding(sheet: Sheet, rows: Sequence[SystemRow]) -> Nodes:
    asked = [row for row in rows if row.units > 1 and row.redundant is not ShortAnswer.NONE_MEANT]
    less = [row for row in asked if row.redundant is not ShortAnswer.YES or not row.holds_lost]
    margins = [row.margin_s for row in rows if row.margin_s is not None]
    least = f" by {minutes(min(margins), favours=True)} min or more" if margins else ""
    number: Nodes = [
        el("b", str(len(rows)), class_="n"),
        f" {'rides' if len(rows) == 1 else 'ride'} through{least}",
    ]
    if not less:
        return [number, ", and all that have a unit to spare also with any one lost." if asked else "."]
    some = "it" if len(less) == len(rows) == 1 else str(len(less))
    if all(row.over for row in less):
        peak = " at the peak" if all(row.over and row.over[1] for row in less) else ""
        also = f"; {some} would overload{peak} with a unit lost:"
    elif all(row.redundant is ShortAnswer.NO or row.holds_lost is False for row in less):
        also = f"; {some} not with any one lost:"
    else:
        also = f"; {some} not, or not known, with any one lost:"
    return [number, also, " ", _named(sheet, less)]
