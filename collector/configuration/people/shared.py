"""People, rotas and calendars of turns that several sites share: one file, of which each site takes only what is its own.

The file has nothing but these tables. Beside what an estate file has in them, each may say by `sites` which collectors take
it; without that every site does. What is taken is checked as if it stood in the estate file, and told with its own file and line.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from pydantic import Field

from collector.configuration.faults import FaultList, nearest, shown
from collector.configuration.plant.values import PlantTable, Text
from collector.configuration.toml_text import Lines, tables_of, text_of

SHARED: Final = "shared"
"""The table of an estate file that names the file."""
TABLES: Final = ("person", "rota", "rota_calendar")
SITES: Final = "sites"


class SharedTable(PlantTable):
    """What several sites share."""

    people: Text | None = Field(
        default=None,
        description="a file with [[person]], [[rota]] and [[rota_calendar]] that are taken beside those here, beside the estate file or "
        "with its full path; each may say by `sites` which collectors take it",
    )


@dataclass(frozen=True, slots=True)
class SharedPeople:
    """An estate file's tables with those that are shared: `text` is that of the shared file, "" where there is none."""

    tables: Mapping[str, object]
    text: str = ""
    file: str = ""
    places: Mapping[str, str] = field(default_factory=dict)
    """Of each entry that was taken its place among all, and by its number in its own file."""

    def told_there(self, notes: FaultList) -> None:
        """Have what is wrong with a shared entry told with its own file and line."""
        lines = Lines(self.text)
        for noted in (notes.faults, notes.warnings):
            for number, fault in enumerate(noted):
                for here, there in self.places.items():
                    if fault.place == here or fault.place.startswith((f"{here}.", f"{here}#")):
                        rest = fault.place[len(here) :]
                        place = (there if "#" in here else here) + rest
                        line = lines.of(there + rest) or 1  # two sites may each have a rota of one name
                        noted[number] = replace(fault, file=self.file, place=place, line=line)
                        break


def with_shared(tables: Mapping[str, object], folder: Path, notes: FaultList) -> SharedPeople:
    """Return an estate file's tables with those that it shares with other sites. Raises ConfigError for a file that is no TOML."""
    section = tables.get(SHARED)
    name = section.get("people") if isinstance(section, dict) else None
    if not isinstance(name, str) or not name.strip():
        return SharedPeople(tables)
    file = folder / name
    text = text_of(file, "a file of people that sites share")
    there = FaultList(str(file))
    given = tables_of(text, there)
    for other in (key for key in given if key not in TABLES):
        there.fault(
            other, f"[[person]], [[rota]] and [[rota_calendar]] alone{nearest(other, TABLES)}", repr(other)
        )
    merged, places, collector = dict(tables), dict[str, str](), _collector(tables)
    for table in TABLES:
        own, rows = tables.get(table, []), given.get(table, [])
        if not isinstance(rows, list):
            there.fault(table, f"a list of tables, each begun by [[{table}]]", shown(rows))
        elif isinstance(own, list):
            taken = list(own)
            for number, row in enumerate(rows, 1):
                found = _taken(row, f"{table}#{number}", collector, file.parent, there)
                if found is not None:
                    taken.append(found)
                    _place(table, number, len(taken), found, places)
            merged[table] = taken
    there.with_lines(Lines(text).of)
    notes.faults += there.faults
    return SharedPeople(merged, text, str(file), places)


def _collector(tables: Mapping[str, object]) -> object:
    """Return by what name the site's collector tells of itself, as far as the file can be read."""
    delivery, sites = tables.get("delivery"), tables.get("site")
    named = delivery.get("collector") if isinstance(delivery, dict) else None
    first = sites[0] if isinstance(sites, list) and sites else None
    return named or (first.get("id") if isinstance(first, dict) else None)


def _taken(row: Any, place: str, collector: object, folder: Path, there: FaultList) -> dict[str, Any] | None:  # noqa: ANN401 - whatever TOML holds
    """Return an entry as it would stand in the estate file, None of one that is other sites'."""
    if not isinstance(row, dict):
        there.fault(place, "a table", shown(row))
        return None
    found = dict(row)
    sites = found.pop(SITES, None)
    if sites is not None and not (
        isinstance(sites, list) and sites and all(isinstance(s, str) for s in sites)
    ):
        there.fault(f"{place}.{SITES}", 'names of collectors, as ["north", "depot"]', shown(sites))
        return None
    if sites is not None and collector not in sites:
        return None
    if isinstance(found.get("file"), str):
        found["file"] = str(folder / found["file"])
    return found


def _place(table: str, number: int, among: int, row: Mapping[str, Any], places: dict[str, str]) -> None:
    named = row.get("name" if table == "person" else "id")
    places[f"{table}#{among}"] = f"{table}#{number}"
    if isinstance(named, str) and named:
        places[f"{table}.{named}"] = f"{table}#{number}"
