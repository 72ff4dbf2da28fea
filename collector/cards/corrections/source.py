"""The output's source, numbered as the standard lists it or as its compliance clauses miswrite it.

RFC 1628 lists normal(3) and battery(5), but its compliance clauses write normal(2) and battery(4). A card that was
made by the clauses says "none" with watts on its output and "bypass" on battery. Once seen to say
"none" under load, both are doubted; having said so for long, and never once 3 or 5, it is read by the clauses. Its
4 still counts as battery only while its seconds on battery run.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from collector.cards.corrections.sample import Sample
from collector.cards.mib.correction_set import Correction, Ruling
from rules.plant.reading import DoubtKind

ENOUGH: Final = 10
_NONE, _NORMAL, _BATTERY = 2, 3, 5


@dataclass(slots=True)
class SourceLearner:
    """Counts polls under load that said "none", and polls that said what only the list allows."""

    none_under_load: int = 0
    by_the_list: int = 0

    def observe(self, sample: Sample) -> None:
        """Take in one poll."""
        if sample.source in {_NORMAL, _BATTERY}:
            self.by_the_list = min(self.by_the_list + 1, 10000)
        elif sample.source == _NONE and sample.total("upsOutputPower") and sample.total("upsOutputVoltage"):
            self.none_under_load = min(self.none_under_load + 1, 10000)

    def corrections(self) -> list[Correction]:
        """Return what follows."""
        if not self.none_under_load or self.by_the_list:
            return []
        name, count = "upsOutputSource", self.none_under_load
        if count < ENOUGH:
            reason = "says that nothing feeds the output, with volts and watts on it"
            return [Correction(name, DoubtKind.CONTRADICTION, reason, Ruling.NOT_KNOWN, evidence=count)]
        reason = "is numbered by the standard's compliance clauses, normal(2) and battery(4), not by its list"
        return [Correction(name, DoubtKind.CONTRADICTION, reason, Ruling.CLAUSE, evidence=count)]

    def as_json(self) -> dict[str, Any]:
        """Return what is to be remembered."""
        return {"none_under_load": self.none_under_load, "by_the_list": self.by_the_list}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> SourceLearner:
        """Return a learner that remembers."""
        return cls(int(data["none_under_load"]), int(data["by_the_list"]))
