"""What a signed shutdown explains: its stretches on the banks, at their hours, and nothing else.

A mains lost before its hour, or still lost after it, is no part of the plan and is told like any other.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from rules.alarms.catalogue import Explanation
from rules.alarms.windows import Window
from rules.planning.ridethrough.signed_plan import SignedPlan
from rules.values.code import Code
from rules.values.reason import reason


def windows(plan: SignedPlan, name: str) -> Iterator[Window]:
    """Yield the plan's stretches as planned work; `name` is the plan's own.

    Each is wider by the overrun that was signed for, before and after, since nobody switches to the second.
    In a stretch in which the plan has the generator isolated, nobody waits for the generator either.
    """
    slack = timedelta(seconds=plan.limits.overrun_s)
    isolated = [o.from_s for o in plan.scenario.outages if not o.generator]
    for number, stretch in enumerate(plan.stretches, start=1):
        start = plan.starts_at + timedelta(seconds=stretch.from_s) - slack
        end = plan.starts_at + timedelta(seconds=stretch.until_s) + slack
        of = len(plan.stretches)
        what = reason(Code.PLANNED_ON_BANKS, by=plan.signed_by, number=number, of=of)
        yield Window(f"plan-{name}-{number}", Explanation.MAINS_OFF, plan.system, start, end, what)
        if any(stretch.from_s <= from_s < stretch.until_s for from_s in isolated):
            what = reason(Code.PLANNED_SET_ISOLATED, by=plan.signed_by, number=number, of=of)
            yield Window(f"plan-{name}-{number}-set", Explanation.SET_ISOLATED, plan.system, start, end, what)
