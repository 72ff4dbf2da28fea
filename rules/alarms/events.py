"""What happened to a supply, as it goes into the journal."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from rules.values.reason import Reason


@dataclass(frozen=True, slots=True)
class PowerEvent:
    """Something for the journal that needs nobody's action by itself."""

    at: datetime
    kind: str
    about: str
    what: Reason
    incident: str | None = None
