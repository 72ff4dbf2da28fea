"""Times of planned work, in which what it explains is not told as an alarm."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from rules.alarms.catalogue import Explanation
from rules.values.reason import Reason


@dataclass(frozen=True, slots=True)
class Window:
    """Planned work, one occurrence of it: it explains one kind of thing at one place for a time."""

    id: str
    explains: Explanation
    about: str
    start: datetime
    end: datetime
    what: Reason | None = None
