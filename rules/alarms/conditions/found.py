"""One condition as just seen, and whether it was there before."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rules.alarms.lifecycle import Observation

Was = Callable[[str, str], bool]
"""Whether a condition (kind, qualifier) was last known to be present: for limits with a deadband."""


@dataclass(frozen=True, slots=True)
class Found:
    """One alarm's condition as just seen."""

    kind: str
    about: str
    seen: Observation
    qualifier: str = ""
