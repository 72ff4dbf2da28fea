"""What would carry a scenario that fails: which loads to shed, in the agreed order, and by when at the latest.

The scenario is played again with more and more of the system's load groups shed before it starts, and once that
carries it, with the sheds later and later. Nothing is proposed that would shed everything: that is a shutdown in
order, and it is said.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial

from rules.battery.model.health import BankBelief
from rules.planning.ridethrough.load_ahead import LoadAhead
from rules.planning.ridethrough.play import all_shed_s, group_load, ride
from rules.planning.ridethrough.result import Remedy, Ridethrough
from rules.planning.ridethrough.scenario import PlannedShed, Scenario
from rules.planning.ridethrough.shedding import latest, shed_order, tight_line
from rules.planning.ridethrough.supply import FOR_EVER, on_banks
from rules.plant.estate import Generator, LoadGroup, Unit
from rules.system.hold_up.task import HoldUpTask
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Verdict

Play = Callable[[Scenario], Ridethrough]


def advised(
    task: HoldUpTask,
    beliefs: Mapping[str, BankBelief],
    scenario: Scenario,
    *,
    generator: Generator | None,
    units: Sequence[Unit],
    groups: Mapping[str, LoadGroup] | None = None,
    seed: int = 0,
    draws: int = 1000,
    ahead: LoadAhead | None = None,
) -> Ridethrough:
    """Return how a system fares in a scenario, and what would carry it where it does not. As `ride` otherwise."""
    play = partial(
        ride,
        task,
        beliefs,
        generator=generator,
        units=units,
        groups=groups,
        seed=seed,
        draws=draws,
        ahead=ahead,
    )
    stretches, _ = on_banks(scenario.outages, scenario.generator, generator, units)
    result = play(scenario)
    if (
        stretches and stretches[-1].until_s == FOR_EVER
    ):  # no supply comes back: nothing but everything would do
        return result
    return remedied(result, task, scenario, groups or {}, play)


def played_each(  # noqa: PLR0917 - a judging process is handed arguments by place
    task: HoldUpTask,
    beliefs: Mapping[str, BankBelief],
    asked: Sequence[tuple[Scenario, LoadAhead | None]],
    generator: Generator | None,
    units: Sequence[Unit],
    groups: Mapping[str, LoadGroup],
    seed: int,
    advise: int,
) -> list[Ridethrough]:
    """Play scenarios, each on the load ahead of it; of the first `advise` that are not carried it is found what would."""
    return [
        (advised if place < advise else ride)(
            task, beliefs, scenario, generator=generator, units=units, groups=groups, seed=seed, ahead=ahead
        )
        for place, (scenario, ahead) in enumerate(asked)
    ]


def remedied(
    result: Ridethrough,
    task: HoldUpTask,
    scenario: Scenario,
    groups: Mapping[str, LoadGroup],
    play: Play,
) -> Ridethrough:
    """Return the result of a scenario that is not carried, with what would carry it said; any other as it is.

    `play` plays a scenario on the same banks, load and draws.
    """
    hold_up = result.hold_up
    if result.verdict is not Verdict.INADEQUATE or hold_up is None or hold_up.low_s is None:
        return result
    own = [g for g in groups.values() if g.system == task.system]
    if not own:
        return _saying(result, reason(Code.REMEDY_NO_GROUP))
    lost_s = hold_up.low_s
    kept = tuple(s for s in scenario.sheds if s.at_s is not None and s.at_s < lost_s)
    late = [s.group for s in scenario.sheds if s.at_s is not None and s.at_s >= lost_s]
    if late:
        result = _saying(result, reason(Code.REMEDY_SHED_TOO_LATE, groups=tuple(late), lost_s=lost_s))
    order = shed_order([g for g in own if g.id not in {s.group for s in kept}], tight_line(task))

    def with_shed(count: int, at_s: float) -> Scenario:
        return replace(scenario, sheds=(*kept, *(PlannedShed(g.id, at_s) for g in order[:count])))

    def carried(count: int, at_s: float) -> bool:
        return play(with_shed(count, at_s)).verdict is Verdict.ADEQUATE

    for count in range(1, len(order) + 1):
        if all_shed_s(task.asked, with_shed(count, 0.0), groups) is not None:
            return _saying(result, reason(Code.REMEDY_EVERYTHING))
        if carried(count, 0.0):
            chosen = order[:count]
            by_s = latest(partial(carried, count), 0.0, lost_s)
            watts = sum(group_load(g, task.asked).total_w for g in chosen)
            remedy = Remedy(tuple(g.id for g in chosen), by_s, watts)
            return replace(_saying(result, _shed(remedy)), remedy=remedy)
    return _saying(result, reason(Code.REMEDY_NOT_ENOUGH))


def _shed(remedy: Remedy) -> Reason:
    return reason(Code.REMEDY_SHED, groups=remedy.groups, power_w=remedy.power_w, by_s=remedy.shed_by_s)


def _saying(result: Ridethrough, more: Reason) -> Ridethrough:
    return replace(result, because=(*result.because, more))
