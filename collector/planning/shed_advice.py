"""While a system is on its banks: what to shed first, reckoned as the outage begins and now and then again.

One question at a time to the judging process, behind the judgements, and none that would take more than a
part of its time. Where many systems go at once, those that have no answer yet are asked about together, before the
judgements that wait and for half of the time at most: a minute later half of them need no advice any more. What was found goes into `Present.sheds`; the next look at the system takes it along to the
page, the alarms and the messages.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final, Protocol, TypeVar

from collector.assessment.worker import JudgementFailed, Superseded
from collector.planning.planner import PLAN_SEED, Busy, NotYet, Planner, ToShed
from collector.process.clock import Clock
from collector.recorder.current_state import Present
from rules.generator.outage_source import says_it_runs
from rules.planning.ridethrough.shed_now import Wanted, plan_now
from rules.planning.ridethrough.shedding import SheddingPlan, outdated, shed_first, wanted_now
from rules.plant.estate import Estate
from rules.system.outage.on_battery import BY_HAND
from rules.system.state import SystemState
from rules.values.reason import Reason, told

LOOK_EVERY_S: Final = 1.0
EVERY_S: Final = 30.0
SOON_S: Final = 5.0
SHARE: Final = 0.2
"""The part of the time that may go into these answers."""
FIRST_SHARE: Final = 0.5
"""The part of it while several systems have none."""
TOGETHER: Final = 64
"""Systems that are asked about at once, at most: for some 0.6 s nothing else is judged."""
T = TypeVar("T")
_log = logging.getLogger(__name__)


class AsksFirst(Protocol):
    """The judging process, as far as what cannot wait needs it."""

    async def ask_first(self, key: str, function: Callable[..., T], *arguments: object) -> T:
        """Return what the function gives, before all that waits."""
        ...


def shed_each(questions: Sequence[tuple[ToShed, float]]) -> list[SheddingPlan]:
    """Return for each system what to shed at once to hold for s. Runs in the judging process."""
    return [plan_now(*made_of, wanted_s, 0, PLAN_SEED) for made_of, wanted_s in questions]


class ShedAdviser:
    """The answers, in `Present.sheds`, by system; gone when it is back on supply."""

    def __init__(self, estate: Estate, planner: Planner, clock: Clock, present: Present) -> None:
        self._estate = estate
        self._planner = planner
        self._clock = clock
        self._present = present
        self._asked_s: dict[str, float] = {}
        self._wants: dict[str, Wanted] = {}

    async def run(self, worker: AsksFirst) -> None:
        """Look until cancelled."""
        while True:
            began_s = self._clock.monotonic_s()
            fresh = self._fresh()
            if len(fresh) > 1:
                await self.first(fresh[:TOGETHER], worker)
                share, least_s = FIRST_SHARE, 0.0 if len(fresh) > TOGETHER else LOOK_EVERY_S
            else:
                system = self._next(began_s)
                if system is not None:
                    await self.once(system)
                share, least_s = SHARE, LOOK_EVERY_S
            took_s = self._clock.monotonic_s() - began_s
            await self._clock.sleep_until(began_s + max(least_s, took_s / share))

    def _fresh(self) -> list[SystemState]:
        """Return the systems on their banks that nothing was asked of yet, in the order of their names."""
        states = self._present.systems
        return [states[name] for name in sorted(self._present.lit - self._asked_s.keys()) if name in states]

    async def first(self, states: Sequence[SystemState], worker: AsksFirst) -> None:
        """Answer for several systems at once. What comes of none of it is asked again one by one."""
        now, now_s = self._clock.now(), self._clock.monotonic_s()
        asked: dict[str, tuple[ToShed, float, float, Reason]] = {}
        for state in states:
            self._asked_s[state.id] = now_s - EVERY_S
            try:
                asked[state.id] = (self._planner.to_shed(state.id), *self._wanted(state))
            except NotYet:
                continue
        questions = [(made_of, wanted_s) for made_of, wanted_s, *_ in asked.values()]
        try:
            plans = await worker.ask_first("shed", shed_each, questions)
        except (JudgementFailed, Superseded) as why:
            _log.error("what to shed of %d systems: %s", len(asked), why)
            return
        for (name, (_, _, of_s, wanted_for)), plan in zip(asked.items(), plans, strict=True):
            self._asked_s[name] = now_s
            self._present.sheds[name] = shed_first(plan, now, wanted_for, of_s)

    def _wanted(self, state: SystemState) -> tuple[float, float, Reason]:
        """Return for how long a system should hold from now, s, of how long in all, and for what."""
        generator, units = self._estate.generator_of(state.id), self._estate.units_of(state.id)
        now_s, on, known = self._clock.monotonic_s(), state.on_battery, self._wants.get(state.id)
        of_s, wanted_for = wanted_now(
            state.requirements, generator, units, runs=on is not None and says_it_runs(on.set_says)
        )
        if known is None:
            since_s = now_s if on is None else now_s - (self._clock.now() - on.since).total_seconds()
            known = Wanted.begun(of_s, since_s, now_s)
        self._wants[state.id] = known = known.at(of_s, now_s)
        return known.until_s - now_s, of_s, wanted_for

    def _next(self, now_s: float) -> SystemState | None:
        """Return the system on its banks that has waited longest for an answer, None where none is due."""
        lit = [state for state in self._present.systems.values() if state.on_battery is not None]
        for system in {*self._present.sheds, *self._asked_s} - {state.id for state in lit}:
            self._present.sheds.pop(system, None)
            self._asked_s.pop(system, None)
            self._wants.pop(system, None)
        due = [s for s in lit if now_s - self._asked_s.get(s.id, now_s - EVERY_S) >= self._every_s(s)]
        return min(due, key=lambda s: self._asked_s.get(s.id, now_s - 2 * EVERY_S), default=None)

    def _every_s(self, state: SystemState) -> float:
        """Return after how long to ask again: sooner where the end has moved from what the advice was reckoned with."""
        shed, on = self._present.sheds.get(state.id), state.on_battery
        if shed is None or on is None:
            return EVERY_S
        for_nothing = shed.wanted_for == BY_HAND and says_it_runs(on.set_says)
        return SOON_S if for_nothing or outdated(shed, on.ends_earliest, self._clock.now()) else EVERY_S

    async def once(self, state: SystemState) -> None:
        """Answer for one system. An answer that cannot be made again is kept: what to shed first stays so."""
        wanted_s, of_s, wanted_for = self._wanted(state)
        kept = self._present.sheds.get(state.id)
        now = self._clock.now()
        self._asked_s[state.id] = self._clock.monotonic_s()
        try:
            plan = await self._planner.shed_now(
                state.id, wanted_s, len(kept.steps) if kept is not None and kept.reached else 0
            )
        except Busy:
            self._asked_s.pop(state.id)
            return
        except (NotYet, JudgementFailed, Superseded) as why:
            if isinstance(why, JudgementFailed):
                _log.error("what to shed of %s: %s", state.id, why)
            return
        if plan.reached is not None or kept is None:
            self._present.sheds[state.id] = shed_first(plan, now, wanted_for, of_s)
        else:
            lacking = plan.because[0] if plan.because else told("Too little is known now.")
            self._present.sheds[state.id] = replace(kept, not_since=lacking)
