"""What a card holds, and where: found once by a walk, then asked for directly.

Cards put rows where the standard does not: an extra arc (`.1.0`), counting from zero, a single row
under `.0`. The walk shows where they are; the reader asks there, and the reading says so.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

from collector.cards.mib.upsmib import (
    LINES,
    OBJECTS,
    SYS_UP_TIME,
    MibObject,
    TablePart,
    standard_places,
    wire_key,
)
from collector.cards.snmp.ber import oid_arcs

KINDS_KEPT: Final = 256
"""Kinds of cards, by what they hold, whose capability is shared."""


@dataclass(frozen=True, slots=True)
class Capability:
    """Wire key -> OID of everything this card answers, and what it lacks (object names, no lines).

    `odd` holds the keys whose OID is not the standard's. `complete`: the walk came to its natural end.
    """

    places: Mapping[str, str]
    missing: tuple[str, ...] = ()
    odd: Mapping[str, str] = field(default_factory=dict)
    complete: bool = True

    def of(self, part: TablePart) -> dict[str, str]:
        """Return wire key -> OID of one part."""
        return {key: self.places[key] for key in standard_places(part) if key in self.places}

    def without(self, keys: Iterable[str]) -> Capability:
        """Return the capability after the card stopped answering some keys."""
        gone = set(keys)
        return Capability(
            {key: oid for key, oid in self.places.items() if key not in gone},
            tuple(sorted({*self.missing, *(key.partition(".")[0] for key in gone)})),
            {key: oid for key, oid in self.odd.items() if key not in gone},
            self.complete,
        )


def from_walk(oids: Iterable[str], *, has_uptime: bool = True, complete: bool = True) -> Capability:
    """Return the capability that the OIDs of a walk show."""
    present = set(oids)
    places: dict[str, str] = {"sysUpTime": SYS_UP_TIME} if has_uptime else {}
    by_stem: dict[str, list[str]] = {}
    stems = {o.oid if o.column else o.oid.removesuffix(".0"): o for o in OBJECTS}
    for oid in present:
        stem = oid
        while stem and stem not in stems:
            stem = stem.rpartition(".")[0]
        if stem:
            by_stem.setdefault(stem, []).append(oid)
    rows_of_table: dict[str, set[tuple[int, ...]]] = {}
    for stem, found in by_stem.items():
        if stems[stem].column:
            table = stem.rpartition(".")[0]
            rows_of_table.setdefault(table, set()).update(oid_arcs(oid)[_depth(stem) :] for oid in found)
    lines = {table: line_numbers(rows) for table, rows in rows_of_table.items()}
    for stem, found in by_stem.items():
        item = stems[stem]
        if item.part is None:
            continue
        if item.column:
            for oid in found:
                line = lines[stem.rpartition(".")[0]].get(oid_arcs(oid)[_depth(stem) :])
                if line in LINES:
                    places[wire_key(item.name, line)] = oid
        else:
            places[item.name] = item.oid if item.oid in present else min(found, key=oid_arcs)
    return _capability(tuple(sorted(places.items())), complete)


def from_answers(places: Mapping[str, str]) -> Capability:
    """Return the capability of a card that cannot be walked: whatever it answered where the standard puts it."""
    return _capability(tuple(sorted(places.items())), complete=False)


@lru_cache(maxsize=KINDS_KEPT)
def _capability(found: tuple[tuple[str, str], ...], complete: bool) -> Capability:
    """Return the same object for all cards that hold the same: a site's cards mostly do."""
    places = dict(found)
    standard = {key: oid for part in TablePart for key, oid in standard_places(part).items()}
    odd = {key: oid for key, oid in places.items() if standard[key] != oid}
    return Capability(places, tuple(_lacking(places)), odd, complete)


def _lacking(places: Mapping[str, str]) -> list[str]:
    held = {key.partition(".")[0] for key in places}
    wanted: list[MibObject] = [item for item in OBJECTS if item.part is not None]
    return [item.name for item in wanted if item.name not in held]


def _depth(oid: str) -> int:
    return oid.count(".") + 1


def line_numbers(rows: Iterable[tuple[int, ...]]) -> dict[tuple[int, ...], int]:
    """Return which line each row of a table is, from the arcs that follow the column.

    The arc that tells the rows apart counts; zero among its values means that counting starts at zero. Rows
    that no single arc tells apart are numbered in their order.
    """
    ordered = sorted(rows)
    width = max((len(row) for row in ordered), default=0)
    for place in range(width):
        arcs = [row[place] if place < len(row) else -1 for row in ordered]
        if len(set(arcs)) == len(arcs) and -1 not in arcs:
            shift = 1 if min(arcs) == 0 else 0
            return {row: arc + shift for row, arc in zip(ordered, arcs, strict=True)}
    return {row: number for number, row in enumerate(ordered, start=1)}
