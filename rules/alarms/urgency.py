"""What is to be done first: of the alarms that stand, the one whose response helps for the shortest time."""

from __future__ import annotations

from bisect import bisect_left
from datetime import UTC, datetime
from typing import Final

from rules.alarms.catalogue import AlarmKind
from rules.alarms.lifecycle.alarm import Alarm

HELPS_FOR_S: Final = (900.0, 3600.0, 4 * 3600.0)
"""Steps of the time in which a response helps: whoever stands there acts at once, within the hour, within the shift.

Our own. What helps for longer is of one step, and the graver comes first: a deadline of a day or a week says when to have
it done, not what to begin with tonight.
"""
_UNDATED: Final = datetime.max.replace(tzinfo=UTC)


def urgency(alarm: Alarm, kind: AlarmKind | None) -> tuple[int, int, bool, datetime, str]:
    """Return the key that sorts what is to be done first to the front.

    First how long the response helps, in steps (`HELPS_FOR_S`; of a kind that nobody knows, longest), then the severity, then
    by when it is due: a shortfall that stands for weeks is graver than a card that fell silent, and waits until the morning.
    Within a step the graver is first, since minutes more or less of two deadlines say less than what is lost by them.
    """
    step = len(HELPS_FOR_S) if kind is None else bisect_left(HELPS_FOR_S, kind.respond_s)
    due = alarm.by_when or alarm.since or _UNDATED
    return step, -alarm.severity.rank, alarm.by_when is None, due, alarm.id
