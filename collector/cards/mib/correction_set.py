"""What has been learnt about one card, as a set of corrections with an id.

Wire values are kept as they came, beside the id of the set that was in force. Corrections are applied on
reading, so a set that is changed or withdrawn repairs the past as well as the present. Every correction
is linear in the value that the standard's scale gives: `used = value * factor + offset`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property
from typing import Any, Final

from collector.storage.history.store import IMPORTED
from rules.plant.reading import DoubtKind


class Ruling(StrEnum):
    """What a correction does with a value."""

    LINEAR = "linear"  # value * factor + offset
    MAGNITUDE = "magnitude"  # battery current without a sign: discharging on battery, charging on mains
    DIRECTION = "direction"  # its sign not yet known: discharging on battery, elsewhere known only when zero
    CLAUSE = "clause"  # output source numbered as the compliance clauses of RFC 1628 write it: normal(2), battery(4)
    NOT_KNOWN = "not_known"  # nothing that can be trusted
    GIVEN = "given"  # value * factor whatever its size: brought in a file, its unit named


@dataclass(frozen=True, slots=True)
class Correction:
    """One learnt (or declared) correction of one object, all its lines alike.

    `evidence`: how many samples spoke for it; `declared` when a person stated it in the estate file.
    """

    object: str
    kind: DoubtKind
    reason: str
    ruling: Ruling = Ruling.LINEAR
    factor: float = 1.0
    offset: float = 0.0
    evidence: int = 0
    declared: bool = False


@dataclass(frozen=True)
class CorrectionSet:
    """The corrections in force for one card.

    `absent_lines`: (group, line) that the unit does not have. `stale`: why nothing of the live part counts
    just now, though the card answers.
    """

    by_object: Mapping[str, Correction] = field(default_factory=dict)
    absent_lines: frozenset[tuple[str, int]] = frozenset()
    stale: str | None = None

    @cached_property
    def id(self) -> str:
        """Return a name made of what the set does, not of why: equal sets have equal names."""
        if not self.by_object and not self.absent_lines and not self.stale:
            return "standard"
        if any(c.ruling is Ruling.GIVEN for c in self.by_object.values()):
            return IMPORTED
        does = [
            [c.object, c.ruling.value, round(c.factor, 9), round(c.offset, 9)]
            for _, c in sorted(self.by_object.items())
        ]
        text = json.dumps([does, sorted(self.absent_lines), bool(self.stale)])
        return hashlib.sha256(text.encode()).hexdigest()[:12]

    def as_json(self) -> dict[str, Any]:
        """Return a plain structure for the ledger."""
        return {
            "corrections": [
                {
                    "object": c.object,
                    "kind": c.kind.value,
                    "reason": c.reason,
                    "ruling": c.ruling.value,
                    "factor": c.factor,
                    "offset": c.offset,
                    "evidence": c.evidence,
                    "declared": c.declared,
                }
                for _, c in sorted(self.by_object.items())
            ],
            "absent_lines": [list(pair) for pair in sorted(self.absent_lines)],
            "stale": self.stale,
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> CorrectionSet:
        """Return the set that `as_json` wrote. Raises KeyError or ValueError for anything else."""
        corrections = [
            Correction(
                object=str(c["object"]),
                kind=DoubtKind(c["kind"]),
                reason=str(c["reason"]),
                ruling=Ruling(c["ruling"]),
                factor=float(c["factor"]),
                offset=float(c["offset"]),
                evidence=int(c["evidence"]),
                declared=bool(c["declared"]),
            )
            for c in data["corrections"]
        ]
        absent = frozenset((str(group), int(line)) for group, line in data["absent_lines"])
        return cls({c.object: c for c in corrections}, absent, data["stale"])


STANDARD: Final = CorrectionSet()


def _given(**factors: float) -> CorrectionSet:
    made = {
        name: Correction(name, DoubtKind.SCALE, "brought in a file", Ruling.GIVEN, factor, declared=True)
        for name, factor in factors.items()
    }
    return CorrectionSet(made)


GIVEN: Final = _given(
    upsBatteryVoltage=0.1,
    upsBatteryCurrent=0.1,
    upsBatteryTemperature=0.01,
    upsEstimatedMinutesRemaining=1.0 / 60.0,
    upsEstimatedChargeRemaining=0.01,
    upsInputFrequency=0.1,
    upsInputVoltage=0.01,
    upsInputCurrent=0.1,
    upsInputTruePower=0.1,
    upsOutputFrequency=0.1,
    upsOutputVoltage=0.01,
    upsOutputCurrent=0.1,
    upsOutputPower=0.1,
    upsOutputPercentLoad=0.01,
    upsBypassFrequency=0.1,
    upsBypassVoltage=0.01,
    upsBypassCurrent=0.1,
    upsBypassPower=0.1,
)
"""The set of readings that were brought in a file: finer numbers than the standard's, so that a figure comes back as it was
written to a hundredth of its unit (watts to a tenth). Never that of a card; its id is `IMPORTED`."""
