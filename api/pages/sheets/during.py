"""What to do while systems are on their banks: what belongs to the outage in order, the rest folded away, whom to call."""

from __future__ import annotations

from collections.abc import Sequence

from api.pages.alarms.alarm_list import wrong
from api.pages.hold_up.lanes import whom_to_call
from api.pages.hold_up.sentences import Judged
from api.pages.markup.elements import Element
from collector.read_model.outages.chores import parted
from collector.read_model.sheet import Sheet, ShownAlarm


def what_to_do(sheet: Sheet, lit: Sequence[Judged], alarms: Sequence[ShownAlarm]) -> list[Element]:
    """Return question 3 of systems on their banks, and whom to call; an alarm waits if it may for each of them."""
    waits = {alarm.id for alarm in alarms}
    for subject in lit:
        waits &= {alarm.id for alarm in parted(sheet, subject.state.id, alarms)[1]}
    mine = [alarm for alarm in alarms if alarm.id not in waits]
    waiting = [alarm for alarm in alarms if alarm.id in waits]
    parts = [wrong(sheet, mine, lit[0].clock, live=True, waiting=waiting)]
    parts += [call for subject in lit if (call := whom_to_call(sheet, subject)) is not None]
    return parts
