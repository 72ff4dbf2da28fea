"""One condition as just seen, and whether it was there before."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rules.alarms.lifecycle.alarm import Alarm
from rules.alarms.lifecycle.course import Observation

Was = Callable[[str, str], bool]
"""Whether a condition (kind, qualifier) was last known to be present: for limits with a deadband."""

Known = Callable[[str, str], Alarm | None]
"""The alarm that is remembered of a kind about a thing, if one is: only one that stands, or stood, explains another."""


@dataclass(frozen=True, slots=True)
class Condition:
    """One alarm's condition as just seen."""

    kind: str
    about: str
    seen: Observation
    qualifier: str = ""
