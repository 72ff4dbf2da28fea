"""What may come out of the quick door: the collector carries it out, and keeps it in one transaction."""

from __future__ import annotations

from dataclasses import dataclass

from rules.alarms.events import PowerEvent
from rules.alarms.incidents.incident import IncidentChange
from rules.alarms.lifecycle.alarm import Happened
from rules.monitor.inputs import OperatorAction
from rules.values.reason import Reason


@dataclass(frozen=True, slots=True)
class PollNow:
    """Units to be read at once, since something happened beside them."""

    units: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RefusedCommand:
    """An operator's action that could not be done, and why."""

    action: OperatorAction
    why: Reason


Change = Happened | IncidentChange | PowerEvent | PollNow | RefusedCommand
