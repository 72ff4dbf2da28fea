"""Some units of a system on their banks, others fed: what overloads these once the banks end, and what relieves them."""

from __future__ import annotations

from collections.abc import Sequence

from rules.plant.estate import LoadGroup
from rules.system.observation import SystemObservation
from rules.system.outage.line_over import LineOver
from rules.system.parallel import UnitView
from rules.system.state import LineLoad, Relief, ShedStep, Standing


def fed_beside(seen: SystemObservation) -> tuple[UnitView, ...]:
    """Return the units of a system that are seen fed and carrying."""
    return tuple(
        v
        for v in seen.views
        if seen.parallel.standing_of(v.unit.id) is Standing.CARRYING and v.unit.id not in seen.parallel.idle
    )


def lines_over(seen: SystemObservation, fed: Sequence[UnitView]) -> tuple[LineOver, ...] | None:
    """Return each line that asks more than these units carry alone, by its worse limit; None where that is not known."""
    found: list[LineOver] = []
    for line in seen.parallel.load.lines:
        behind = [v for v in fed if line.line in v.unit.line_order[: v.unit.output_lines]]
        worst: LineOver | None = None
        for limit, asked, doubt, ratings in (
            ("w", line.power_w, line.doubt_w, [v.line_rating_w for v in behind]),
            ("va", line.apparent_va, line.doubt_va, [v.line_rating_va for v in behind]),
        ):
            if asked is None:
                return None
            over = asked + doubt - sum(rating or 0.0 for rating in ratings)
            if over > 0.0 and (worst is None or over > worst.over):
                worst = LineOver(line.line, over, limit)
        found += [worst] if worst is not None else []
    return tuple(found) if seen.parallel.load.lines else None


def _in_order(groups: Sequence[LoadGroup]) -> list[LoadGroup]:
    """Return groups in the order to shed them: the least important first, but none before what restarts after it."""
    left, order = sorted(groups, key=lambda g: (-g.importance, g.id)), list[LoadGroup]()
    while left:
        free = (g for g in left if not any(g.id in other.restart_after for other in left))
        order.append(next(free, left[0]))
        left.remove(order[-1])
    return order


def relief(over: Sequence[LineOver], groups: Sequence[LoadGroup], lines: Sequence[LineLoad]) -> Relief:
    """Return the load groups that take what is over off the lines, the least important first, and whether they suffice.

    A group's volt-amperes are taken to stand to its watts as those of its line do.
    """
    factor = {
        line.line: line.apparent_va / line.power_w if line.apparent_va and line.power_w else 1.0
        for line in lines
    }
    left = {one.line: one.over for one in over}
    limits = {one.line: one.limit for one in over}
    steps: list[ShedStep] = []
    for group in _in_order(groups):
        takes = {
            n: watts * (factor.get(n, 1.0) if limits[n] == "va" else 1.0)
            for n, watts in enumerate(group.watts, start=1)
            if watts > 0.0 and left.get(n, 0.0) > 0.0
        }
        if takes:
            steps.append(ShedStep(group.id, sum(group.watts), group.shed_by))
            left |= {n: left[n] - amount for n, amount in takes.items()}
    return Relief(tuple(over), tuple(steps), all(amount <= 0.0 for amount in left.values()))
