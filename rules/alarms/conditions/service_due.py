"""What the programme says of work that comes round: each kind on each thing, due or not."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from rules.alarms.conditions.condition import Condition
from rules.alarms.lifecycle.course import Observation
from rules.planning.programme.service_due import WorkDue


def work_conditions(work: Iterable[WorkDue]) -> Iterator[Condition]:
    """Yield the condition of every kind of work that has an alarm of its own."""
    for item in work:
        yield Condition(item.alarm, item.about, Observation(item.why is not None, item.why))
