"""What may come in through the quick door beside samples: time, judgements, people, planned work."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from rules.alarms.conditions.generators import SetFigures
from rules.alarms.conditions.service import ServiceFigures
from rules.alarms.conditions.shutdown import ShutdownFigures
from rules.alarms.windows import Window
from rules.battery.state import BankState
from rules.planning.programme.service_due import WorkDue
from rules.plant.reading import Fault, Reading, Silence, Stamp
from rules.plant.unread import OldReading
from rules.system.state import SystemState


@dataclass(frozen=True, slots=True)
class Tick:
    """Time passed. About once a second."""

    stamp: Stamp


@dataclass(frozen=True, slots=True)
class SystemJudged:
    """A judgement of a system, as `rules.system.assessment` makes it."""

    stamp: Stamp
    state: SystemState


@dataclass(frozen=True, slots=True)
class BankJudged:
    """A judgement of a bank."""

    stamp: Stamp
    state: BankState


@dataclass(frozen=True, slots=True)
class ServiceLooked:
    """The service's own figures."""

    stamp: Stamp
    figures: ServiceFigures


@dataclass(frozen=True, slots=True)
class ShutdownLooked:
    """How the signed shutdown of a system stands; with empty figures, that there is none."""

    stamp: Stamp
    figures: ShutdownFigures


@dataclass(frozen=True, slots=True)
class SetsLooked:
    """How the standby sets stand with their tests, and whether the site's word on them comes in."""

    stamp: Stamp
    figures: SetFigures


@dataclass(frozen=True, slots=True)
class ReadingsLooked:
    """Which units' last readings are too old, and which units' are so no more."""

    stamp: Stamp
    old: tuple[OldReading, ...]
    fresh: tuple[str, ...] = ()


Judged = SystemJudged | BankJudged | ServiceLooked | ShutdownLooked | SetsLooked | ReadingsLooked
"""What somebody has judged of the plant or of the service before the watch sees it."""


class OperatorCommand(StrEnum):
    """What an operator may do with an alarm."""

    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    TAKE_OUT_OF_SERVICE = "take_out_of_service"
    RETURN_TO_SERVICE = "return_to_service"
    RESET = "reset"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class OperatorAction:
    """What somebody did with an alarm (or, to acknowledge, with a whole incident), and why.

    `until` is needed to shelve.
    """

    stamp: Stamp
    deed: OperatorCommand
    alarm: str
    who: str
    why: str = ""
    until: datetime | None = None


@dataclass(frozen=True, slots=True)
class PlannedWork:
    """All planned work that is not over yet, replacing what was planned before."""

    stamp: Stamp
    windows: tuple[Window, ...]


@dataclass(frozen=True, slots=True)
class WorkLooked:
    """Every kind of work that comes round, due or not."""

    stamp: Stamp
    work: tuple[WorkDue, ...]


@dataclass(frozen=True, slots=True)
class EquipmentDeclared:
    """Somebody declared that the equipment of a unit was changed: what answers now is right."""

    stamp: Stamp
    unit: str


Input = (
    Reading | Silence | Fault | Tick | Judged | OperatorAction | PlannedWork | WorkLooked | EquipmentDeclared
)
