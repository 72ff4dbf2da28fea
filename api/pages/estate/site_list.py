"""A large estate: its lines site by site, the site with the gravest first; one where nothing is wrong is folded.

A page holds at most `ROWS_AT_ONCE` lines. Beyond them a site is a line that leads to its own lines, so a page of a
thousand systems weighs little more than one of a hundred.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from api.pages.estate import tally
from api.pages.estate.finding import PARTS, finding
from api.pages.estate.first_days import first_days
from api.pages.estate.heads import CLOSE, axis_row, heads, key
from api.pages.estate.heard_sites import heard_sites
from api.pages.estate.row_fan import RowAxis, row_axis
from api.pages.estate.rows import row_id, table
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.frame import PageFrame, built, clock_of, slug
from collector.read_model.rows.site_rows import (
    GRAVEST_FIRST,
    Asked,
    Only,
    SiteRows,
    asked_for,
    by_site,
    counted,
)
from collector.read_model.rows.system_row import ShortAnswer, SystemRow, system_rows
from collector.read_model.sheet import Sheet
from rules.phrasing.figures import plural

LARGE: Final = 12
"""An estate of more systems than this is shown as a list of sites."""
ROWS_AT_ONCE: Final = 120
LEADS: Final = {
    1: Asked(only=Only.SHORT).address(),
    2: Asked(only=Only.NOT_REDUNDANT).address(),
    3: Asked(only=Only.WRONG).address(),
    4: Asked(only=Only.ORDER).address(),
    5: Asked(only=Only.NOT_OUT).address(),
    6: Asked(only=Only.PLANNED).address(),
}


def is_large(sheet: Sheet) -> bool:
    """Return whether an estate has more systems than a first screen holds a row of."""
    return len(sheet.estate.systems) > LARGE


def estate_page(sheet: Sheet, asked: Asked, before: Sequence[Element] = ()) -> PageFrame:
    """Return the sheet of a large estate, or of the part of it that is asked for; `before` stands above its lines."""
    rows = asked_for(sheet, asked)
    every = system_rows(sheet)
    sites = by_site(sheet, rows)
    axis = row_axis(every)
    heading = el("h1", f"Standby power of {sheet.title}", class_="off")
    heard = heard_sites(sheet)
    parts: list[Element] = [heading, *([heard] if heard else []), *before]
    if not before:
        parts.append(tally.tally(sheet, every))
    parts += [
        finding(sheet, asked, counted(sheet)),
        key(axis),
        heads(CLOSE, LEADS, order_of(sheet, "by site, worst first", asked.address())),
        axis_row(axis),
    ]
    if not rows:
        parts.append(el("p", _nothing(asked), class_="waiting"))
    shown: list[str] = []
    parts.append(el("div", list(_sites(sheet, asked, sites, axis, shown)), class_="sites c100", id="sites"))
    steps = None if asked.anything or before else first_days(sheet)
    parts += [steps] if steps else []
    mark = built(before, [asked.address(), *shown, "steps" if steps else ""])
    title = "All systems" if not asked.anything else f"Systems: {_asked_words(sheet, asked)}"
    return PageFrame(title, asked.address(), tuple(parts), mark, tuple(shown))


def order_of(sheet: Sheet, words: str, address: str) -> Element:
    """Return in what order lines stand and since when; the script says how many would stand elsewhere by now."""
    time = clock_of(sheet).head(sheet.now)[1][:5]
    again = el("a", el("span", "order again", id="moved-words"), href=address, id="moved", hidden=True)
    return el("span", f"{words}, order of {time} ", again, class_="ord")


def _sites(
    sheet: Sheet, asked: Asked, sites: Sequence[SiteRows], axis: RowAxis, shown: list[str]
) -> list[Element]:
    """Return the sites' parts, and into `shown` the ids of the lines that they hold."""
    most = ROWS_AT_ONCE if not asked.site else len(sheet.estate.systems)
    total = sum(len(site.rows) for site in sites)
    made = []
    for site in sites:
        room = max(most - len(shown), 0)
        folded = site.calm and not asked.anything
        fits = list(site.rows[: room if not (folded and total > most) else 0])
        left = len(site.rows) - len(fits)
        shown += [row_id(row) for row in fits]
        way = replace(asked, site=site.site).address()
        summary = _summary(site)
        name = slug(site.site)
        if not fits:
            link = el("a", site.name, href=way)
            made.append(
                el(
                    "div",
                    el(
                        "div",
                        el("h2", link),
                        el("span", summary, id=f"t-{name}", live=True, class_="sums"),
                        class_="head100",
                    ),
                    class_="site far",
                    id=f"site-{name}",
                )
            )
            continue
        more = el("p", el("a", f"{left} more at {site.name}", href=way), class_="rest") if left else None
        made.append(
            el(
                "details",
                el(
                    "summary",
                    el("h2", site.name),
                    el("span", summary, id=f"t-{name}", live=True, class_="sums"),
                ),
                table(sheet, fits, axis, f"{site.name}: {plural(len(site.rows), 'system')}"),
                more,
                class_="site",
                id=f"site-{name}",
                open=not folded,
            )
        )
    return made


