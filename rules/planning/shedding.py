"""Which loads to drop, in which order, to reach a wanted hold-up.

Order: the least important first; among equals those that relieve the tight phase most. A group that
others need in order to restart goes after them, so nothing is kept running that could not start again.
Time gained is convex in what is shed and falls with every minute waited, so both are told.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from rules.autonomy import DRIFT_SD, SHARING_SD, HoldUpTask, shuffled
from rules.battery.belief import BankBelief
from rules.estate import Generator, LoadGroup, Purpose, Unit
from rules.hold_up import Asked, Shed, Store, percentiles, play_with_sheds
from rules.planning.ridethrough import group_load
from rules.planning.safety import ADVICE_ONLY
from rules.requirements import after_start_s, minutes
from rules.verdicts import Basis, RequirementVerdict, ShedFirst, ShedStep

EARLY_S: Final = 120.0
"""When loads are shed unless said otherwise: two minutes after the loss, time for a person or a relay."""
WAIT_S: Final = 60.0

NOT_CHECKED: Final = (
    "whether each group is really fed by this system and takes what is declared",
    "what the process needs: a load called unimportant may be needed to stop another safely",
)


@dataclass(frozen=True, slots=True)
class ShedAdvice:
    """One step: what to drop and when, who does it, and the least hold-up with all steps so far."""

    group: str
    at_s: float
    power_w: float
    by: str | None
    hold_up_low_s: float
    gained_s: float


@dataclass(frozen=True, slots=True)
class SheddingPlan:
    """The order in which to shed. `reached` None: nothing can be told.

    `waiting_costs_s`: hold-up lost for each minute that the first step waits longer.
    """

    system: str
    wanted_s: float
    units_out: tuple[str, ...]
    without_s: float | None
    steps: tuple[ShedAdvice, ...]
    reached: bool | None
    waiting_costs_s: float | None
    because: tuple[str, ...]
    not_checked: tuple[str, ...] = NOT_CHECKED
    safety: tuple[str, ...] = (ADVICE_ONLY,)


UNSAID_S: Final = 3600.0
"""How long a system on its banks should hold where nobody declared for what: somebody can be reached in an hour."""
BY_HAND: Final = "a start by hand"
UNTIL: Final[Mapping[Purpose, str]] = {
    Purpose.ORDERLY_SHUTDOWN: "an orderly shutdown",
    Purpose.PLANNED: "the planned work",
}
"""What may still be wanted of a system on its banks. Its automatic start comes by itself or does not."""


def wanted_now(
    needs: Sequence[RequirementVerdict], generator: Generator | None, units: Sequence[Unit]
) -> tuple[float, str]:
    """Return how long a system on its banks should hold from this moment, s, and for what.

    A person at the set needs the way there and then the run-up and walk-in; all else as it is declared. The
    longest counts: what is shed can be switched on again, what is dropped is down.
    """
    found = [
        (need.required_s, UNTIL[need.purpose]) for need in needs if need.purpose in UNTIL and need.required_s
    ]
    if generator is not None and generator.hand_start_s is not None:
        found.append((generator.hand_start_s + after_start_s(generator, units), BY_HAND))
    return max(found, default=(UNSAID_S, "an hour, since no need is declared"))


def shed_first(plan: SheddingPlan, as_of: datetime, wanted_for: str) -> ShedFirst:
    """Return a plan that sheds at once as people are told of it during an outage."""
    held_s = plan.steps[-1].hold_up_low_s if plan.steps else plan.without_s
    return ShedFirst(
        as_of=as_of,
        wanted_s=plan.wanted_s,
        wanted_for=wanted_for,
        steps=tuple(ShedStep(step.group, step.power_w, step.by) for step in plan.steps),
        ends_earliest=None if held_s is None else as_of + timedelta(seconds=held_s),
        reached=plan.reached,
    )


def tight_line(task: HoldUpTask) -> int | None:
    """Return the board line that asks most of its rating."""
    if not task.asked.power_w:
        return None
    return max(task.asked.power_w, key=lambda line: (task.asked.power_w[line], -line))


def shed_order(groups: Sequence[LoadGroup], line: int | None) -> tuple[LoadGroup, ...]:
    """Return groups in the order to shed them.

    A group waits until every group that restarts after it has gone; circles are cut at the least important.
    """
    left = {group.id: group for group in groups}
    order: list[LoadGroup] = []

    def first(group: LoadGroup) -> tuple[float, float, float, str]:
        relief = group.watts[line - 1] if line is not None and line <= len(group.watts) else 0.0
        return (-group.importance, -relief, -sum(group.watts), group.id)

    while left:
        free = [g for g in left.values() if not any(g.id in other.restart_after for other in left.values())]
        chosen = min(free or left.values(), key=first)
        order.append(chosen)
        del left[chosen.id]
    return tuple(order)


def shedding_plan(
    task: HoldUpTask,
    beliefs: Mapping[str, BankBelief],
    groups: Sequence[LoadGroup],
    wanted_s: float,
    *,
    units_out: frozenset[str] = frozenset(),
    at_s: float = EARLY_S,
    seed: int = 0,
    draws: int = 1000,
) -> SheddingPlan:
    """Return the fewest steps, in the agreed order, after which the load left holds for `wanted_s`."""
    out = tuple(sorted(units_out))
    known = all(b.id in beliefs and beliefs[b.id].basis is not Basis.NONE for b in task.banks)
    if task.missing or not task.units or not known:
        because = task.missing or ("Too little is known of the banks to reckon what shedding gives.",)
        return SheddingPlan(task.system, wanted_s, out, None, (), None, None, because)
    rng = np.random.default_rng(seed)
    stores: dict[str, Store] = {b.id: shuffled(beliefs[b.id], rng, draws) for b in task.banks}
    drift = rng.normal(0.0, DRIFT_SD, draws)
    spread = {b.id: np.exp(drift + rng.normal(0.0, SHARING_SD, draws)) for b in task.banks}

    def low_s(shed: Sequence[LoadGroup], when_s: float) -> float:
        drops = [Shed(g.id, group_load(g, task.asked), at_s=when_s) for g in shed]
        played = play_with_sheds(
            task.units, task.banks, stores, task.asked, drops, lost=units_out, spread=spread
        ).played
        return percentiles(played.seconds)[0]

    without_s = reached_s = low_s((), at_s)
    order = shed_order(groups, tight_line(task))
    steps: list[ShedAdvice] = []
    for count, group in enumerate(order, start=1):
        if reached_s >= wanted_s:
            break
        now_s = low_s(order[:count], at_s)
        load = group_load(group, task.asked)
        steps.append(ShedAdvice(group.id, at_s, load.total_w, group.shed_by, now_s, now_s - reached_s))
        reached_s = now_s
    gone = order[: len(steps)]
    costs_s = low_s(gone, at_s) - low_s(gone, at_s + WAIT_S) if steps else None
    return SheddingPlan(
        system=task.system,
        wanted_s=wanted_s,
        units_out=out,
        without_s=without_s,
        steps=tuple(steps),
        reached=reached_s >= wanted_s,
        waiting_costs_s=costs_s,
        because=tuple(_sentences(task.asked, wanted_s, without_s, reached_s, steps, costs_s)),
    )


def _sentences(  # noqa: PLR0917 - the figures of one sentence each
    asked: Asked,
    wanted_s: float,
    without_s: float,
    reached_s: float,
    steps: Sequence[ShedAdvice],
    costs_s: float | None,
) -> list[str]:
    if without_s >= wanted_s:
        return [f"Nothing needs to be shed: it holds {minutes(without_s)} at the least."]
    found = [f"Without shedding it holds {minutes(without_s)} at the least; wanted are {minutes(wanted_s)}."]
    if not steps:
        return [*found, "No load group is declared that could be shed."]
    dropped_w = sum(step.power_w for step in steps)
    part = dropped_w / asked.total_w if asked.total_w else 0.0
    found.append(
        f"Shedding {dropped_w / 1e3:.1f} kW ({100 * part:.0f} % of the load) gives {minutes(reached_s)}."
    )
    if reached_s < wanted_s:
        found.append(f"That is still short by {minutes(wanted_s - reached_s)}.")
    if costs_s is not None and costs_s >= 1.0:
        found.append(f"Every minute of waiting costs about {costs_s:.0f} s of that.")
    by_hand = [step.group for step in steps if step.by is None]
    if by_hand:
        found.append(f"Nobody is declared to shed {', '.join(by_hand)} (shed_by): say who does.")
    return found
