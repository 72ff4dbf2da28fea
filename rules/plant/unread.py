"""Whose fault it is that the last reading of a unit is old, and what is said of it.

A unit is silent only where its card was asked in time and did not answer. Where ridethrough did not ask it, or has not
judged yet what it said, that is ridethrough's own lateness, and no word about the card.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from rules.values.code import Code
from rules.values.reason import Reason, reason


class Unread(StrEnum):
    """Why there is no newer reading of a unit."""

    NO_ANSWER = "no_answer"
    NOT_ASKED = "not_asked"
    NOT_JUDGED = "not_judged"
    CANNOT_BE_JUDGED = "cannot_be_judged"

    @property
    def ours(self) -> bool:
        """Return whether it is ridethrough that is late."""
        return self is not Unread.NO_ANSWER


@dataclass(frozen=True, slots=True)
class OldReading:
    """A unit whose last reading is older than it may be: by how much, in s, and why.

    `age_s` counts from the last reading, or from the start where there was none since.
    """

    unit: str
    age_s: float
    why: Unread


def unread_reason(unit: str, why: Unread, age_s: float | None) -> Reason:
    """Return what is said of a unit without a fresh reading; `age_s` None: there never was one."""
    return reason(Code.UNIT_UNREAD, unit, why=why, age_s=age_s)
