"""Which discharges may teach a bank's type its shape: small facts of each, so that not all have to be read for every bank."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np

from collector.assessment.shown_discharges import SHOWN
from collector.recorder.trackers.missing_charge import records_of
from collector.storage.ledger.discharge_record import shown_id
from collector.storage.ledger.records import Evidence
from rules.battery.discharge.evidence import DischargeEvidence
from rules.battery.model.recharge import FULL
from rules.plant.estate import Bank, in_place
from rules.values.serial import from_plain

REFERENCE_LEAST_USED: Final = 0.5
"""A shorter discharge does not teach the shape of the rest."""
REFERENCE_MOST_MISSING: Final = 0.05
"""Nor does one of a bank that by its mean had so much not back, as a share of published time: a meter that shows discharge
only leaves it open of every bank at rest, and a test to the end of one says more of its type than anything else."""


@dataclass(frozen=True, slots=True)
class TypeLesson:
    """A discharge that may teach a type its shape: its record, when it began, of what blocks, and how far it went."""

    record: str
    at: datetime
    type: str
    used: float


def shown_in(lines: Iterable[Evidence]) -> Mapping[str, DischargeEvidence]:
    """Return what discharges showed, by the id of the line that keeps it."""
    return {line.id: from_plain(DischargeEvidence, line.body) for line in lines if line.schema == SHOWN}


def teaching(lines: Iterable[Evidence], bank: Bank) -> tuple[TypeLesson, ...]:
    """Return the discharges of a bank that may teach its type, oldest first, of what is kept of it."""
    kept = tuple(lines)
    shown, found = shown_in(kept), []
    for record in records_of(kept, bank):
        what = shown.get(shown_id(record.id))
        then = in_place(bank.fitted, record.at.date())
        if what is None or then is None or what.failed or what.refused or what.used < REFERENCE_LEAST_USED:
            continue
        if float(np.mean(what.missing or FULL)) <= REFERENCE_MOST_MISSING:
            found.append(TypeLesson(record.id, record.at, then.type, what.used))
    return tuple(found)
