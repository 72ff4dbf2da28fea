"""The six answers of a system in a word each, for the cells of a row."""

from __future__ import annotations

from typing import Final

from api.pages.estate.row_fan import against_all
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.format import remaining
from api.pages.markup.marks import Standing, small_mark
from collector.read_model.rows.system_row import RowShutdown, ShortAnswer, Stands, SystemRow
from collector.read_model.wall_clock import WallClock
from rules.phrasing.figures import CANNOT_TELL, listed, span

MARKED: Final[dict[ShortAnswer, Standing]] = {
    ShortAnswer.YES: "holds",
    ShortAnswer.NO: "short",
    ShortAnswer.UNKNOWN: "unknown",
    ShortAnswer.SOME: "short",
}
WORDS: Final = {
    ShortAnswer.YES: "yes",
    ShortAnswer.NO: "no",
    ShortAnswer.SOME: "some",
    ShortAnswer.UNKNOWN: CANNOT_TELL,
    ShortAnswer.ONE_UNIT: "one unit",
    ShortAnswer.NONE_MEANT: "not meant to be",
    ShortAnswer.NOT_ASKED: "not asked yet",
}
LONGEST_FIRST: Final = 64
"""Characters of a row's answer: twice what its column shows. All of it stands on the system's sheet, where the row leads."""
NOT_SHOWN: Final = "not shown yet"
LOAD_OFF: Final = "load is off"


def first_words(do_first: str, what: str) -> str:
    """Return what to do first; of an alarm that asks nothing any more all that it says, without its stop."""
    return do_first or what.strip().removesuffix(".")


def marked(answer: ShortAnswer, words: str | None = None) -> Nodes:
    """Return an answer after its mark; what was not asked, or cannot be, has none."""
    said = WORDS[answer] if words is None else words
    mark = MARKED.get(answer)
    return el("span", said, class_="no") if mark is None else [small_mark(mark), said]


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
        return el("p", el("i", word), class_="mgn short-ink" if told else "mgn")
    large, unit = span(abs(row.margin_s), favours=row.margin_s >= 0)
    after = "" if unit == "min" and " " not in large else f" {unit}"
    if row.margin_s < 0:
        return el("p", f"{large}{after} short", class_="mgn short-ink")
    return el("p", f"+{large}{after}", el("small", " all") if against_all(row) else None, class_="mgn")


def redundant(row: SystemRow) -> Nodes:
    """Return the answer of question 2."""
    return marked(row.redundant)


def first(row: SystemRow) -> Element | None:
    """Return the answer of question 3: what to do first, or nothing where nothing is wrong."""
    alarm = row.alarm
    if alarm is None:
        return None
    more = el("small", f" +{alarm.more}") if alarm.more else None
    words = first_words(alarm.do_first, alarm.what)
    if len(words) > LONGEST_FIRST:
        words = f"{words[:LONGEST_FIRST].rpartition(' ')[0]} …"
    return el("span", words, more, class_="aw", data_sev=alarm.severity.value)


def calm(row: SystemRow) -> str:
    """Return what is said of a system of which no alarm stands: that nothing is wrong only where it holds."""
    if row.unheard == row.units:
        return "Nothing can be said of it."
    return "Nothing is wrong." if row.stands is Stands.HOLDS else "No alarm stands."


def bank(row: SystemRow) -> Nodes:
    """Return the answer of question 4: when the next bank is to be ordered."""
    if row.bank is None:
        return el("i", CANNOT_TELL)
    return el("b", row.bank.words, class_="short-ink") if row.bank.due else row.bank.words


def unit_out(row: SystemRow) -> Nodes:
    """Return the answer of question 5."""
    if row.stands is Stands.BATTERY:
        return marked(ShortAnswer.NO)
    if row.out is ShortAnswer.SOME:
        return marked(ShortAnswer.SOME, f"only {listed(row.out_units, 'or')}")
    return marked(row.out)


def mains_off(row: SystemRow, clock: WallClock) -> Nodes:
    """Return the answer of question 6: the day of the next signed shutdown, or how the example goes."""
    played = row.shutdown
    if played is None:
        return el("span", WORDS[ShortAnswer.NOT_ASKED], class_="no")
    return marked(played.planned, shutdown_words(played, clock))


def shutdown_words(played: RowShutdown, clock: WallClock) -> str:
    """Return a shutdown in a word or two: its day where it is signed, else whether the load is carried."""
    if played.at is not None:
        local = played.at.astimezone(clock.zone).date()
        return f"{local.day} {local:%b}"
    return {ShortAnswer.YES: "carried", ShortAnswer.NO: "drops"}.get(played.planned, CANNOT_TELL)
