"""A scenario played for every system of the estate, one after the other, while whoever asked looks on.

At most `WAITING` questions wait or run; the next one is refused rather than kept. Answers stand for a while
and are then forgotten: nothing of this is kept over a stop.
"""

from __future__ import annotations

import asyncio
import logging
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from secrets import token_hex
from typing import Final

from collector.assessment.worker import JudgementFailed
from collector.planning.planner import Busy, NotYet, Planner
from collector.process.clock import Clock
from rules.planning.ridethrough.result import Ridethrough, untold, worst
from rules.planning.ridethrough.scenario import Scenario, own_part, refuse_unknown
from rules.plant.estate import Estate
from rules.values.reason import told
from rules.values.verdict import Verdict

WAITING: Final = 2
KEPT: Final = 8
"""Answers that stand beside those under way; the oldest goes first."""
AGAIN_S: Final = 1.0
_log: Final = logging.getLogger(__name__)


class EstateStage(StrEnum):
    """How far a question is."""

    WAITING = "waiting"
    PLAYING = "playing"
    DONE = "done"


@dataclass(frozen=True, slots=True)
class EstateRide:
    """One question: what was asked, and the systems that were answered so far, in the order of the estate file."""

    id: str
    asked_at: datetime
    scenario: Scenario
    starts_at: datetime | None
    of: int
    stage: EstateStage = EstateStage.WAITING
    results: tuple[Ridethrough, ...] = ()

    @property
    def verdict(self) -> Verdict | None:
        """Return what is said of all systems together; None until all are answered."""
        return worst(r.verdict for r in self.results) if self.stage is EstateStage.DONE else None


class EstateRides:
    """The questions about the whole estate."""

    def __init__(self, estate: Estate, planner: Planner, clock: Clock) -> None:
        self._estate = estate
        self._planner = planner
        self._clock = clock
        self._rides: OrderedDict[str, EstateRide] = OrderedDict()
        self._asked = asyncio.Event()

    @property
    def rides(self) -> Mapping[str, EstateRide]:
        """Return the questions that are known, by id, the oldest first."""
        return self._rides

    def ask(self, scenario: Scenario, starts_at: datetime | None = None) -> EstateRide:
        """Take a question. Raises Busy, and ValueError for units or groups that the estate does not have."""
        refuse_unknown(scenario, set(self._estate.units), set(self._estate.load_groups))
        open_ = [ride for ride in self._rides.values() if ride.stage is not EstateStage.DONE]
        if len(open_) >= WAITING:
            raise Busy
        ride = EstateRide(token_hex(8), self._clock.now(), scenario, starts_at, len(self._estate.systems))
        self._rides[ride.id] = ride
        for old in [r.id for r in self._rides.values() if r.stage is EstateStage.DONE][: -KEPT or None]:
            del self._rides[old]
        self._asked.set()
        return ride

    async def run(self) -> None:
        """Play what is asked until cancelled."""
        while True:
            await self._asked.wait()
            self._asked.clear()
            while waiting := [r for r in self._rides.values() if r.stage is not EstateStage.DONE]:
                await self.play(waiting[0].id)

    async def play(self, ride: str) -> None:
        """Play one question, system by system."""
        self._rides[ride] = replace(self._rides[ride], stage=EstateStage.PLAYING)
        for system in self._estate.systems:
            result = await self._one(system, self._rides[ride])
            self._rides[ride] = replace(self._rides[ride], results=(*self._rides[ride].results, result))
        self._rides[ride] = replace(self._rides[ride], stage=EstateStage.DONE)

    async def _one(self, system: str, ride: EstateRide) -> Ridethrough:
        units = {unit.id for unit in self._estate.units_of(system)}
        own = own_part(ride.scenario, system, units, self._estate.load_groups)
        while True:
            try:
                return await self._planner.ridethrough(system, own, ride.starts_at)
            except Busy:
                await self._clock.sleep_until(self._clock.monotonic_s() + AGAIN_S)
            except NotYet:
                return untold(system, told("The system has not been read since the start."))
            except JudgementFailed as error:
                _log.error("a scenario for %s: %s", system, error)
                return untold(system, told("It could not be played: a fault in ridethrough."))
            except ValueError as error:  # a unit that is named is not in service
                return untold(system, told(f"{error}."))
