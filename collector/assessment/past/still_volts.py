"""Volts of a bank that stand still in a file of past readings: nothing is judged of what such a meter saw."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from collector.assessment.past.prepared import BroughtFile, PreparedRows
from collector.assessment.past.quantities import QUANTITIES
from collector.storage.ledger.discharge_record import from_evidence
from collector.storage.ledger.records import Evidence
from rules.plant.estate import Estate

VOLTS: Final = QUANTITIES["battery_voltage_v"]
MANY: Final = 50
"""So many readings that all say the same volts are of a meter that stands: a float voltage wanders by its last figure in days."""
FEW: Final = 5
"""And so many while the bank gives, when its voltage falls from reading to reading."""


@dataclass(frozen=True, slots=True)
class StillVolts:
    """Volts of a unit's bank that stand still: at how much, in how many readings; `at`: in the discharge of then, None: in all."""

    unit: str
    volts: float
    readings: int
    at: datetime | None = None


def standing_in(
    about: BroughtFile, rows: PreparedRows, discharges: Iterable[Evidence], estate: Estate
) -> tuple[StillVolts, ...]:
    """Return where the volts of a bank stand still: of a unit throughout, else in single discharges."""
    whole = tuple(_throughout(about, rows))
    stands = {one.unit for one in whole}
    return (*whole, *(one for one in _while_giving(discharges, estate) if one.unit not in stands))


def _throughout(about: BroughtFile, rows: PreparedRows) -> Iterator[StillVolts]:
    if VOLTS.key not in rows.keys:
        return
    for place, span in enumerate(about.units):
        first, many = None, 0
        for many, (_, number) in enumerate(rows.column(VOLTS.key, place), 1):  # noqa: B007 - counted to the end
            first = number if first is None else first
            if number != first:
                break
        else:
            if first is not None and many >= MANY:
                yield StillVolts(span.unit, round(first * VOLTS.step, 3), many)


def _while_giving(discharges: Iterable[Evidence], estate: Estate) -> Iterator[StillVolts]:
    for line in discharges:
        record = from_evidence(line)
        volts = [r.voltage_v for r in record.discharge_rows if r.on_battery and r.voltage_v is not None]
        if len(volts) >= FEW and min(volts) == max(volts):
            yield StillVolts(estate.banks[line.bank].feeds[0], volts[0], len(volts), record.began)
