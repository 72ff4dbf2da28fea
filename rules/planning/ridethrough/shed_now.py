"""What to shed of a system on its banks, as people are told of it while it lasts: no deadline that jumps, none that nobody can meet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from rules.battery.model.health import BankBelief
from rules.planning.ridethrough.shedding import SheddingPlan, shedding_plan
from rules.plant.estate import LoadGroup
from rules.system.hold_up.task import HoldUpTask

TO_ACT_S: Final = 120.0
"""A step more is advised where the fewest would have to go within this time: somebody reads it, walks and switches. A choice."""
EASED_S: Final = 300.0
"""Fewer steps than were advised are only told where they may wait for so long: else the next look takes them back. A choice."""
ANEW_FROM: Final = 0.5
"""When this part of what is wanted is left, what is wanted counts from that moment anew: nothing has come meanwhile. A choice."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """Until when a system on its banks should hold: `of_s` from when it was asked, to `until_s` by the clock of who asks.

    It stays while the outage goes on: a moment that moved on with every look would move the last one to shed by several seconds
    a second. Half the time before it, it is asked anew.
    """

    of_s: float
    until_s: float

    @classmethod
    def begun(cls, of_s: float, since_s: float, now_s: float) -> Wanted:
        """Return what is wanted of an outage that began at `since_s`, as it is at `now_s`."""
        first = cls(of_s, since_s + of_s)
        return first.at(of_s, now_s)

    def at(self, of_s: float, now_s: float) -> Wanted:
        """Return what is wanted now: the same, or anew where it is nearly over or another time is asked."""
        stays = of_s == self.of_s and self.until_s - now_s >= ANEW_FROM * of_s
        return self if stays else Wanted(of_s, now_s + of_s)


def plan_now(  # noqa: PLR0917 - what the process is handed
    task: HoldUpTask,
    beliefs: Mapping[str, BankBelief],
    groups: Sequence[LoadGroup],
    wanted_s: float,
    before: int,
    seed: int,
) -> SheddingPlan:
    """Return the fewest steps that people can still take in time; no fewer than `before` where that would be told for a moment."""
    plan = shedding_plan(task, beliefs, groups, wanted_s, at_s=0.0, seed=seed)
    while plan.steps and plan.reached and len(plan.steps) < len(groups):
        by_s, steps = plan.shed_by_s or 0.0, len(plan.steps)
        least = max(before if by_s < EASED_S else 0, steps + 1 if by_s < TO_ACT_S else 0)
        if least <= steps:
            return plan
        more = shedding_plan(
            task, beliefs, groups, wanted_s, at_s=0.0, seed=seed, least=min(least, len(groups))
        )
        if not more.reached or len(more.steps) <= steps:
            return plan
        plan = more
    return plan
