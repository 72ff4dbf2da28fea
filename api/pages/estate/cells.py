"""The six answers of a system in a word each, for the cells of a row."""

from __future__ import annotations

from typing import Final

from api.pages.estate.row_fan import RowAxis, against_all
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.format import remaining
from collector.read_model.rows.brief import NOW
from collector.read_model.rows.system_row import RowShutdown, ShortAnswer, Stands, SystemRow
from collector.read_model.wall_clock import WallClock
from rules.phrasing.figures import CANNOT_TELL, capital, clause, listed, minutes, span
from rules.plant.estate import Purpose

WORDS: Final = {
    ShortAnswer.YES: "yes",
    ShortAnswer.NO: "no",
    ShortAnswer.SOME: "some",
    ShortAnswer.UNKNOWN: CANNOT_TELL,
    ShortAnswer.ONE_UNIT: "only one unit",
    ShortAnswer.NONE_MEANT: "not meant to be",
    ShortAnswer.NOT_ASKED: "not asked yet",
}
ON_MAINS: Final = "with mains only"
"""Said of one that carries on without any one unit while the mains is there, and is not known to hold so long as it must without it."""
NEEDED_FOR: Final = {
    Purpose.GENERATOR_START: "auto start",
    Purpose.MANUAL_GENERATOR_START: "hand start",
    Purpose.ORDERLY_SHUTDOWN: "shutdown",
    Purpose.PLANNED: "planned work",
}
"""What time is needed for, as short as a column of figures: the generator's start by itself or by hand, a shutdown in order, planned work."""
NOT_SHOWN: Final = "not shown yet"
NOT_YET: Final = "not yet"
LOAD_OFF: Final = "load is off"


def on_mains_only(row: SystemRow) -> bool:
    """Return whether a unit may be lost while the mains is there, and what is left is not known to hold for what it must."""
    return row.redundant is ShortAnswer.YES and row.needed_s is not None and not row.holds_lost


def first_words(do_first: str, what: str) -> str:
    """Return what to do first; of an alarm that asks nothing any more all that it says, without its stop."""
    return do_first or what.strip().removesuffix(".")


def plain(answer: ShortAnswer, words: str | None = None, why: str = "") -> Nodes:
    """Return an answer: a good one without colour, what is not so in the ink of it with its reason, what nobody knows slanted."""
    said = NOT_YET if answer is ShortAnswer.NOT_ASKED else WORDS[answer] if words is None else words
    if answer in {ShortAnswer.NO, ShortAnswer.SOME}:
        return [el("em", said), f": {why}" if why else None]
    if answer is ShortAnswer.UNKNOWN:
        return el("i", said)
    return said if answer is ShortAnswer.YES else el("small", said)


def short_on_banks(row: SystemRow) -> str:
    """Return in a word or two that a system gives from banks: all of it, or some beside what is fed."""
    return f"{row.gives} of {row.units} on banks" if row.fed and row.gives else "on its banks"


def margin(row: SystemRow, clock: WallClock) -> Element:
    """Return the figure of question 1: the margin at the least, or the time left of a system on its banks."""
    if row.stands is Stands.BATTERY:
        if row.ends_earliest is None:
            return el("p", el("i", short_on_banks(row)), class_="mgn")
        return el("p", remaining(row.ends_earliest, clock.now), " left", class_="mgn short-ink")
    if row.stands is Stands.OFF:
        return el("p", el("i", LOAD_OFF), class_="mgn short-ink")
    if row.margin_s is None:
        told = row.stands is Stands.SHORT
        word = "short" if told else NOT_SHOWN if row.unshown else CANNOT_TELL
        silent = f"silent: {CANNOT_TELL}" if row.unheard == row.units and not told else word
        return el("p", el("i", silent), class_="mgn short-ink" if told else "mgn")
    large, unit = span(abs(row.margin_s), favours=row.margin_s >= 0)
    after = "" if unit == "min" and " " not in large else f" {unit}"
    if row.margin_s < 0:
        return el("p", f"{large}{after} short", class_="mgn short-ink")
    return el("p", f"+{large}{after}", el("small", " all") if against_all(row) else None, class_="mgn")


