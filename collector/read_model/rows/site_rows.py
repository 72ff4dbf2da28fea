"""The lines of an estate: which of them are asked for, site by site, the gravest first."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final
from urllib.parse import parse_qsl, urlencode

from collector.read_model.rows.system_row import ShortAnswer, Stands, SystemRow, system_rows
from collector.read_model.sheet import Sheet

LONGEST_FIND: Final = 80


class Only(StrEnum):
    """A part of an estate that can be asked for alone."""

    SHORT = "short"
    CANNOT_TELL = "cannot-tell"
    NOT_REDUNDANT = "not-redundant"
    WRONG = "wrong"
    ORDER = "order"
    NOT_OUT = "not-out"
    PLANNED = "planned"


GRAVEST_FIRST: Final = (Stands.OFF, Stands.BATTERY, Stands.SHORT, Stands.UNKNOWN, Stands.HOLDS)
BELONGS: Final[Mapping[Only, Callable[[SystemRow], bool]]] = {
    Only.SHORT: lambda row: row.stands is Stands.SHORT,
    Only.CANNOT_TELL: lambda row: row.stands is Stands.UNKNOWN,
    Only.NOT_REDUNDANT: lambda row: row.redundant is ShortAnswer.NO,
    Only.WRONG: lambda row: row.alarm is not None,
    Only.ORDER: lambda row: row.bank is not None and row.bank.soon,
    Only.NOT_OUT: lambda row: row.out in {ShortAnswer.NO, ShortAnswer.UNKNOWN},
    Only.PLANNED: lambda row: row.shutdown is not None and row.shutdown.at is not None,
}


@dataclass(frozen=True, slots=True)
class Asked:
    """What the address of an estate's sheet asks for: a site, a part, words to be found; all of them at once."""

    site: str | None = None
    only: Only | None = None
    find: str = ""

    @classmethod
    def of(cls, query: str) -> Asked:
        """Return what a query asks for; what nobody knows is left out."""
        given = dict(parse_qsl(query, max_num_fields=20))
        only = given.get("only", "")
        return cls(
            given.get("site") or None,
            Only(only) if only in {one.value for one in Only} else None,
            " ".join(given.get("find", "").split())[:LONGEST_FIND],
        )

    @property
    def anything(self) -> bool:
        """Return whether less than everything is asked for."""
        return bool(self.site or self.only or self.find)

    def address(self) -> str:
        """Return the address that asks for this."""
        pairs = [("site", self.site), ("only", self.only), ("find", self.find)]
        said = urlencode([(key, value) for key, value in pairs if value])
        return f"/?{said}" if said else "/"


@dataclass(frozen=True, slots=True)
class SiteRows:
    """The lines of a site that are asked for, the gravest first, and how many it has in all."""

    site: str
    name: str
    rows: tuple[SystemRow, ...]

    @property
    def calm(self) -> bool:
        """Return whether nothing is wrong at the site: all hold, are redundant where they are meant to be, and no alarm stands."""
        return all(_calm(row) for row in self.rows)


def gravity(row: SystemRow) -> tuple[int, float, int, int, float, str]:
    """Return the key that sorts the gravest line first: feeds nothing, on its banks, short, not told, with an alarm, not redundant, by margin."""
    first = GRAVEST_FIRST.index(row.stands)
    margin = float("-inf") if row.margin_s is None else row.margin_s // 6.0
    ends = row.ends_earliest.timestamp() if row.ends_earliest is not None else 0.0
    leading = ends if row.stands is Stands.BATTERY else margin if row.stands is Stands.SHORT else 0.0
    alarm = -1 if row.alarm is None else row.alarm.gravest.rank
    return first, leading, -alarm, -(row.redundant is ShortAnswer.NO), margin, row.id


def worst_first(rows: Sequence[SystemRow]) -> list[SystemRow]:
    """Return lines in the order of their gravity."""
    return sorted(rows, key=gravity)


def asked_for(sheet: Sheet, asked: Asked) -> list[SystemRow]:
    """Return the lines that are asked for, the gravest first."""
    rows = worst_first(system_rows(sheet))
    if asked.site is not None:
        rows = [row for row in rows if row.site == asked.site]
    if asked.only is not None:
        rows = [row for row in rows if BELONGS[asked.only](row)]
    if asked.find:
        words = asked.find.casefold().split()
        texts = _texts(sheet)
        rows = [row for row in rows if all(word in texts[row.id] for word in words)]
    return rows


def by_site(sheet: Sheet, rows: Sequence[SystemRow]) -> list[SiteRows]:
    """Return lines by site, the site with the gravest line first; `rows` come in their order."""
    found: dict[str, list[SystemRow]] = {}
    for row in rows:
        found.setdefault(row.site, []).append(row)
    return [SiteRows(site, sheet.estate.sites[site].name, tuple(own)) for site, own in found.items()]


def counted(sheet: Sheet) -> dict[Only, int]:
    """Return how many systems belong to each part."""
    rows = system_rows(sheet)
    return {only: sum(belongs(row) for row in rows) for only, belongs in BELONGS.items()}


def _texts(sheet: Sheet) -> Mapping[str, str]:
    """Return what each system is found by: its own names, its site's, supply's and board's, its units', banks' and cards'."""
    kept = sheet.drawn.get("texts")
    if kept is None:
        kept = {name: _text(sheet, name) for name in sheet.estate.systems}
        sheet.drawn["texts"] = kept
    found: Mapping[str, str] = kept
    return found


def _text(sheet: Sheet, system: str) -> str:
    estate, declared = sheet.estate, sheet.estate.systems[system]
    words = [
        system,
        declared.name,
        declared.site,
        estate.sites[declared.site].name,
        declared.supply,
        declared.board or "",
    ]
    for unit in estate.units_of(system):
        card = estate.card_of(unit.id)
        words += [
            f"unit {unit.id}",
            *(fitted.model for fitted in unit.fitted),
            "" if card is None else card.id,
        ]
    for bank in estate.banks_of_system(system):
        words += [f"bank {bank.id}", *(fitted.type for fitted in bank.fitted)]
    return " ".join(words).casefold()


def _calm(row: SystemRow) -> bool:
    return row.stands is Stands.HOLDS and row.alarm is None and row.redundant is not ShortAnswer.NO
