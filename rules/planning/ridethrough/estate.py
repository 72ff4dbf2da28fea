"""One scenario for many systems: each meets its own part of it, and is told what would carry it where it fails."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from rules.battery.model.health import BankBelief
from rules.planning.ridethrough.load_ahead import LoadAhead
from rules.planning.ridethrough.remedy import advised
from rules.planning.ridethrough.result import Ridethrough
from rules.planning.ridethrough.scenario import Scenario, own_part
from rules.plant.estate import Generator, LoadGroup, Unit
from rules.system.hold_up.task import HoldUpTask


@dataclass(frozen=True)
class EstateTask:
    """One system of an estate, as a scenario for all of them needs it. Fields as `ride` takes them."""

    task: HoldUpTask
    beliefs: Mapping[str, BankBelief]
    generator: Generator | None
    units: Sequence[Unit]
    ahead: LoadAhead | None = None


def ride_estate(
    tasks: Iterable[EstateTask],
    scenario: Scenario,
    *,
    groups: Mapping[str, LoadGroup] | None = None,
    seed: int = 0,
) -> Iterator[Ridethrough]:
    """Yield the results of one scenario for many systems, one at a time, so that progress can be shown.

    Each system is drawn with the same seed, as if it were asked alone.
    """
    groups = groups or {}
    for one in tasks:
        own = own_part(scenario, one.task.system, {unit.id for unit in one.units}, groups)
        yield advised(
            one.task,
            one.beliefs,
            own,
            generator=one.generator,
            units=one.units,
            groups=groups,
            seed=seed,
            ahead=one.ahead,
        )
