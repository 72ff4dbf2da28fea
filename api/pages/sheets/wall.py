"""The wall: a screen that hangs where people pass, read from four metres; nothing to press, nothing that scrolls.

The whole estate (`/wall`) or one system (`/wall?system=ID`). Up to six systems have a row each; of more only those that
do not hold, the rest a count. A system on its banks takes the sheet by itself, and gives it back when it is fed.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Final
from urllib.parse import parse_qsl, quote

from api.pages.alarms.alarm_list import by_when, standing, together
from api.pages.estate import tally
from api.pages.estate.cells import LOAD_OFF, NOT_SHOWN, first_words, short_on_banks, shutdown_words
from api.pages.estate.row_fan import RowAxis, row_axis, row_fan
from api.pages.hold_up.lanes import WORDS as FED_WORDS
from api.pages.hold_up.lanes import said as fed_said
from api.pages.hold_up.last_call import act_words
from api.pages.hold_up.sentences import Judged, judged
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.format import remaining, since
from api.pages.markup.frame import PageFrame, as_of, built, clock_of, slug
from api.pages.markup.marks import STANDINGS, emblem, line_mark, small_mark
from api.pages.markup.svg import percent, svg, text
from collector.read_model.outages.chores import parted
from collector.read_model.outages.feeds import FedBy, unit_feeds
from collector.read_model.rows.site_rows import worst_first
from collector.read_model.rows.system_row import ShortAnswer, Stands, SystemRow, next_bank, system_rows
from collector.read_model.sheet import Sheet, ShownAlarm
from collector.read_model.wall_clock import WallClock
from rules.phrasing.figures import CANNOT_TELL, capital, count, listed, minutes, plural
from rules.system.state import Against

ROWS: Final = 6
THINGS: Final = 3
LIT: Final = 2
"""So many systems on their banks have room side by side; more are rows, the one that ends first on top."""
NEXT: Final = 2


def wall_page(sheet: Sheet, query: str = "") -> PageFrame | None:
    """Return the wall of an estate, or of the system that the query names; None for one that is not there."""
    asked = dict(parse_qsl(query, max_num_fields=20)).get("system")
    if asked is not None and asked not in sheet.estate.systems:
        return None
    rows = [row for row in worst_first(system_rows(sheet)) if asked in {None, row.id}]
    address = "/wall" if asked is None else f"/wall?system={quote(asked, safe='')}"
    lit = [row for row in rows if row.stands in {Stands.OFF, Stands.BATTERY}]
    if all(row.stands is Stands.OFF for row in lit):
        lit = []  # nothing runs down any more: what is dark stands on top of the others
    shown = lit if 0 < len(lit) <= LIT else _shown(rows)
    body = (
        _head(sheet),
        el("h1", _lead(rows, lit), class_="wlead", id="lead", live=True),
        el("div", *(_during(sheet, shown) if shown is lit else _at_rest(sheet, rows, shown)), class_="wbody"),
        _foot(sheet, rows),
    )
    kinds = ["lit" if shown is lit else "rest", *[row.id for row in shown]]
    return PageFrame("Wall", address, body, built((), kinds), bare=True)


def _shown(rows: Sequence[SystemRow]) -> list[SystemRow]:
    """Return the rows that there is room for: of a larger estate those that do not hold."""
    if len(rows) <= ROWS:
        return list(rows)
    return [row for row in rows if row.stands is not Stands.HOLDS][:ROWS]


def _head(sheet: Sheet) -> Element:
    clock = clock_of(sheet)
    local = sheet.now.astimezone(clock.zone)
    offset = local.utcoffset()
    shift = 0 if offset is None else int(offset.total_seconds() // 60)
    return el(
        "header",
        el("span", emblem(), "ridethrough", class_="mark"),
        el("span", sheet.title, el("em", " demonstration") if sheet.demonstration else None),
        el("span", f"{local:%A} {local.day} {local:%B}", class_="d", id="wall-day", live=True),
        el("time", f"{local:%H:%M:%S}", data_clock=shift),
        class_="whead",
    )


def _lead(rows: Sequence[SystemRow], lit: Sequence[SystemRow]) -> Nodes:
    mark, said = tally.sentence(rows, brief=True)
    if 0 < len(lit) <= LIT:
        off = [row.name for row in lit if row.stands is Stands.OFF]
        on = [row for row in lit if row.stands is Stands.BATTERY]
        words = f"{listed([row.name for row in on])} {tally.on_banks_words(on)}."
        dark = f"{listed(off)} feeds nothing. " if off else ""
        return [line_mark("off" if off else "battery"), el("span", el("b", f"{dark}{words}"))]
    return [line_mark(mark), el("span", said)]


# ---- at rest ----


def _at_rest(sheet: Sheet, rows: Sequence[SystemRow], shown: Sequence[SystemRow]) -> list[Element]:
    axis = row_axis(rows)
    items = [_row(sheet, row, axis) for row in shown]
    rest = len(rows) - len(shown)
    beside = el("p", _rest_words(rows, shown), class_="wrest", id="wall-rest", live=True) if rest else None
    dense = "wsys dense" if len(shown) > 3 else "wsys"
    listed_ = el(
        "section", el("ol", items, class_=dense) if items else None, _letters(axis) if items else None, beside
    )
    return [listed_, _first(sheet, {row.id for row in rows}, sheet.alarms)]


def _rest_words(rows: Sequence[SystemRow], shown: Sequence[SystemRow]) -> str:
    holding = [row for row in rows if row.stands is Stands.HOLDS and row not in shown]
    others = len(rows) - len(shown) - len(holding)
    margins = [row.margin_s for row in holding if row.margin_s is not None]
    least = f", least margin +{minutes(min(margins), favours=True)} min" if margins else ""
    parts = (
        [f"{len(holding)} {'more rides' if len(holding) == 1 else 'ride'} through{least}"] if holding else []
    )
    parts += [f"{others} more do not hold or cannot be judged"] if others else []
    return f"{'; '.join(parts)}."


def _row(sheet: Sheet, row: SystemRow, axis: RowAxis) -> Element:
    needs = "" if row.needed_s is None else f"needs {minutes(row.needed_s, favours=False)} min"
    holds = (
        "" if row.held is None or row.margin_s is None else f"holds {minutes(row.held.low_s, favours=True)}; "
    )
    return el(
        "li",
        el(
            "div",
            line_mark(STANDINGS[row.stands]),
            el("h2", _name(sheet, row)),
            el("p", f"{_silence(row)}{holds}{needs}"),
        ),
        el("div", row_fan(row, axis)),
        _margin(sheet, row),
        id=f"w-{slug(row.id)}",
        live=True,
    )


def _name(sheet: Sheet, row: SystemRow) -> str:
    site = sheet.estate.sites[row.site].name
    return row.name if len(sheet.estate.sites) == 1 or site == row.name else f"{site}, {row.name}"


def _silence(row: SystemRow) -> str:
    if not row.unheard:
        return ""
    return "not heard; " if row.unheard == row.units else f"{row.unheard} of {row.units} not heard; "


def _margin(sheet: Sheet, row: SystemRow) -> Element:
    if row.stands is Stands.BATTERY:
        left = (
            el("i", short_on_banks(row))
            if row.ends_earliest is None
            else el("b", remaining(row.ends_earliest, sheet.now))
        )
        return el(
            "p",
            left,
            " left at the least" if row.ends_earliest is not None else None,
            class_="wmgn short-ink",
        )
    if row.stands is Stands.OFF:
        return el("p", el("i", LOAD_OFF), class_="wmgn short-ink")
    if row.margin_s is None:
        return el(
            "p",
            el("i", "short" if row.stands is Stands.SHORT else NOT_SHOWN if row.unshown else CANNOT_TELL),
            class_="wmgn",
        )
    against = ""
    if row.units > 1:
        lost = "either lost" if row.units == 2 else "any one lost"
        against = f" with {lost}" if row.against is Against.ONE_UNIT_LOST else " with all"
    large = minutes(abs(row.margin_s), favours=row.margin_s >= 0)
    if row.margin_s < 0:
        return el("p", el("b", large, class_="short-ink"), f" min short{against}", class_="wmgn")
    return el("p", el("b", f"+{large}"), f" min{against}", class_="wmgn")


def _letters(axis: RowAxis) -> Element:
    marks = [
        text(
            "100%" if at == 1.0 else percent(at),
            18,
            words,
            class_="soft",
            end=at == 1.0,
            middle=0.0 < at < 1.0,
        )
        for at, words in axis.letters
    ]
    return el("div", el("span"), svg(24, marks), el("span"), class_="waxis", aria_hidden="true")


def _first(sheet: Sheet, systems: set[str], alarms: Sequence[ShownAlarm]) -> Element:
    """Return the first things to do, each in its first clause, where and by when."""
    stand = [same[0] for same in together(standing(alarms)) if _concerns(sheet, same[0], systems)]
    clock = clock_of(sheet)
    items = []
    for alarm in stand[:THINGS]:
        by, due = by_when(alarm, clock, sheet.now)
        where = _where(sheet, alarm)
        items.append(
            el(
                "li",
                el("p", f"{first_words(alarm.do_first, alarm.what)}."),
                el("small", f"{where}{by}", class_="short-ink" if due else None),
                class_="do1",
                data_sev=alarm.severity,
            )
        )
    rest = len(stand) - THINGS
    return el(
        "section",
        el("h2", el("b", "3"), "What first"),
        el("ol", items) if items else el("p", "Nothing is wrong.", class_="calm"),
        el("p", f"{rest} more on the sheet.", class_="wrest") if rest > 0 else None,
        class_="wdo",
        id="wall-first",
        live=True,
    )


def _concerns(sheet: Sheet, alarm: ShownAlarm, systems: set[str]) -> bool:
    if len(systems) == len(sheet.estate.systems):
        return True
    return any(alarm in sheet.alarms_of(name) for name in systems)


def _where(sheet: Sheet, alarm: ShownAlarm) -> str:
    owner = next((name for name in sheet.estate.systems if alarm in sheet.alarms_of(name)), None)
    return "" if owner is None or len(sheet.estate.systems) == 1 else f"{sheet.estate.systems[owner].name} · "


# ---- while systems are on their banks ----


def _during(sheet: Sheet, lit: Sequence[SystemRow]) -> list[Element]:
    names = {row.id for row in lit}
    states = [state for row in lit if (state := sheet.system(row.id)) is not None]
    parts = [_outage(sheet, judged(sheet, state)) for state in states]
    belongs = {a.id for name in names for a in parted(sheet, name, sheet.alarms_of(name))[0]}
    mine = [alarm for alarm in sheet.alarms if alarm.id in belongs]
    calls = list(dict.fromkeys(one for name in names if (o := sheet.outages.get(name)) for one in o.call))
    call = (
        el("p", el("b", "Call "), "; ".join(calls), ".", class_="wcall", id="wall-call", live=True)
        if calls
        else None
    )
    return [
        el("section", parts, class_=f"wlit n{len(parts)}"),
        el("section", _first(sheet, names, mine), call),
    ]


def _outage(sheet: Sheet, subject: Judged) -> Element:
    state, on = subject.state, subject.state.on_battery
    if on is None:
        words = el("p", "Feeds nothing: its load is off.", class_="short-ink")
        return el("div", el("h2", state.name), words, id=f"w-{slug(state.id)}", live=True)
    figures: list[Nodes] = []
    if on.carried:
        figures.append(_figure("ends", el("i", "carried by what is fed")))
    elif on.ends_earliest is None:
        figures.append(_figure("left", el("i", CANNOT_TELL)))
    else:
        figures.append(
            _figure(
                f"left at the least, to {subject.clock.second(on.ends_earliest)}",
                el("b", remaining(on.ends_earliest, sheet.now)),
            )
        )
    if on.act_before is not None and on.act_before > sheet.now:
        figures.append(
            _figure(
                f"{act_words(on)}, by {subject.clock.second(on.act_before)}",
                el("b", remaining(on.act_before, sheet.now), class_="short-ink"),
            )
        )
    feeds = unit_feeds(sheet, state.id)
    units = [
        el(
            "li",
            small_mark("battery" if f.by is FedBy.BANK else "holds" if f.by is FedBy.SUPPLY else "unknown"),
            f"unit {f.unit} ",
            FED_WORDS[f.by],
        )
        for f in feeds
    ]
    known = sheet.outages.get(state.id)
    shed = el("p", known.shedding.what, class_="wshed") if known and known.shedding else None
    return el(
        "div",
        el("h2", state.name),
        el(
            "p",
            "Input lost for " if on.fed else "Supply lost for ",
            since(on.since, sheet.now),
            f". {fed_said(feeds)}",
        ),
        el("dl", figures, class_="wfigs"),
        el("ul", units[:8], class_="wunits"),
        shed,
        id=f"w-{slug(state.id)}",
        live=True,
    )


def _figure(words: str, value: Element) -> Element:
    return el("div", el("dt", words), el("dd", value))


# ---- the questions that can wait, a line each ----


def _foot(sheet: Sheet, rows: Sequence[SystemRow]) -> Element:
    lines = ((6, _sixth(sheet, rows)), (4, _fourth(sheet, rows)), (5, _fifth(rows)), (2, _second(rows)))
    return el(
        "footer",
        [
            el("p", el("b", str(number)), el("span", said, id=f"wall-{number}", live=True))
            for number, said in lines
        ],
        el("p", el("span", as_of(sheet), id="asof"), el("i", class_="beat"), class_="alive"),
        class_="wfoot",
    )


def _sixth(sheet: Sheet, rows: Sequence[SystemRow]) -> str:
    signed = [(row.shutdown.at, row, row.shutdown) for row in rows if row.shutdown and row.shutdown.at]
    if not signed:
        return "No shutdown is signed."
    at, row, played = min(signed, key=lambda one: one[0])
    clock = WallClock(sheet.site(row.id).time_zone, sheet.now)
    goes = {ShortAnswer.YES: "carried", ShortAnswer.NO: "the load drops"}.get(played.planned, CANNOT_TELL)
    return f"{shutdown_words(played, clock)}, {clock.minute(at)}, mains off at {row.name}: {goes}"


def _fourth(sheet: Sheet, rows: Sequence[SystemRow]) -> str:
    def day(row: SystemRow) -> date:
        found = next_bank(sheet, row.id)
        return date.max if found is None else found.dates.order_by or found.dates.replace_by or date.max

    dated = sorted((row for row in rows if row.bank is not None), key=day)
    if not dated:
        return "Which bank to order next cannot be told."
    said = [
        f"{row.name}, bank {row.bank.bank} {row.bank.words}" for row in dated[:NEXT] if row.bank is not None
    ]
    return f"To order: {'; '.join(said)}"


def _fifth(rows: Sequence[SystemRow]) -> str:
    asked = [row for row in rows if row.out not in {ShortAnswer.ONE_UNIT, ShortAnswer.NOT_ASKED}]
    may = [row for row in asked if row.out in {ShortAnswer.YES, ShortAnswer.SOME}]
    if not asked:
        return "Whether a unit may be taken out was not asked yet."
    if not may and all(row.out is ShortAnswer.UNKNOWN for row in asked):
        return "Whether a unit may be taken out cannot be told."
    if not may:
        return "No unit may be taken out now."
    if len(may) <= NEXT:
        return f"A unit may be taken out at {listed([row.name for row in may])}"
    return f"A unit may be taken out at {count(len(may))} of {plural(len(asked), 'system')}"


def _second(rows: Sequence[SystemRow]) -> str:
    asked = [row for row in rows if row.redundant in {ShortAnswer.YES, ShortAnswer.NO, ShortAnswer.UNKNOWN}]
    no = [row.name for row in asked if row.redundant is ShortAnswer.NO]
    if not asked:
        return "No system has a spare unit."
    if no:
        return f"Not redundant: {listed(no[:NEXT])}{f' and {len(no) - NEXT} more' if len(no) > NEXT else ''}"
    yes = sum(row.redundant is ShortAnswer.YES for row in asked)
    return capital(f"{count(yes)} of {count(len(asked))} redundant on every phase")
