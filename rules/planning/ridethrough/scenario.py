"""What is asked: a scenario of outages, the generator, loads shed or added, units out, and the state of the banks."""

from __future__ import annotations

from collections.abc import Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field, replace
from enum import StrEnum

from rules.planning.ridethrough.supply import MainsOut, SetPlan
from rules.plant.estate import LoadGroup
from rules.system.hold_up.play import LONGEST_S
from rules.system.hold_up.task import HoldUpTask


class BankCase(StrEnum):
    """In which state the banks begin."""

    NOW = "now"
    FULL = "full"
    END_OF_LIFE = "end_of_life"


@dataclass(frozen=True, slots=True)
class PlannedShed:
    """A load group to be dropped: at a time, or when no more than so much is left."""

    group: str
    at_s: float | None = None
    when_left_s: float | None = None


@dataclass(frozen=True, slots=True)
class Scenario:
    """What is to be played. Times in s from the scenario's start.

    `load_times` scales the load that stands; `load_added_w` is added by board line, at power factor 0.95.
    `until_s`: how far is looked.
    """

    outages: tuple[MainsOut, ...] = (MainsOut(0.0, None),)
    generator: SetPlan = field(default_factory=SetPlan)
    units_out: frozenset[str] = frozenset()
    sheds: tuple[PlannedShed, ...] = ()
    banks: BankCase = BankCase.NOW
    coldest: bool = False
    load_times: float = 1.0
    load_added_w: tuple[tuple[int, float], ...] = ()
    until_s: float = LONGEST_S


def own_part(
    scenario: Scenario, system: str, units: AbstractSet[str], groups: Mapping[str, LoadGroup]
) -> Scenario:
    """Return a scenario for a whole estate as one system meets it: its own units out, its own loads shed."""
    sheds = tuple(s for s in scenario.sheds if s.group in groups and groups[s.group].system == system)
    return replace(scenario, units_out=scenario.units_out & units, sheds=sheds)


def refuse_unknown(scenario: Scenario, units: AbstractSet[str], groups: AbstractSet[str]) -> None:
    """Raise ValueError if a scenario for a whole estate names a unit or a load group that nobody has."""
    if strangers := scenario.units_out - units:
        raise ValueError(f"units_out: want units of the estate; got {', '.join(sorted(strangers))}")
    if unknown := {s.group for s in scenario.sheds} - groups:
        raise ValueError(f"sheds: want load groups of the estate; got {', '.join(sorted(unknown))}")


def refuse_strangers(task: HoldUpTask, scenario: Scenario, groups: Mapping[str, LoadGroup]) -> None:
    """Raise ValueError if a scenario names a unit or a load group that the system does not have."""
    strangers = scenario.units_out - {unit.id for unit in task.units}
    if strangers and not task.missing:
        raise ValueError(
            f"units_out: want units of {task.system} in service; got {', '.join(sorted(strangers))}"
        )
    unknown = [
        s.group for s in scenario.sheds if s.group not in groups or groups[s.group].system != task.system
    ]
    if unknown:
        raise ValueError(f"sheds: want load groups of {task.system}; got {', '.join(unknown)}")
