"""Up to three systems: each of the six answers with its reason, a tall row a system."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from api.pages.alarms.alarm_list import by_when
from api.pages.banks.section import capacity_words, due_words, gives, today_of
from api.pages.estate import cells
from api.pages.estate.row_fan import RowAxis, fan_words, row_fan
from api.pages.estate.rows import HEARD, row_id
from api.pages.hold_up.basis import installed_words, load_words
from api.pages.hold_up.sentences import Judged, verdict_words
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.frame import address_of
from api.pages.markup.marks import STANDINGS, Standing, line_mark, small_mark
from api.pages.units.redundancy import reason
from collector.read_model.rows.system_row import STANDING_STATES, ShortAnswer, Stands, SystemRow, next_bank
from collector.read_model.sheet import Sheet
from rules.phrasing.figures import CANNOT_TELL, age, capital, count, listed, plural, span
from rules.system.state import Against

MOST: Final = 3
"""So many systems have room for their reasons on a first screen."""


MARKED: Final[dict[ShortAnswer, Standing]] = {
    ShortAnswer.YES: "holds",
    ShortAnswer.NO: "short",
    ShortAnswer.UNKNOWN: "unknown",
    ShortAnswer.SOME: "short",
}


def tall_table(sheet: Sheet, rows: Sequence[tuple[SystemRow, Judged | None]], axis: RowAxis) -> Element:
    """Return the systems as a table of tall rows; None stands for one that is not judged yet."""
    columns = el("colgroup", [el("col") for _ in range(7)])
    body = el("tbody", [_row(sheet, row, subject, axis) for row, subject in rows])
    words = "Every system and its six answers"
    return el("table", el("caption", words, class_="off"), columns, HEARD, body, class_="rows tall c3")


def _row(sheet: Sheet, row: SystemRow, subject: Judged | None, axis: RowAxis) -> Element:
    answers: Sequence[Nodes]
    if subject is None:
        waiting = el("p", "Not judged yet: the first readings are on their way.", class_="vd")
        answers = (waiting, *[None] * 5)
        plant: Nodes = row.plant
    else:
        plant = [installed_words(sheet, subject), el("br"), load_words(sheet, subject)]
        answers = (
            _holds(row, subject, axis),
            _redundant(row, subject),
            _first(sheet, row, subject),
            _bank(sheet, row),
            _out(sheet, row),
            _off(row, subject),
        )
    name = el("a", row.name, href=address_of("systems", row.id))
    return el(
        "tr",
        el(
            "th",
            line_mark(STANDINGS[row.stands]),
            name,
            el("small", plant),
            scope="row",
            class_="stale" if row.unheard else None,
        ),
        [el("td", answer) for answer in answers],
        id=row_id(row),
        live=True,
    )


def _holds(row: SystemRow, subject: Judged, axis: RowAxis) -> Nodes:
    return [
        el("div", el("div", row_fan(row, axis), class_="fanbox"), _margin(row), class_="c1"),
        el("p", fan_words(row), class_="ax2"),
        el("p", verdict_words(subject), class_="vd"),
    ]


def _margin(row: SystemRow) -> Element:
    if row.stands is Stands.OFF:
        return el("p", el("i", cells.LOAD_OFF, class_="short-ink"), class_="mgn")
    if row.margin_s is None:
        word = "short" if row.stands is Stands.SHORT else cells.NOT_SHOWN if row.unshown else CANNOT_TELL
        return el("p", el("i", word), class_="mgn")
    large, unit = span(abs(row.margin_s), favours=row.margin_s >= 0)
    many = row.units > 1
    against = ", one lost" if many and row.against is Against.ONE_UNIT_LOST else ", all" if many else ""
    if row.margin_s < 0:
        return el("p", el("b", large, class_="short-ink"), f"{unit} short{against}", class_="mgn")
    return el("p", el("b", f"+{large}"), f"{unit}{against}", class_="mgn")


def _word(answer: ShortAnswer, words: str | None = None) -> Element:
    said, mark = capital(cells.WORDS[answer] if words is None else words), MARKED.get(answer)
    if mark is None:
        return el("p", el("span", said, class_="no"), class_="wm")
    return el("p", small_mark(mark), said, class_="wm")


def _redundant(row: SystemRow, subject: Judged) -> Nodes:
    found = subject.state.redundancy
    if found is None:
        why = None if row.redundant is ShortAnswer.NONE_MEANT else "not meant to be"
        return [_word(row.redundant), el("p", why)]
    if cells.on_mains_only(row):
        mark = ShortAnswer.SOME if row.stands is Stands.SHORT else ShortAnswer.UNKNOWN
        return [_word(mark, cells.ON_MAINS), el("p", reason(found))]
    return [_word(row.redundant), el("p", reason(found))]


def _first(sheet: Sheet, row: SystemRow, subject: Judged) -> Nodes:
    if row.alarm is None:
        gone = f"{capital(count(row.gone))} returned, seen by nobody." if row.gone else None
        calm = cells.calm(row)
        return [el("p", calm, class_="calm"), el("p", el("a", gone, href="/alarms")) if gone else None]
    alarm = next(a for a in sheet.alarms_of(row.id) if a.state in STANDING_STATES)
    by, due = by_when(alarm, subject.clock, sheet.now)
    more = f"{plural(row.alarm.more, 'thing')} more" if row.alarm.more else None
    seen = "acknowledged" if alarm.acknowledged else "not acknowledged"
    return [
        el(
            "p",
            el("b", f"{cells.first_words(alarm.do_first, alarm.what)}."),
            class_="do1",
            data_sev=alarm.severity,
        ),
        el(
            "p",
            el("b", by, class_="short-ink" if due else None),
            f" · {alarm.severity}, {seen}",
            [" · ", el("a", more, href=f"{address_of('systems', row.id)}#q3")] if more else None,
            class_="n1",
        ),
    ]


def _bank(sheet: Sheet, row: SystemRow) -> Nodes:
    states = [s for b in sheet.estate.banks_of_system(row.id) if (s := sheet.bank(b.id))]
    first = next_bank(sheet, row.id)
    if first is None:
        why = due_words(states[0], today_of(sheet))[1] if states else "not judged yet"
        return [_word(ShortAnswer.UNKNOWN), el("p", why)]
    due = row.bank is not None and row.bank.due
    when, order = due_words(first, today_of(sheet))
    return [
        _word(ShortAnswer.NO if due else ShortAnswer.YES, f"bank {first.id}"),
        el("p", when, [", ", order] if order else None),
        el("p", capacity_words(first, gives=gives(sheet, first.id))),
    ]


def _out(sheet: Sheet, row: SystemRow) -> Nodes:
    mine = {unit.id for unit in sheet.estate.units_of(row.id)}
    checks = [one for one in sheet.isolations if one.unit in mine]
    if row.stands is Stands.BATTERY:
        return [_word(ShortAnswer.NO), el("p", cells.short_on_banks(row))]
    if row.out is ShortAnswer.ONE_UNIT:
        return [_word(ShortAnswer.ONE_UNIT), el("p", "its load has no other")]
    if not checks:
        return _word(ShortAnswer.NOT_ASKED)
    if row.out in {ShortAnswer.YES, ShortAnswer.SOME}:
        yours = max(len(one.person) for one in checks)
        words = "yes, any" if row.out is ShortAnswer.YES else f"only {listed(row.out_units, 'or')}"
        return [
            _word(row.out, words),
            el("p", f"as far as can be seen; {plural(yours, 'thing')} yours to check"),
        ]
    answers = list(
        dict.fromkeys(one.answer.removeprefix("No. ").removeprefix("Cannot tell. ") for one in checks)
    )
    return [_word(row.out), el("p", answers[0])]


def _off(row: SystemRow, subject: Judged) -> Nodes:
    played = row.shutdown
    if played is None:
        return _word(ShortAnswer.NOT_ASKED)
    asked = f"signed: {subject.clock.at(played.at)}" if played.at else f"{age(played.lasts_s)} from now on"
    words = {ShortAnswer.YES: "carried", ShortAnswer.NO: "drops"}
    ways: list[Nodes] = []
    if played.has_set:
        ways.append(_word(played.planned, f"{words.get(played.planned, CANNOT_TELL)} with the generator"))
    ways.append(
        _word(
            played.without_set,
            f"{words.get(played.without_set, CANNOT_TELL)} without {'it' if played.has_set else 'a generator'}",
        )
    )
    return [el("p", asked, class_="f"), ways]