def figures(row: SystemRow, axis: RowAxis) -> Nodes:
    """Return what stands beside the drawing in min: what all units hold, what is held with the worst one lost, what is needed."""
    held = [None if one is None else minutes(one.low_s, favours=True) for one in (row.held, row.held_lost)]
    if row.units == 1 and row.held is not None:
        held[1] = "–"
    needed = None if row.needed_s is None else minutes(row.needed_s, favours=False)
    other = row.purpose if row.purpose not in {None, axis.purpose} else None
    return [
        [el("span", one) for one in held],
        el("span", needed, el("small", " ", NEEDED_FOR[other]) if other else None),
    ]


def redundant(row: SystemRow) -> Nodes:
    """Return the answer of question 2, as that of question 1 has it: what lasts on the mains alone is said to."""
    if row.redundant is ShortAnswer.NO:
        line, at_peak = row.over or (None, False)
        return plain(
            row.redundant, why="" if line is None else f"L{line} over{' at peak' if at_peak else ''}"
        )
    if on_mains_only(row):
        return ON_MAINS
    return plain(row.redundant)


def first(row: SystemRow) -> Element | None:
    """Return the answer of question 3: by when to act and what to do, or nothing where nothing is wrong."""
    alarm = row.alarm
    if alarm is None:
        return None
    words = first_words(alarm.do_first, alarm.what)
    when = el("em" if alarm.by == NOW else "b", capital(alarm.by))
    more = el("small", f" +{alarm.more} more") if alarm.more else None
    return el(
        "span",
        [when, ": ", clause(words)] if alarm.by and alarm.do_first else words,
        more,
        class_=f"aw {alarm.severity.value}",
    )


def calm(row: SystemRow) -> str:
    """Return what is said of a system of which no alarm stands: that nothing is wrong only where it holds."""
    if row.unheard == row.units:
        return "Nothing can be said of it."
    return "Nothing is wrong." if row.stands is Stands.HOLDS else "No alarm stands."


def bank(row: SystemRow) -> Nodes:
    """Return the answer of question 4: when the next bank is to be ordered, which one where that is soon, and the size of units bought now."""
    size = el("span", row.size) if row.size else el("i", NOT_YET)
    if row.bank is None:
        return [el("i", CANNOT_TELL), size]
    which = f", bank\u00a0{row.bank.bank}" if row.bank.soon else ""
    said = el("em", row.bank.words) if row.bank.due else row.bank.words
    return [el("span", said, which), size]


def unit_out(row: SystemRow) -> Nodes:
    """Return the answer of question 5."""
    if row.stands is Stands.BATTERY:
        return plain(ShortAnswer.NO, why="on its banks")
    if row.out is ShortAnswer.SOME:
        return plain(row.out, f"only {listed(row.out_units, 'or')}")
    return plain(row.out, why=row.out_why)


def mains_off(row: SystemRow, clock: WallClock) -> Nodes:
    """Return the answer of question 6: the next signed shutdown or the example and whether it is carried; and what goes first."""
    played = row.shutdown
    answer: Nodes = (
        el("small", NOT_YET)
        if played is None
        else el("span", plain(played.planned, shutdown_words(played, clock)))
    )
    return [answer, el("span", row.shed) if row.shed else None]


def shutdown_words(played: RowShutdown, clock: WallClock) -> str:
    """Return whether the load is carried through a shutdown, after its day where it is signed."""
    words = {ShortAnswer.YES: "carried", ShortAnswer.NO: "drops"}.get(played.planned, CANNOT_TELL)
    if not played.has_set and words != CANNOT_TELL:
        words += ", no generator"
    if played.at is None:
        return words
    local = played.at.astimezone(clock.zone).date()
    return f"{local.day} {local:%b}: {words}"
