"""If the mains is switched off: the same shutdown with the generator behind it and without, always both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from rules.planning.ridethrough.result import Ridethrough
from rules.planning.ridethrough.scenario import Scenario
from rules.planning.ridethrough.supply import MainsOut, OnBanks, on_banks
from rules.plant.estate import Generator, Unit

STANDARD_S: Final = 1800.0
"""How long the mains is taken to be off where nobody says: half an hour."""
STANDARD: Final = Scenario((MainsOut(0.0, STANDARD_S),))


def with_set(scenario: Scenario) -> Scenario:
    """Return the shutdown with the generator left in service in every window."""
    return replace(scenario, outages=tuple(replace(o, generator=True) for o in scenario.outages))


def without_set(scenario: Scenario) -> Scenario:
    """Return the shutdown with the generator isolated in every window, or refusing to start."""
    return replace(scenario, outages=tuple(replace(o, generator=False) for o in scenario.outages))


@dataclass(frozen=True, slots=True)
class Way:
    """One way that a shutdown goes: when the banks carry, and how it ends.

    `lost_s`: the load is lost so many s after the start at the earliest and at the latest, None where it is
    carried in that percentile.
    """

    result: Ridethrough
    stretches: tuple[OnBanks, ...]

    @property
    def lost_s(self) -> tuple[float | None, float | None]:
        """Return the earliest and latest loss of the load."""
        hold_up = self.result.hold_up
        return (None, None) if hold_up is None else (hold_up.low_s, hold_up.high_s)

    @property
    def expected_s(self) -> float | None:
        """Return when the load is lost in the middle of what is to be expected, None where it is carried then."""
        return None if self.result.hold_up is None else self.result.hold_up.median_s


@dataclass(frozen=True, slots=True)
class Shutdown:
    """A shutdown played on what is known at `as_of`: as it is meant, with the generator, and without it.

    `with_set` None: no generator is declared behind this supply. `plan`: the signed plan it is of, if it is of one.
    """

    system: str
    as_of: datetime
    scenario: Scenario
    planned: Way
    with_set: Way | None
    without_set: Way
    plan: str | None = None


def way(result: Ridethrough, scenario: Scenario, generator: Generator | None, units: Sequence[Unit]) -> Way:
    """Return how a shutdown goes that was played."""
    stretches, _ = on_banks(scenario.outages, scenario.generator, generator, units)
    return Way(result, stretches)


def lasts_s(scenario: Scenario) -> float:
    """Return s from the start until the mains is back for good; infinite where it never is."""
    return max(o.from_s + (float("inf") if o.for_s is None else o.for_s) for o in scenario.outages)
