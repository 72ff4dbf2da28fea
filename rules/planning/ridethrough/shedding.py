"""Which loads to drop, in which order, to reach a wanted hold-up.

Order: the least important first; among equals those that relieve the tight phase most. A group that
others need in order to restart goes after them, so nothing is kept running that could not start again.
Time gained is convex in what is shed and falls with every minute waited, so both are told. What is shed after
the load may be lost comes too late, and then it is said by when it would not. To shed everything is a shutdown in
order: nothing is left that could be held, and it reaches no hold-up.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from operator import itemgetter
from typing import Final

import numpy as np

from rules.battery.model.health import BankBelief
from rules.planning.ridethrough.play import NOTHING_LEFT, group_load
from rules.plant.estate import Generator, LoadGroup, Purpose, Unit
from rules.system.hold_up.play import LONGEST_S, BankStore, percentiles
from rules.system.hold_up.sampling import chance, drifts, sharings, shuffled
from rules.system.hold_up.sharing import BoardLoad
from rules.system.hold_up.sheds import Shed, play_with_sheds
from rules.system.hold_up.task import HoldUpTask
from rules.system.outage.on_battery import BY_HAND
from rules.system.requirements import after_start_s
from rules.system.state import RequirementVerdict, ShedFirst, ShedStep
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Basis

EARLY_S: Final = 120.0
"""When loads are shed unless said otherwise: two minutes after the loss, time for a person or a relay."""
WAIT_S: Final = 60.0
HALVINGS: Final = 7
"""How often the span in which the latest moment lies is halved: to some 1 % of what is held without shedding."""

NOT_CHECKED: Final = (reason(Code.NOT_CHECKED_GROUPS), reason(Code.NOT_CHECKED_PROCESS))


@dataclass(frozen=True, slots=True)
class ShedAdvice:
    """One step: what to drop and when, who does it, and the least hold-up with all steps so far.

    `hold_up_low_s`, `gained_s` None: with that step everything is shed, and nothing is left to hold.
    """

    group: str
    at_s: float
    power_w: float
    by: str | None
    hold_up_low_s: float | None
    gained_s: float | None


@dataclass(frozen=True, slots=True)
class SheddingPlan:
    """The order in which to shed. `reached`: whether it holds for what is wanted as asked; None: nothing can be told.

    `waiting_costs_s`: hold-up lost for each minute that the first step waits longer. `shed_by_s`: the latest moment
    at which the steps still give what is wanted; where they never do, when the load may be lost without them.
    `too_late`: the moment that was asked comes after the load may be lost; the steps are then those of `shed_by_s`.
    `all_shed`: the last step leaves nothing to hold: a shutdown in order. `order`: every group in the order to shed them,
    known also where nothing can be told of what it gives.
    """

    system: str
    wanted_s: float
    units_out: tuple[str, ...]
    without_s: float | None
    steps: tuple[ShedAdvice, ...]
    reached: bool | None
    waiting_costs_s: float | None
    because: tuple[Reason, ...]
    not_checked: tuple[Reason, ...] = NOT_CHECKED
    safety: tuple[Reason, ...] = (reason(Code.ADVICE_ONLY),)
    shed_by_s: float | None = None
    too_late: bool = False
    all_shed: bool = False
    order: tuple[ShedStep, ...] = ()

    @property
    def held_s(self) -> float | None:
        """Return the least hold-up with the steps shed that leave something to hold."""
        return next(
            (s.hold_up_low_s for s in reversed(self.steps) if s.hold_up_low_s is not None), self.without_s
        )


UNSAID_S: Final = 3600.0
"""How long a system on its banks should hold where nobody declared for what: somebody can be reached in an hour."""
UNTIL: Final = frozenset((Purpose.ORDERLY_SHUTDOWN, Purpose.PLANNED))
"""What may still be wanted of a system on its banks. Its automatic start comes by itself or does not."""


def wanted_now(
    needs: Sequence[RequirementVerdict],
    generator: Generator | None,
    units: Sequence[Unit],
    *,
    runs: bool = False,
) -> tuple[float, Reason]:
    """Return how long a system on its banks should hold from this moment, s, and for what.

    `runs`: the site said that the generator runs, so that nobody is on the way to start it by hand.
    A person at the generator needs the way there and then the run-up and walk-in; all else as it is declared. The
    longest counts: what is shed can be switched on again, what is dropped is down.
    """
    found = [
        (need.required_s, reason(Code.WANTED_PURPOSE, purpose=need.purpose))
        for need in needs
        if need.purpose in UNTIL and need.required_s
    ]
    if generator is not None and generator.hand_start_s is not None and not runs:
        found.append((generator.hand_start_s + after_start_s(generator, units), BY_HAND))
    return max(found, key=itemgetter(0), default=(UNSAID_S, reason(Code.WANTED_HOUR)))


def shed_first(
    plan: SheddingPlan, as_of: datetime, wanted_for: Reason, of_s: float | None = None
) -> ShedFirst:
    """Return a plan that sheds at once as people are told of it during an outage; `of_s`: all that was wanted, of which that is left."""
    held_s = None if plan.all_shed else plan.held_s
    by_s = plan.shed_by_s if plan.steps else None
    return ShedFirst(
        as_of=as_of,
        wanted_s=plan.wanted_s,
        wanted_for=wanted_for,
        steps=tuple(ShedStep(step.group, step.power_w, step.by) for step in plan.steps),
        ends_earliest=None if held_s is None else as_of + timedelta(seconds=held_s),
        reached=plan.reached,
        shed_by=None if by_s is None else as_of + timedelta(seconds=by_s),
        all_shed=plan.all_shed,
        order=plan.order,
        of_s=of_s,
        without_ends=None if plan.without_s is None else as_of + timedelta(seconds=plan.without_s),
    )


MOVED_S: Final = 15.0
MOVED_SHARE: Final = 0.1


def outdated(shed: ShedFirst, ends: datetime | None, at: datetime) -> bool:
    """Return whether advice no longer fits what is known at `at` of the end without shedding, and is to be made anew.

    The end is judged at every reading of a discharge, and moves most in its first minutes.
    """
    if ends is None:
        return False
    if shed.reached is None or shed.without_ends is None:
        return True
    left_s = (ends - at).total_seconds()
    if not shed.steps and shed.reached and ends < shed.until:
        return True
    if shed.steps and shed.reached and shed.shed_by is not None and at > shed.shed_by:
        return True  # nobody shed them, as far as is known: there may be more that still helps
    return abs((ends - shed.without_ends).total_seconds()) > max(MOVED_S, MOVED_SHARE * left_s)


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
    least: int = 0,
) -> SheddingPlan:
    """Return the fewest steps, in the agreed order, after which the load left holds for `wanted_s`; at least so many."""
    out = tuple(sorted(units_out))
    order = shed_order(groups, tight_line(task))
    agreed = tuple(ShedStep(group.id, sum(group.watts), group.shed_by) for group in order)
    known = all(
        b.id in beliefs and beliefs[b.id].basis is not Basis.NONE and beliefs[b.id].low_end_told
        for b in task.banks
    )
    if task.missing or not task.units or not known:
        because = task.missing or (reason(Code.PLAN_BANKS_NOT_KNOWN),)
        if agreed:
            groups_agreed = tuple(step.group for step in agreed)
            because = (*because, reason(Code.PLAN_AGREED_ORDER, groups=groups_agreed))
        return SheddingPlan(task.system, wanted_s, out, None, (), None, None, because, order=agreed)
    stores: dict[str, BankStore] = {
        b.id: shuffled(beliefs[b.id], chance(seed, f"bank {b.id}"), draws) for b in task.banks
    }
    drift = np.exp(drifts(seed, draws))
    spread = {b.id: drift * np.exp(sharings(seed, task, b.id, draws)) for b in task.banks}

    def low_s(shed: Sequence[LoadGroup], when_s: float) -> float:
        drops = [Shed(g.id, group_load(g, task.asked), at_s=when_s) for g in shed]
        played = play_with_sheds(
            task.units, task.banks, stores, task.asked, drops, lost=units_out, spread=spread, drift=drift
        ).played
        return percentiles(played.seconds)[0]

    without_s = low_s((), at_s)
    too_late = at_s >= without_s and without_s < wanted_s and bool(order)
    steps, all_shed = _steps(
        task.asked, order, wanted_s, (without_s, 0.0 if too_late else at_s, least), low_s
    )
    gone = order[: len(steps)]
    reached = not all_shed and (_held(steps) or without_s) >= wanted_s
    by_s = None
    if steps:
        by_s = (
            latest(lambda s: low_s(gone, s) >= wanted_s, at_s, without_s)
            if reached and not too_late
            else without_s
        )
    if too_late:
        by_s = latest(lambda s: low_s(gone, s) >= wanted_s, 0.0, without_s) if reached else without_s
        steps, _ = _steps(task.asked, gone, LONGEST_S + 1.0, (without_s, by_s, 0), low_s)
    when_s = at_s if by_s is None or not too_late else by_s
    costs_s = low_s(gone, when_s) - low_s(gone, when_s + WAIT_S) if steps and not all_shed else None
    plan = SheddingPlan(
        system=task.system,
        wanted_s=wanted_s,
        units_out=out,
        without_s=without_s,
        steps=tuple(steps),
        reached=reached and not too_late,
        waiting_costs_s=costs_s,
        because=(),
        shed_by_s=by_s,
        too_late=too_late,
        all_shed=all_shed,
        order=agreed,
    )
    return replace(plan, because=tuple(_reasons(plan, task.asked, at_s, reached=reached)))


def _held(steps: Sequence[ShedAdvice]) -> float | None:
    return steps[-1].hold_up_low_s if steps else None


def _steps(
    asked: BoardLoad,
    order: Sequence[LoadGroup],
    wanted_s: float,
    from_s: tuple[float, float, int],
    low_s: Callable[[Sequence[LoadGroup], float], float],
) -> tuple[list[ShedAdvice], bool]:
    """Return the fewest steps to what is wanted, and whether the last of them leaves nothing to hold.

    `from_s`: the hold-up without any, when they are shed, and how many there are at the least.
    """
    held_s, at_s, least = from_s
    steps: list[ShedAdvice] = []
    for count, group in enumerate(order, start=1):
        if held_s >= wanted_s and count > least:
            break
        load = group_load(group, asked)
        left = asked
        for gone in order[:count]:
            left = left.plus(group_load(gone, asked).times(-1.0))
        if sum(max(w, 0.0) for w in left.power_w.values()) <= NOTHING_LEFT * asked.total_w:
            return [*steps, ShedAdvice(group.id, at_s, load.total_w, group.shed_by, None, None)], True
        now_s = low_s(order[:count], at_s)
        steps.append(ShedAdvice(group.id, at_s, load.total_w, group.shed_by, now_s, now_s - held_s))
        held_s = now_s
    return steps, False


def latest(enough: Callable[[float], bool], good_s: float, bad_s: float) -> float:
    """Return the latest moment from `good_s` on, where it is enough, to `bad_s` at which it still is, whole s down."""
    if good_s >= bad_s or enough(bad_s):
        return max(bad_s, good_s)
    for _ in range(HALVINGS):
        middle = 0.5 * (good_s + bad_s)
        good_s, bad_s = (middle, bad_s) if enough(middle) else (good_s, middle)
    return max(float(int(good_s)), 0.0)


def _reasons(plan: SheddingPlan, asked: BoardLoad, at_s: float, *, reached: bool) -> list[Reason]:
    """Return what is said of a plan; `reached`: whether its steps, shed in time, give what is wanted."""
    without_s, wanted_s = plan.without_s or 0.0, plan.wanted_s
    if without_s >= wanted_s:
        return [reason(Code.PLAN_NOTHING_TO_SHED, holds_s=without_s, most_s=LONGEST_S)]
    found = [reason(Code.PLAN_WITHOUT_SHEDDING, holds_s=without_s, wanted_s=wanted_s)]
    if not plan.steps:
        return [*found, reason(Code.PLAN_NO_GROUP)]
    by_s = plan.shed_by_s or 0.0
    if plan.too_late:
        found.append(reason(Code.PLAN_TOO_LATE, at_s=at_s, by_s=by_s, reached=reached))
    found += _everything(plan) if plan.all_shed else _gives(plan, asked, by_s, reached=reached)
    if plan.waiting_costs_s is not None and plan.waiting_costs_s >= 1.0:
        found.append(reason(Code.PLAN_WAITING_COSTS, costs_s=plan.waiting_costs_s))
    by_hand = tuple(step.group for step in plan.steps if step.by is None)
    if by_hand:
        found.append(reason(Code.PLAN_NOBODY_SHEDS, groups=by_hand))
    return found


def _everything(plan: SheddingPlan) -> Iterator[Reason]:
    held = [step for step in plan.steps if step.hold_up_low_s is not None]
    if held:
        groups, holds_s = tuple(s.group for s in held), held[-1].hold_up_low_s or 0.0
        yield reason(Code.PLAN_STEPS_GIVE, groups=groups, holds_s=holds_s, most_s=LONGEST_S)
    yield reason(Code.PLAN_EVERYTHING, by_s=plan.without_s or 0.0)


def _gives(plan: SheddingPlan, asked: BoardLoad, by_s: float, *, reached: bool) -> Iterator[Reason]:
    held_s, dropped_w = plan.held_s or 0.0, sum(step.power_w for step in plan.steps)
    part = min(dropped_w / asked.total_w, 1.0) if asked.total_w else 0.0
    yield reason(Code.PLAN_GIVES, power_w=dropped_w, part=part, holds_s=held_s, most_s=LONGEST_S)
    if not reached:
        yield reason(Code.PLAN_STILL_SHORT, short_s=plan.wanted_s - held_s)
    elif not plan.too_late and by_s >= 1.0:
        yield reason(Code.PLAN_SHED_BY, by_s=by_s)