def _summary(site: SiteRows) -> list[Element]:
    """Return a site's line: what its lines come to, column by column."""
    rows = site.rows
    return [
        el("span", words)
        for words in (_first(rows), _second(rows), _third(rows), _fourth(rows), _fifth(rows), _sixth(rows))
    ]


def _first(rows: Sequence[SystemRow]) -> Nodes:
    off, lit, short, unknown = (len(tally.of(rows, how)) for how in GRAVEST_FIRST[:4])
    parts: list[Nodes] = []
    if off:
        parts.append(el("b", f"{off} off", class_="short-ink"))
    if lit:
        parts.append(el("b", f"{lit} on {'its' if lit == 1 else 'their'} banks", class_="short-ink"))
    if short:
        parts.append(el("b", f"{short} short{tally.lost_words(rows)}", class_="short-ink"))
    if unknown:
        parts.append(f"{unknown} cannot tell")
    if not parts:
        return "holds" if len(rows) == 1 else f"all {len(rows)} hold"
    return [[", " if n else "", part] for n, part in enumerate(parts)]


def _second(rows: Sequence[SystemRow]) -> str:
    return _many(sum(row.redundant is ShortAnswer.NO for row in rows), "no")


def _third(rows: Sequence[SystemRow]) -> str:
    wrong = sum(1 + row.alarm.more for row in rows if row.alarm is not None)
    return "" if not wrong else f"{wrong} thing{'' if wrong == 1 else 's'} wrong"


def _fourth(rows: Sequence[SystemRow]) -> Nodes:
    due = sum(row.bank is not None and row.bank.due for row in rows)
    return el("b", f"{due} now", class_="short-ink") if due else None


def _fifth(rows: Sequence[SystemRow]) -> str:
    return _many(sum(row.out in {ShortAnswer.NO, ShortAnswer.SOME} for row in rows), "no")


def _sixth(rows: Sequence[SystemRow]) -> str:
    signed = [row.shutdown.at for row in rows if row.shutdown is not None and row.shutdown.at is not None]
    return f"next {min(signed).day} {min(signed):%b}" if signed else ""


def _many(number: int, word: str) -> str:
    return f"{number} {word}" if number else ""


def _nothing(asked: Asked) -> str:
    said = []
    if asked.only is not None:
        said.append(f"is “{PARTS[asked.only]}”")
    if asked.find:
        said.append(f"is found by “{asked.find}”")
    return f"No system {' and '.join(said)}{' at this site' if asked.site else ''}."


def _asked_words(sheet: Sheet, asked: Asked) -> str:
    site = sheet.estate.sites.get(asked.site or "")
    parts = [site.name if site else asked.site or "", PARTS[asked.only] if asked.only else "", asked.find]
    return ", ".join(part for part in parts if part)
