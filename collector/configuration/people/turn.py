"""One stretch of being on call, whatever says whose turn it is."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class OnCall:
    """One stretch in which one person is on call. `begins` and `ends` in UTC; `stands_in`: not their own turn."""

    rota: str
    person: str
    begins: datetime
    ends: datetime
    stands_in: bool = False
