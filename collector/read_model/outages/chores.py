"""What belongs to an outage, and what stood before it and may wait until it is over."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Final

from collector.read_model.sheet import Sheet, ShownAlarm
from rules.alarms.catalogue import CATALOGUE, Cause
from rules.values.severity import Severity

BEFORE: Final = timedelta(seconds=90)
"""An alarm that came this shortly before the banks took over is taken for a part of it."""
LESSER: Final = frozenset({Severity.WARNING.value, Severity.MINOR.value})


def parted(
    sheet: Sheet, system: str, alarms: Sequence[ShownAlarm]
) -> tuple[list[ShownAlarm], list[ShownAlarm]]:
    """Return the alarms that belong to a system's outage, and those that may wait until it is over, each in the order given.

    What comes of a lost supply, or began with it, belongs to it. What is a matter of planning waits, and what stood before
    and is no more than minor; anything graver does not, whatever it came of.
    """
    state = sheet.system(system)
    on = None if state is None else state.on_battery
    if on is None:
        return list(alarms), []
    mine: list[ShownAlarm] = []
    waiting: list[ShownAlarm] = []
    for alarm in alarms:
        kind = CATALOGUE.get(alarm.id.partition(":")[0])
        older = alarm.since is None or alarm.since < on.since - BEFORE
        of_it = kind is not None and kind.cause is Cause.POWER
        planned = kind is not None and kind.planning
        waits = older and not of_it and (planned or alarm.severity in LESSER)
        (waiting if waits else mine).append(alarm)
    return mine, waiting
