"""Evidence from outside: past discharge tests, values measured by hand, equipment replaced, visits.

Everything is dated and has an author, and belongs to the blocks (or the cabinet) in place on its day. Files
are checked whole: every fault with its line and column, as for the estate file.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Final

from collector.configuration.faults import ConfigError, ConfigFault, FaultList, nearest, shown
from collector.storage.ledger.discharge_record import DischargeRecord, DischargeRow, Phase, to_evidence
from collector.storage.ledger.records import EquipmentEvent, Evidence
from rules.planning.programme.programme import Job
from rules.planning.programme.service_due import Done
from rules.plant.estate import Estate, FittedBank, in_place

HAND_SCHEMA: Final = "hand/1"
LOG_COLUMNS: Final = (
    "t_s", "bank_voltage_v", "bank_current_a", "temperature_c", "output_power_w", "on_battery",
)  # fmt: skip
BLOCK_COLUMNS: Final = ("block", "voltage_v", "resistance_ohm", "conductance_s")
_GIVES_SHARE: Final = 0.05  # of the log's largest current; less is float or noise
_MOST_BLOCK_V: Final = 20.0


def read_log(text: str, name: str) -> tuple[DischargeRow, ...]:
    """Return the rows of a logged discharge: `t_s` and any of the other columns, in any order.

    A log with the other sign of current is turned round (the larger part of its charge flows out of the
    bank in a discharge). Empty cells are "not known". Raises ConfigError with every fault.
    """
    notes = FaultList(name)
    cells = _table(text, LOG_COLUMNS, ("t_s",), notes)
    rows: list[DischargeRow] = []
    last = -math.inf
    for line, row in cells:
        numbers = {k: _number(v, f"line {line}, {k}", notes) for k, v in row.items()}
        t = numbers.get("t_s")
        if t is None:
            if "t_s" in row and not row["t_s"]:
                notes.fault(f"line {line}, t_s", "seconds", "nothing")
            continue
        if t <= last:
            notes.fault(f"line {line}, t_s", f"more than the line before ({last:g})", f"{t:g}")
        last = t
        watts = numbers.get("output_power_w")
        rows.append(
            DischargeRow(
                t_s=t,
                voltage_v=numbers.get("bank_voltage_v"),
                current_a=numbers.get("bank_current_a"),
                temperature_c=numbers.get("temperature_c"),
                output_power_w=watts,
                on_battery=None if (word := numbers.get("on_battery")) is None else word > 0.0,
            )
        )
    if not notes.faults and len(rows) < 2:
        notes.fault("file", "2 or more rows", str(len(rows)))
    if not notes.faults and all(r.current_a is None and r.output_power_w is None for r in rows):
        notes.fault(
            "file", "rows with bank_current_a or output_power_w: without power nothing can be judged", "none"
        )
    if notes.faults:
        raise ConfigError(notes.faults)
    return _discharging_marked(_turned(rows))


def _turned(rows: Sequence[DischargeRow]) -> list[DischargeRow]:
    charge = sum((a.current_a or 0.0) * (b.t_s - a.t_s) for a, b in pairwise(rows))
    if charge >= 0.0:
        return list(rows)
    return [r if r.current_a is None else replace(r, current_a=-r.current_a) for r in rows]


def _discharging_marked(rows: Sequence[DischargeRow]) -> tuple[DischargeRow, ...]:
    """Mark the rows in which the bank gives current; all of them where none was logged, or 0 beside output power.

    A log that has the unit's own word is left as it is.
    """
    if any(r.on_battery is not None for r in rows):
        return tuple(rows)
    stuck = any(r.output_power_w for r in rows) and not any(r.current_a for r in rows)
    if stuck or all(r.current_a is None for r in rows):
        marks: list[bool | None] = [True] * len(rows)
    else:
        least = _GIVES_SHARE * max(r.current_a or 0.0 for r in rows)
        marks = [None if r.current_a is None else r.current_a > least for r in rows]
    return tuple(replace(r, on_battery=mark) for r, mark in zip(rows, marks, strict=True))


def imported_discharge(
    estate: Estate, bank: str, at: datetime, author: str, *, text: str, name: str, kind: str = "import"
) -> Evidence:
    """Return a past discharge test as evidence of a bank. `at` is the time of the first row, UTC.

    `kind` is "import", or "acceptance" for the test that shows what a new bank gives. Raises ConfigError.
    """
    notes = FaultList(name)
    _known_bank(estate, bank, at, notes)
    if kind not in ("import", "acceptance"):
        notes.fault("kind", "'import' or 'acceptance'", shown(kind))
    if notes.faults:
        raise ConfigError(notes.faults)
    rows = read_log(text, name)
    on = [r.t_s for r in rows if r.on_battery]
    if not on:
        raise ConfigError([ConfigFault(name, "file", "rows in which the bank gives current", "none")])
    record = DischargeRecord(
        id=f"{bank}-{kind}-{at.astimezone(UTC):%Y%m%dT%H%M%SZ}",
        bank=bank,
        at=at,
        kind=kind,
        rows=rows,
        phase=Phase.DONE,
        started_s=on[0],
        ended_after_s=on[-1],
        ended_s=on[-1],
        ended_how="supply_back",
        until=at + timedelta(seconds=rows[-1].t_s),
    )
    line = to_evidence(record)
    return replace(line, author=author, body={**line.body, "cut": False})


TAKEN_BACK: Final = "taken_back/1"
"""The form of a line of evidence that was taken back: it counts for nothing, and says who brought and who took it back."""


def taken_back(line: Evidence, author: str, at: datetime) -> Evidence:
    """Return what is left of evidence that somebody takes back: a new line, so that its bank is judged anew."""
    body = {"was": line.kind, "brought_by": line.author, "taken_back_at": at.isoformat()}
    return replace(line, kind="taken_back", author=author, schema=TAKEN_BACK, body=body)


@dataclass(frozen=True, slots=True)
class BlockValues:
    """What a person measured on the blocks of a bank. By block: volts, ohms; each may be empty."""

    bank: str
    at: datetime
    author: str
    voltage_v: Mapping[str, float]
    resistance_ohm: Mapping[str, float]


def imported_blocks(
    estate: Estate, bank: str, at: datetime, author: str, *, text: str, name: str
) -> Evidence:
    """Return hand-measured block values as evidence: columns `block`, and any of `voltage_v`,
    `resistance_ohm`, `conductance_s` (kept as its inverse, ohms). Raises ConfigError with every fault.
    """
    notes = FaultList(name)
    fitted = _known_bank(estate, bank, at, notes)
    rows = _table(text, BLOCK_COLUMNS, ("block",), notes)
    volts: dict[str, float] = {}
    ohms: dict[str, float] = {}
    seen: set[str] = set()
    for line, row in rows:
        block = row["block"].strip()
        if not block or block in seen:
            notes.fault(f"line {line}, block", "a name of its own", shown(block or "nothing"))
        seen.add(block)
        for column, value in _block_row(line, row, notes).items():
            if column == "voltage_v":
                volts[block] = value
            else:
                ohms[block] = value if column == "resistance_ohm" else 1.0 / value
    if not volts and not ohms and not notes.faults:
        notes.fault("file", "one measured value or more", "none")
    if fitted is not None and len(seen) > fitted.blocks:
        notes.fault("file", f"at most the bank's {fitted.blocks} blocks", str(len(seen)))
    if notes.faults:
        raise ConfigError(notes.faults)
    body = {"blocks": len(seen), "voltage_v": volts, "resistance_ohm": ohms}
    identity = f"{bank}-hand-{at.astimezone(UTC):%Y%m%dT%H%M%SZ}"
    return Evidence(
        identity, bank, "hand", at, at, author, HAND_SCHEMA, {"blocks": len(seen)}, json.dumps(body).encode()
    )


def block_values(line: Evidence) -> BlockValues:
    """Return the values in a ledger line. Raises ValueError for a line of another schema."""
    if line.schema != HAND_SCHEMA:
        raise ValueError(f"{line.id}: want {HAND_SCHEMA}, got {line.schema}")
    body = json.loads(line.content)
    return BlockValues(line.bank, line.at, line.author or "", body["voltage_v"], body["resistance_ohm"])


def _block_row(line: int, row: Mapping[str, str], notes: FaultList) -> dict[str, float]:
    values: dict[str, float] = {}
    for column in BLOCK_COLUMNS[1:]:
        place = f"line {line}, {column}"
        value = _number(row.get(column, ""), place, notes)
        if value is None:
            continue
        if value <= 0.0:
            notes.fault(place, "more than 0", f"{value:g}")
        elif column == "voltage_v" and value > _MOST_BLOCK_V:
            notes.fault(place, f"volts of one block, at most {_MOST_BLOCK_V:g}", f"{value:g}")
        else:
            values[column] = value
    return values


def _known_bank(estate: Estate, bank: str, at: datetime, notes: FaultList) -> FittedBank | None:
    place = estate.banks.get(bank)
    if place is None:
        notes.fault("bank", f"the id of a bank{nearest(bank, estate.banks)}", shown(bank))
        return None
    fitted = in_place(place.fitted, at.date())
    if fitted is None:
        notes.fault("at", f"a day on which blocks were fitted in {bank}", str(at.date()))
    return fitted


def _table(
    text: str, known: Sequence[str], needed: Sequence[str], notes: FaultList
) -> list[tuple[int, dict[str, str]]]:
    """Return the rows of a CSV text by column, with their line numbers; letter case is free."""
    reader = csv.reader(io.StringIO(text.lstrip("\ufeff")))
    header = [cell.strip().lower() for cell in next(reader, [])]
    for column in header:
        if column not in known:
            notes.fault("line 1", f"columns out of {', '.join(known)}{nearest(column, known)}", shown(column))
    for column in needed:
        if column not in header:
            notes.fault("line 1", f"a column {column}", "none")
    if len(set(header)) < len(header):
        notes.fault("line 1", "each column once", "one twice")
    if notes.faults:
        return []
    rows = []
    for cells in reader:
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(header):
            notes.fault(f"line {reader.line_num}", f"{len(header)} cells", str(len(cells)))
            continue
        rows.append((reader.line_num, dict(zip(header, (c.strip() for c in cells), strict=True))))
    return rows


def _number(cell: str, place: str, notes: FaultList) -> float | None:
    if not cell:
        return None
    try:
        value = float(cell)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        notes.fault(place, "a finite number", shown(cell))
        return None
    return value


def replaced(
    estate: Estate,
    about: str,
    at: datetime,
    author: str,
    recorded: datetime,
    *,
    what: str | None = None,
    note: str = "",
) -> EquipmentEvent:
    """Return that the cabinet of a unit, or the blocks of a bank, were replaced. Raises ConfigError.

    `what` is the new model or type, None for the same again.
    """
    notes = FaultList("replaced")
    _known_place(estate, about, notes)
    _dated(at, recorded, notes)
    if notes.faults:
        raise ConfigError(notes.faults)
    return EquipmentEvent(at, "replaced", about, author, recorded, body={"what": what, "note": note})


RENEWED: Final = {"fans": Job.FANS, "capacitors": Job.CAPACITORS}
"""What a visit may renew in a unit, by the word for it."""


def visited(
    estate: Estate,
    about: str,
    at: datetime,
    author: str,
    recorded: datetime,
    *,
    note: str = "",
    renewed: Sequence[str] = (),
) -> EquipmentEvent:
    """Return that somebody serviced a unit, bank or generator; `renewed` what of a unit. Raises ConfigError."""
    notes = FaultList("visited")
    _known_place(estate, about, notes, generators=True)
    _dated(at, recorded, notes)
    if renewed and about not in estate.units:
        notes.fault("renewed", "a unit, whose fans or capacitors can be renewed", shown(about))
    if notes.faults:
        raise ConfigError(notes.faults)
    body = {"note": note, **({"renewed": sorted(set(renewed))} if renewed else {})}
    return EquipmentEvent(at, "visited", about, author, recorded, body=body)


def done_by(events: Iterable[EquipmentEvent]) -> list[Done]:
    """Return the work that recorded visits did."""
    found = []
    for event in events:
        if event.kind == "visited":
            day = event.at.date()
            jobs = [RENEWED[word] for word in event.body.get("renewed", ()) if word in RENEWED]
            found += [Done(job, event.about, day) for job in (Job.VISIT, *jobs)]
    return found


def _known_place(estate: Estate, about: str, notes: FaultList, *, generators: bool = False) -> None:
    known = [*estate.units, *estate.banks, *(estate.generators if generators else ())]
    if about not in known:
        kinds = "a unit, a bank or a generator" if generators else "a unit or a bank"
        notes.fault("place", f"the id of {kinds}{nearest(about, known)}", shown(about))


def _dated(at: datetime, recorded: datetime, notes: FaultList) -> None:
    if at > recorded:
        notes.fault("at", f"no later than now ({recorded:%Y-%m-%d})", f"{at:%Y-%m-%d}")


def lines_to_change(estate: Estate, event: EquipmentEvent) -> str:
    """Return the lines of the estate file that follow from a replacement, for a person to put in."""
    day = event.at.date()
    what = event.body.get("what")
    if event.about in estate.banks:
        kind, name = "bank", "type"
        same = estate.banks[event.about].fitted[-1].type
    else:
        kind, name = "unit", "model"
        same = estate.units[event.about].fitted[-1].model
    return (
        f"# in [[{kind}]] {event.about}: close the last [[{kind}.fitted]] with\n"
        f"until = {day}\n"
        f"# and add below it\n"
        f"[[{kind}.fitted]]\n"
        f"from = {day}\n"
        f'{name} = "{what or same}"\n'
        f"# with its own figures, where they differ from the last\n"
    )
