"""Times of planned work, in which what it explains is not told as an alarm."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from rules.alarms.catalogue import Explanation
from rules.values.reason import Reason, told


@dataclass(frozen=True, slots=True)
class Window:
    """Planned work, one occurrence of it: it explains one kind of thing at one place for a time."""

    id: str
    explains: Explanation
    about: str
    start: datetime
    end: datetime
    what: Reason | None = None

    @property
    def named(self) -> Reason:
        """Return what it is called: its id where nobody named it. An earlier version kept no name as an empty one."""
        return told(self.id) if self.what is None or self.what == told("") else self.what
