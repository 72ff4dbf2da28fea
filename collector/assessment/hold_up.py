"""Asks the judging process what is costly, when it is due, and hands the answers on.

Hold-up by sampling: at most once in 10 s for a system on battery, else twice a minute, and at once when
a unit's standing changes. What the banks hold is carried forward from reading to reading in between
(`rules.battery.model.charge_carried`), so a new question always starts from this moment. A system is always drawn with the
same random numbers, and at rest with the load it was drawn with before while that has not moved by more than
its noise: what constant readings say stays constant. A question that differs from the last one in its moment alone has
its answer already, and costs the process nothing.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Collection, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final
from zlib import crc32

import numpy as np

from collector.assessment.spent_so_far import SpentSoFar
from collector.assessment.worker import JudgementFailed, Superseded, Worker
from collector.process.clock import Clock, late_move
from collector.recorder.current_state import Present
from rules.battery.model.charge_carried import BankMoment, carried_to, only_rests, warmed
from rules.battery.model.health import BankBelief, belief_from_age, scaled
from rules.monitor.clock_moved import moved
from rules.plant.estate import Bank, Estate, FittedBank, in_place
from rules.plant.reading import Reading
from rules.system.answered import Answered
from rules.system.assessment import task_of
from rules.system.hold_up.judgement import HoldUpJudgement, hold_ups
from rules.system.hold_up.sampling import DRAWS, SEED
from rules.system.hold_up.task import HoldUpTask, steadied
from rules.system.observation import SystemObservation, SystemView
from rules.system.state import Standing

ON_BATTERY_EVERY_S: Final = 10.0
AT_REST_EVERY_S: Final = 30.0
JUDGED_WITHIN_S: Final = 300.0
JUDGED_IN_OUTAGE_S: Final = 60.0
"""How long after a start a system on its banks waits for the judgement of what is on record of them: they come first."""

Told = Callable[[HoldUpJudgement], Awaitable[None]]


class Judging:
    """The beliefs about all banks, and the questions put to the worker."""

    def __init__(self, estate: Estate, worker: Worker, clock: Clock, present: Present, told: Told) -> None:
        self._beliefs: dict[str, BankBelief] = {}
        self._rested: dict[
            str, datetime
        ] = {}  # full banks on mains: until when no more is known of them than that
        self._spent: dict[str, SpentSoFar] = {}  # banks that give: what their beliefs have not been told yet
        self._on_record: dict[str, BankBelief] = {}
        self._began_s = clock.monotonic_s()
        self._estate = estate
        self._worker = worker
        self._clock = clock
        self._present = present
        self._told = told
        self._views: dict[str, tuple[SystemView, SystemObservation]] = {}
        self._asked_s: dict[str, float] = {}
        self._drawn: dict[str, HoldUpTask] = {}
        self._answered: dict[str, Answered] = {}
        self._standings: dict[str, tuple[Standing, ...]] = {}
        self._hurried = asyncio.Event()

    # --- what the banks hold ----------------------------------------------------------------------------

    @property
    def beliefs(self) -> Mapping[str, BankBelief]:
        """Return what is believed of each bank, as of its last reading."""
        for bank in (*self._rested, *self._spent):
            self._belief(bank)
        return self._beliefs

    def _belief(self, bank: str) -> BankBelief | None:
        """Return what is believed of a bank, as of its last reading. While it only rests or gives, nothing is made at each of them."""
        belief, at, spent = self._beliefs.get(bank), self._rested.pop(bank, None), self._spent.pop(bank, None)
        if belief is not None and spent is not None:
            belief = self._beliefs[bank] = belief.carried(spent.power_w, spent.seconds, spent.until)
        if belief is not None and at is not None and at > belief.as_of:
            belief = self._beliefs[bank] = belief.rested(at)
        return belief

    def move_clock(self, by: timedelta) -> None:
        """Move along what was noted before the clock was set, and ask for everything anew."""
        self._beliefs, self._on_record = moved(dict(self.beliefs), by), moved(self._on_record, by)
        self._asked_s.clear()
        self._answered.clear()
        self._hurried.set()

    def believe(self, belief: BankBelief) -> None:
        """Take what the record of a bank came to; what it gives at this moment stays used."""
        belief = moved(belief, late_move(self._clock, belief.as_of)).compact()
        first = belief.bank not in self._on_record
        self._on_record[belief.bank] = belief
        self._beliefs[belief.bank] = self._running(belief)
        if first:
            for unit in self._estate.banks[belief.bank].feeds:
                self._asked_s.pop(self._estate.units[unit].system, None)
            self._hurried.set()

    def follow(self, belief: BankBelief) -> None:
        """Take what a running discharge showed of a bank so far."""
        self._rested.pop(belief.bank, None)
        self._spent.pop(belief.bank, None)
        self._beliefs[belief.bank] = moved(belief, late_move(self._clock, belief.as_of)).compact()

    def on_record(self, bank: str) -> BankBelief | None:
        """Return what the record of a bank came to, None while it was not judged since the start."""
        return self._on_record.get(bank)

    def _running(self, belief: BankBelief) -> BankBelief:
        """Return the belief with what is used of a bank that gives at this moment: no record has that yet."""
        before = self._belief(belief.bank)
        readings = self._present.readings
        giving = [
            r
            for u in self._estate.banks[belief.bank].feeds
            if (r := readings.get(u)) is not None and r.on_battery
        ]
        if before is None or not giving:
            return belief
        power_w = self._moment(self._estate.banks[belief.bank], giving[0]).output_power_w or 0.0
        seconds = max(
            r.battery.on_battery_s or 0.0 for r in giving
        )  # as far as its card counts: it may have begun before us
        given = belief.rate_per_s(power_w) * seconds
        used = np.maximum(np.resize(before.used, belief.draws), given)
        spent_ws = scaled(before.spent_ws, before.used, used)
        running = replace(belief, used=used, spent_ws=spent_ws, as_of=before.as_of, carrying=before.carrying)
        return running if spent_ws is not None else running.spending(used, power_w)

    def spoken_beliefs(
        self, banks: Collection[str] | None = None, *, urgent: bool = False
    ) -> dict[str, BankBelief]:
        """Return what may be spoken of `banks` (None: of all): those judged since the start, others only once that took too long.

        Table and age alone are wide, and would cry wolf for a minute after each start, while what all earlier
        discharges showed lies in the ledger. `urgent` (an outage): others sooner.
        """
        late = self._is_late(urgent=urgent)
        spoken = [b for b in (self._beliefs if banks is None else banks) if late or b in self._on_record]
        return {bank: belief for bank in spoken if (belief := self._belief(bank)) is not None}

    def _is_late(self, *, urgent: bool) -> bool:
        within_s = JUDGED_IN_OUTAGE_S if urgent else JUDGED_WITHIN_S
        return self._clock.monotonic_s() - self._began_s > within_s

    def carry(self, reading: Reading) -> None:
        """Carry the beliefs of a unit's banks forward to a reading."""
        for bank in self._estate.banks_of(reading.unit):
            if self._noted(bank, reading):
                continue
            belief = self._belief_of(bank, reading)
            if belief is not None:
                fitted = None if belief.full else in_place(bank.fitted, reading.at.date())
                rated_ah = None if fitted is None else fitted.rated_capacity_ah
                self._beliefs[bank.id] = carried_to(belief, self._moment(bank, reading), rated_ah)

    def _noted(self, bank: Bank, reading: Reading) -> bool:
        """Return whether it is enough to note a reading until the belief is asked for: the bank rests, or it gives."""
        known, temperature_c = self._beliefs.get(bank.id), reading.battery.temperature_c
        if known is None:
            return False
        if reading.on_battery:
            return not warmed(known, temperature_c) and self._gives(known, self._moment(bank, reading))
        if bank.id in self._spent or not only_rests(known, reading.on_battery, temperature_c):
            return False
        self._rested[bank.id] = max(reading.at, self._rested.get(bank.id, reading.at))
        return True

    def _gives(self, known: BankBelief, moment: BankMoment) -> bool:
        """Gather what a bank gave since its last reading; return whether that can be told from the power alone."""
        if moment.output_power_w is None:
            return False
        power_w, spent = moment.output_power_w, self._spent.get(known.bank)
        if spent is not None and spent.takes(power_w):
            self._spent[known.bank] = spent.longer(power_w, moment.at)
            return True
        belief = self._belief(known.bank) or known
        if moment.at > belief.as_of:
            self._spent[known.bank] = SpentSoFar.between(belief.as_of, moment.at, power_w)
        return True

    def _belief_of(self, bank: Bank, reading: Reading) -> BankBelief | None:
        belief = self._belief(bank.id)
        if belief is not None:
            return belief
        fitted = in_place(bank.fitted, reading.at.date())
        return None if fitted is None else self.by_age(bank, fitted, reading)

    def by_age(self, bank: Bank, fitted: FittedBank, reading: Reading) -> BankBelief:
        """Return what table and age alone say of a bank on the day of a reading."""
        day = reading.at.date()
        units = [in_place(self._estate.units[unit].fitted, day) for unit in bank.feeds]
        rating_w = sum(unit.rating_w for unit in units if unit is not None)
        temperature_c = reading.battery.temperature_c
        if temperature_c is None:
            temperature_c = bank.room_temperature_c
        made = belief_from_age(
            bank, fitted, day, temperature_c, seed_of(bank.id), DRAWS, rating_w=rating_w or None
        )
        return replace(made, as_of=reading.at).compact()

    def _moment(self, bank: Bank, reading: Reading) -> BankMoment:
        """Return what a reading says of a bank. A common bank carries all its units; their last readings count.

        The power is told where the bank may give it: on mains nothing is reckoned with it.
        """
        if reading.on_battery is False:
            return BankMoment(
                reading.at, False, None, reading.battery.current_a, reading.battery.temperature_c
            )
        power_w: float | None = 0.0
        for unit in bank.feeds:
            one = reading if unit == reading.unit else self._present.readings.get(unit)
            one_w = None if one is None else one.output.power_w
            power_w = None if power_w is None or one_w is None else power_w + one_w
        behind = len(self._estate.banks_of(reading.unit))
        return BankMoment(
            at=reading.at,
            on_battery=reading.on_battery,
            output_power_w=None if power_w is None else power_w / behind,
            current_a=reading.battery.current_a,
            temperature_c=reading.battery.temperature_c,
        )

    # --- asking -------------------------------------------------------------------------------------------

    def look(self, view: SystemView, seen: SystemObservation) -> None:
        """Take in a system's present state; ask at once when a unit's standing changed."""
        self._views[view.system] = (view, seen)
        standings = tuple(unit.standing for unit in seen.parallel.units)
        if self._standings.get(view.system) != standings:
            self._standings[view.system] = standings
            self._asked_s.pop(view.system, None)
            self._hurried.set()

    def seen(self, system: str) -> tuple[SystemView, SystemObservation] | None:
        """Return what a system looked like last, None before its first reading."""
        return self._views.get(system)

    async def run(self) -> None:
        """Ask for each system when it is due, until cancelled."""
        async with asyncio.TaskGroup() as group:
            while True:
                now_s = self._clock.monotonic_s()
                for system, (view, seen) in self._views.items():
                    every_s = ON_BATTERY_EVERY_S if seen.on_battery else AT_REST_EVERY_S
                    if now_s - self._asked_s.get(system, -every_s) >= every_s:
                        self._asked_s[system] = now_s
                        group.create_task(self._judge(view, seen), name=f"judge {system}")
                await self._wait(now_s + 1.0)

    async def _wait(self, until_s: float) -> None:
        sleeping = asyncio.ensure_future(self._clock.sleep_until(until_s))
        hurried = asyncio.ensure_future(self._hurried.wait())
        try:
            await asyncio.wait({sleeping, hurried}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            sleeping.cancel()
            hurried.cancel()
        self._hurried.clear()

    async def _judge(self, view: SystemView, seen: SystemObservation) -> None:
        banks = self._estate.banks_of_system(view.system)
        beliefs = self.spoken_beliefs([bank.id for bank in banks], urgent=bool(seen.on_battery))
        task = task_of(view, seen)
        if not seen.on_battery:
            task = steadied(task, self._drawn.get(view.system))
        self._drawn[view.system] = task
        before = self._answered.get(view.system)
        judged = None if before is None else before.for_now(task, beliefs)
        if judged is None:
            try:
                judged = await self._worker.ask(f"system {view.system}", hold_ups, task, beliefs, SEED, DRAWS)
            except (Superseded, JudgementFailed):
                return  # the boundary: the worker remembers what failed, the watch raises it, the next look asks again
            self._answered[view.system] = Answered(task, beliefs, judged)
        await self._told(judged)


def seed_of(text: str) -> int:
    """Return a seed that a replay finds again: from a name, not from chance."""
    return crc32(text.encode())
