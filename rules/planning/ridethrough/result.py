"""What a scenario came to for one system: the verdict with its margin, the time line, what was not checked."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from rules.system.state import HoldUp
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Verdict

NOT_CHECKED: Final = (
    reason(Code.NOT_CHECKED_SET),
    reason(Code.NOT_CHECKED_CHANGEOVER),
    reason(Code.NOT_CHECKED_COOLING),
    reason(Code.NOT_CHECKED_SINGLE_BLOCKS),
)


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that happens: when (5th, 50th, 95th percentile), to what, and in what share of draws."""

    what: Reason
    about: str
    low_s: float
    median_s: float
    high_s: float
    share: float = 1.0


@dataclass(frozen=True, slots=True)
class PlayedSpan:
    """What a system or a unit does between two moments, in the median course."""

    about: str
    state: str
    from_s: float
    until_s: float


class PlayedLoadBasis(StrEnum):
    """Where the load that was played comes from."""

    NOW = "now"
    RECORD = "record"


@dataclass(frozen=True, slots=True)
class PlayedLoad:
    """The load that was played at the first stretch on the banks, W, before anything is shed or added.

    `low_w` and `high_w`: its 90 % interval where it comes from the record of the planned hour.
    """

    basis: PlayedLoadBasis
    power_w: float
    low_w: float | None = None
    high_w: float | None = None


@dataclass(frozen=True, slots=True)
class Remedy:
    """Load groups that, shed by `shed_by_s` after the start at the latest, let a scenario be carried; `power_w` of all."""

    groups: tuple[str, ...]
    shed_by_s: float
    power_w: float


@dataclass(frozen=True, slots=True)
class Ridethrough:
    """A scenario played out for one system.

    `hold_up`: time from the scenario's start to the loss of the load, None seconds where it is carried
    in that percentile. `margin_s`: what is left at the tightest moment, at the 5th percentile; negative
    where it is not carried; None where there is no end to reach or nothing can be told. `remedy`: what would carry
    a scenario that is not; None where nothing declared would, or nothing need.
    """

    system: str
    verdict: Verdict
    because: tuple[Reason, ...]
    carried_share: float | None
    margin_s: float | None
    hold_up: HoldUp | None
    happenings: tuple[Happening, ...]
    timeline: tuple[PlayedSpan, ...]
    assumptions: tuple[Reason, ...]
    not_checked: tuple[Reason, ...] = NOT_CHECKED
    safety: tuple[Reason, ...] = (reason(Code.SAFETY), reason(Code.ADVICE_ONLY))
    load: PlayedLoad | None = None
    remedy: Remedy | None = None


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """Return what is said of several systems together: inadequate where one is, else cannot tell where one cannot."""
    found = set(verdicts)
    order = (Verdict.INADEQUATE, Verdict.CANNOT_TELL)
    return next((v for v in order if v in found), Verdict.ADEQUATE if found else Verdict.CANNOT_TELL)


def untold(system: str, why: Reason) -> Ridethrough:
    """Return the answer for a system of which nothing can be played, and why."""
    return Ridethrough(system, Verdict.CANNOT_TELL, (why,), None, None, None, (), (), ())
