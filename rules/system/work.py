"""Work on a unit as it is followed: how far it has come, and what happened that it does not explain.

Field names and meanings are those of the HTTP interface.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from rules.values.reason import Reason


class WorkStage(StrEnum):
    """How far work on a unit has come, as seen from the cards."""

    BEFORE = "before"
    OUT = "out"
    BACK = "back"
    SHARING = "sharing"
    CHARGED = "charged"


class Unplanned(StrEnum):
    """What can happen during work that the work does not explain."""

    ON_BYPASS = "on_bypass"
    LEFT = "left"
    ON_BATTERY = "on_battery"
    NOT_HEARD = "not_heard"
    LOAD_FELL = "load_fell"


@dataclass(frozen=True, slots=True)
class Unexpected:
    """One thing that the work does not explain, about a unit (or the system), with the reason."""

    kind: Unplanned
    about: str
    because: Reason


@dataclass(frozen=True, slots=True)
class WorkStep:
    """When the work reached a stage."""

    stage: WorkStage
    at: datetime


@dataclass(frozen=True, slots=True)
class UnitWork:
    """Work on a unit, followed: who said that it began (`by`, empty where a window did), and in what words (`what`).

    `unexpected`: what the plan does not explain, most severe first. `overdue`: late, and it does not share again.
    """

    unit: str
    begun_at: datetime
    until: datetime
    by: str
    what: str
    stage: WorkStage
    because: Reason
    steps: tuple[WorkStep, ...] = ()
    unexpected: tuple[Unexpected, ...] = ()
    overdue: bool = False
