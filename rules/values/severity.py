"""How much is at stake, in the words of ITU-T X.733."""

from __future__ import annotations

from enum import StrEnum
from typing import Final


class Severity(StrEnum):
    """Perceived severity, ITU-T X.733."""

    WARNING = "warning"
    MINOR = "minor"
    MAJOR = "major"
    CRITICAL = "critical"

    @property
    def rank(self) -> int:
        """Return 0 (warning) to 3 (critical)."""
        return _RANK[self]


_RANK: Final = {Severity.WARNING: 0, Severity.MINOR: 1, Severity.MAJOR: 2, Severity.CRITICAL: 3}
