"""What is kept of one outage while it lasts and after it: words, marks, frequencies, loads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final

from rules.alarms.signs import has_mains
from rules.generator.outage_source import LOOKED_AT, Returned, SetWord, SourceBasis, SourceMark, UnitReturn
from rules.generator.test_runs import Seen
from rules.plant.estate import Unit
from rules.plant.reading import Reading

MOST_OUTAGES: Final = 50


MOST_WORDS: Final = 500


MOST_RUNS: Final = 100


SIXTY_ABOVE_HZ: Final = 55.0


@dataclass(slots=True)
class SupplyOutage:
    """One loss of a supply. `returns`: of units that were seen without it. `found` None: not back yet."""

    supply: str
    lost_at: datetime
    back_at: datetime | None = None
    incident: str | None = None
    returns: Mapping[str, UnitReturn] = field(default_factory=dict)
    mark: SourceMark | None = None
    found: Returned | None = None
    steps: Mapping[str, Mapping[str, float]] = field(default_factory=dict)

    @property
    def known(self) -> bool:
        """Return whether it is known what ended it, or that nobody can tell."""
        return self.found is not None and self.found.ground is not SourceBasis.NONE

    def looked_at(self, at: datetime) -> bool:
        """Return whether what is read at a moment still says something of this outage."""
        return self.back_at is None or at <= self.back_at + LOOKED_AT


@dataclass(frozen=True, slots=True)
class OutageMemory:
    """Everything that goes on after a restart: outages, oldest first, and the site's words by generator."""

    outages: tuple[SupplyOutage, ...] = ()
    words: Mapping[str, tuple[SetWord, ...]] = field(default_factory=dict)
    heard_since: Mapping[str, datetime] = field(default_factory=dict)
    seen: Mapping[str, tuple[Seen, ...]] = field(default_factory=dict)


@dataclass(slots=True)
class SeenFrequency:
    """Input frequency by unit since the supply came back; not kept over a restart."""

    seen: dict[str, list[tuple[datetime, float]]] = field(default_factory=dict)
    nominal_hz: float = 50.0

    def add(self, reading: Reading) -> None:
        """Take in what a reading says of the input's frequency."""
        values = [line.frequency_hz for line in reading.input.lines if line.frequency_hz]
        if values:
            self.seen.setdefault(reading.unit, []).append((reading.at, values[0]))
        plate = reading.nameplate
        said = plate.nominal_input_frequency_hz or plate.nominal_output_frequency_hz
        if said:
            self.nominal_hz = 60.0 if said > SIXTY_ABOVE_HZ else 50.0
        elif values and not self.seen[reading.unit][1:]:
            self.nominal_hz = 60.0 if values[0] > SIXTY_ABOVE_HZ else 50.0


def after_outage(before: UnitReturn | None, reading: Reading) -> UnitReturn | None:
    """Return how far a unit came back, None while it was never seen without supply."""
    mains, at = has_mains(reading, None), reading.at
    if mains is False:
        return UnitReturn(reading.unit, None, None, None)
    if before is None:
        return None
    if before.supply_at is None and mains:
        before = replace(before, supply_at=at)
    if reading.on_battery:
        return replace(before, normal_at=None, rested_at=None)
    if reading.on_battery is False and before.normal_at is None:
        before = replace(before, normal_at=at)
    current_a = reading.battery.current_a
    if (
        before.normal_at is not None
        and before.rested_at is None
        and current_a is not None
        and current_a <= 0.0
    ):
        before = replace(before, rested_at=at)
    return before


def returns_of(outage: SupplyOutage, units: Sequence[Unit]) -> list[UnitReturn]:
    """Return how each unit came back, as far as it has."""
    return [outage.returns[unit.id] for unit in units if unit.id in outage.returns]
