"""How many systems stand how, in a sentence; of a large estate by name, the gravest first, and what to do first."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from api.pages.estate.first_days import nothing_shown, opening
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.frame import address_of
from api.pages.markup.marks import STANDINGS, Standing, line_mark
from collector.read_model.rows.site_rows import GRAVEST_FIRST, worst_first
from collector.read_model.rows.system_row import ShortAnswer, Stands, SystemRow
from collector.read_model.sheet import Sheet
from rules.phrasing.figures import capital, count, listed, minutes, on_banks
from rules.system.state import Against

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


def what_first(sheet: Sheet, rows: Sequence[SystemRow], *, sited: bool = False) -> str | None:
    """Return what to do first of all, with its place, `sited` with its site; None where no alarm stands."""
    for alarm in sheet.alarms:
        row = next((r for r in rows if r.alarm is not None and r.alarm.id == alarm.id), None)
        if row is not None and row.alarm is not None and row.alarm.do_first:
            do = row.alarm.do_first
            where = _where(sheet, row) if sited else row.name
            return f"First, at {where}: {do[:1].lower()}{do[1:]}."
    return None


def lead(sheet: Sheet, rows: Sequence[SystemRow]) -> Element:
    """Return the opening of a small estate: one sentence, and what to do first."""
    mark, said = sentence(rows)
    first = what_first(sheet, rows)
    words = el("span", said, [" ", el("b", first, class_="blk")] if first else None)
    if nothing_shown(sheet.begun) and mark == "unknown":
        words = el(
            "span",
            el("b", "Nothing shown yet."),
            " ",
            opening(sheet),
            [" ", el("b", first, class_="blk")] if first else None,
        )
    return el("h1", el("span", line_mark(mark), words, class_="row"), class_="lead one", id="lead", live=True)


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
        least = [row.margin_s for row in holding if row.margin_s is not None]
        small = el("small", f"least margin +{minutes(min(least), favours=True)} min") if least else None
        lines.append([line_mark("holds"), el("p", _holding(holding), small)])
    first = what_first(sheet, order, sited=True)
    if first and do:
        lines.append([el("span"), el("p", el("b", first))])
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


def _holding(rows: Sequence[SystemRow]) -> Nodes:
    several = [row for row in rows if row.units > 1]
    meant = [row for row in several if row.redundant is not ShortAnswer.NONE_MEANT]
    kept = [row for row in several if row.held_lost is not None and _outlasts(row)]
    verb = "rides through" if len(rows) == 1 else "ride through"
    also = ""
    if len(several) == len(kept) and several and meant:
        also = ", and all with two units or more also with any one lost"
    elif several:
        also = f", {len(kept)} of the {len(several)} with two units or more also with any one lost"
    return [el("b", str(len(rows)), class_="n"), f" {verb}{also}."]


def _outlasts(row: SystemRow) -> bool:
    return row.needed_s is not None and row.held_lost is not None and row.held_lost.low_s >= row.needed_s


def names(rows: Sequence[SystemRow]) -> str:
    """Return the names of systems, listed."""
    return listed([row.name for row in rows])
