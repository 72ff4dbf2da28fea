"""A simulated system watched for hours in seconds: the real recorder, stores and judging on a clock that is turned.

    async with played(healthy(7, table=True), folder) as site:
        await site.go(3600.0)                  # an hour at the default cadence
        site.present.banks, site.raised        # what was said, and the alarms that became active

Everything behind the wire is the service's own with default settings; the cards are the simulation's and speak with
their meters' errors and the load's noise, and what judges runs in this process.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import AsyncExitStack, asynccontextmanager, contextmanager
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path
from typing import TypeVar, cast

import numpy as np

from collector.assessment.bank_evidence import BankEvidenceBook
from collector.assessment.banks import BankJudging
from collector.assessment.hold_up import Judging
from collector.assessment.shown_discharges import SHOWN
from collector.assessment.worker import Worker
from collector.cards.corrections.learning import Learning
from collector.cards.mib.interpretation import CardMeaning
from collector.cards.mib.upsmib import TablePart
from collector.cards.mib.wire_values import CardRead
from collector.cards.polling.poller import Answer
from collector.process.clock import TurnedClock, stamp
from collector.recorder.current_state import Present
from collector.recorder.parts import RecorderParts
from collector.recorder.recorder import Recorder
from collector.simulation.cards import card as voice
from collector.simulation.plant import world as worlds
from collector.simulation.plant.battery import wear_at
from collector.simulation.plant.charging import new_bank
from collector.simulation.plant.published import runtime_s
from collector.simulation.plant.unit import UnitPlant
from collector.simulation.scenario.random_systems import SYSTEM, FullTest, RandomTrial, trial
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import Evidence
from rules.alarms.events import PowerEvent
from rules.alarms.lifecycle.alarm import Happened
from rules.alarms.lifecycle.states import State
from rules.battery.discharge.evidence import DischargeEvidence
from rules.battery.model.inverter_losses import default_losses
from rules.battery.model.runtime_curve import curve_for
from rules.battery.model.temperature import seconds_at
from rules.battery.state import ReplacementDates, TestPlan
from rules.monitor.inputs import Tick
from rules.monitor.outputs import Change
from rules.monitor.state import Book
from rules.phrasing.reasons import say
from rules.plant.estate import Bank, Generator, Purpose, Requirement
from rules.values.serial import to_plain
from rules.values.verdict import Verdict

T = TypeVar("T")
CADENCE_S = 5.0
ROUND_S = 1.0
"""How long what comes at rest may be gathered before it goes through, and a little more."""
SET = Generator("set", 500_000.0, 5.0, 3, 15.0, 15.0, 10.0, 5.0)


class Here:
    """A judging process that is none: it answers here, and remembers what was asked before."""

    async def ask(
        self,
        _key: str,
        function: Callable[..., T],
        *arguments: object,
        about: str | None = None,
    ) -> T:
        return function(*arguments)


@dataclass(frozen=True)
class Healthy:
    """A random system that holds what is asked of it, and the truth about its banks.

    `quality`: each bank's life over the design life of ten years at 20 degC. `tests`: what each bank gave when it was
    run to its end 30 days ago.
    """

    tried: RandomTrial
    age_years: float
    quality: tuple[float, ...]
    tests: tuple[FullTest, ...]

    def true_end(self, place: int, required_s: float, output_w: float) -> date:
        """Return the day on which a bank no longer gives `output_w` for `required_s`: by the simulation, to a month."""
        unit = self.tried.system.units[place]
        for month in range(1, 600):
            years = self.age_years + month / 12.0
            if _gives_s(self.tried, unit, years, self.quality[place], output_w) < required_s:
                return self.tried.now.date() + timedelta(days=month * 30.44)
        raise AssertionError("a bank that lives for fifty years")


def _gives_s(tried: RandomTrial, unit: UnitPlant, years: float, quality: float, output_w: float) -> float:
    worn = wear_at(years, mean_temperature_c=tried.system.room_c, design_life_years=10.0, quality=quality)
    full = new_bank(unit.bank, wear=worn, temperature_c=tried.system.room_c)
    return runtime_s(unit.bank, full, output_w + unit.loss_w(output_w), step_s=5.0)


class Attended(BankJudging):
    """The questions about banks, waited for: a turned clock must not run away from what the disk takes."""

    busy = 0

    async def _judge(self, bank: Bank) -> bool:
        self.busy += 1
        try:
            return await super()._judge(bank)
        finally:
            self.busy -= 1


def healthy(seed: int, *, table: bool, stop_share: float = 0.4) -> Healthy:
    """Return the healthy system of a seed: the generator's start and an orderly shutdown are asked of it.

    `stop_share`: the time to shut down, as a share of what its weakest bank truly gives with one unit lost. Without a
    `table` only the rated capacity of the blocks is declared.
    """
    made = trial(seed)
    age_years = (made.now.date() - next(iter(made.estate.banks.values())).fitted[-1].from_day).days / 365.25
    units = made.system.units
    quality = tuple(np.exp(np.random.default_rng(seed).normal(0.1, 0.1, len(units))).tolist())
    worn = [
        wear_at(age_years, mean_temperature_c=made.system.room_c, design_life_years=10.0, quality=q)
        for q in quality
    ]
    states = tuple(
        replace(
            state,
            bank=replace(new_bank(unit.bank, wear=wear, temperature_c=made.system.room_c), drawn_ah=0.0),
        )
        for unit, state, wear in zip(units, made.state.systems[SYSTEM].units, worn, strict=True)
    )
    there = replace(made.state.systems[SYSTEM], units=states)
    level = replace(made.system, load=replace(made.system.load, growth_per_year=0.0))  # noise, and no drift
    plant = replace(made.plant, systems={SYSTEM: level})
    made = replace(made, plant=plant, state=replace(made.state, systems={SYSTEM: there}))
    estate = made.estate
    lost_w = made.load_w / max(len(units) - 1, 1)
    worst_s = min(_gives_s(made, u, age_years, q, lost_w) for u, q in zip(units, quality, strict=True))
    wanted = (
        Requirement("set", Purpose.GENERATOR_START, None),
        Requirement("stop", Purpose.ORDERLY_SHUTDOWN, round(stop_share * worst_s)),
    )
    banks = estate.banks
    if not table:
        banks = {
            bank.id: replace(bank, fitted=tuple(replace(f, constant_power=()) for f in bank.fitted))
            for bank in banks.values()
        }
    supplies = {name: replace(one, generator=SET.id) for name, one in estate.supplies.items()}
    systems = {SYSTEM: replace(estate.systems[SYSTEM], requirements=wanted)}
    declared = replace(estate, banks=banks, supplies=supplies, systems=systems, generators={SET.id: SET})
    tests = tuple(
        FullTest(
            made.now - timedelta(days=30),
            made.load_w / len(units),
            _gives_s(made, unit, age_years - 30.0 / 365.25, q, made.load_w / len(units)),
        )
        for unit, q in zip(units, quality, strict=True)
    )
    return Healthy(replace(made, estate=declared), age_years, quality, tests)


def shown_by(test: FullTest, bank: Bank, rating_w: float, temperature_c: float) -> DischargeEvidence:
    """Return what a full test shows, reckoned as any reader of its log would: time over published time."""
    losses = default_losses(rating_w)
    curve = curve_for(bank.fitted[-1])
    per_cell = (test.output_w * (1.0 + losses.share) + losses.fixed_w) / (bank.cells * bank.strings)
    fraction = test.seconds / float(seconds_at(curve, per_cell, temperature_c))
    return DischargeEvidence(
        at=test.at,
        kind="import",
        seconds=test.seconds,
        output_power_w=test.output_w,
        published_s=float(curve.seconds(per_cell)),
        used=fraction,
        fraction=fraction,
        low=fraction - 0.05,
        high=fraction + 0.05,
        ended=True,
    )


@dataclass(frozen=True)
class Raised:
    """An alarm that became active."""

    kind: str
    about: str
    severity: str
    what: str


@dataclass
class Site:
    """A system being watched."""

    tried: RandomTrial
    tests: tuple[FullTest, ...]
    clock: TurnedClock
    present: Present
    recorder: Recorder
    ledger: Ledger
    bank_judging: Attended
    raised: list[Raised] = field(default_factory=list)
    moved: list[str] = field(default_factory=list)
    verdicts: dict[str, list[Verdict]] = field(default_factory=dict)
    dates: dict[str, list[tuple[ReplacementDates, TestPlan | None]]] = field(default_factory=dict)
    lows: list[tuple[float | None, ...]] = field(default_factory=list)

    def note(self, changes: tuple[Change, ...] | list[Change]) -> None:
        """Note the alarms that became active, and what was told of dates that moved."""
        self.moved += [
            say(c.what) for c in changes if isinstance(c, PowerEvent) and c.kind == "bank_dates_moved"
        ]
        for change in changes:
            alarm = change.alarm if isinstance(change, Happened) else None
            if alarm is not None and alarm.state is State.ACTIVE_UNACKNOWLEDGED:
                self.raised.append(Raised(alarm.kind, alarm.about, alarm.severity.value, say(alarm.what)))

    async def import_tests(self) -> None:
        """Have somebody import the past test of every bank."""
        estate = self.tried.estate
        async with self.ledger.transaction() as tx:
            for test, unit in zip(self.tests, self.tried.system.units, strict=True):
                bank = estate.banks[unit.bank.id]
                shown = shown_by(test, bank, unit.rating_w, bank.room_temperature_c or 22.0)
                tx.save_evidence(
                    Evidence(
                        id=f"past {bank.id}", bank=bank.id, kind="import", at=shown.at,
                        until=shown.at + timedelta(seconds=shown.seconds), schema=SHOWN, body=to_plain(shown),
                    )
                )  # fmt: skip
        for name in estate.banks:
            self.bank_judging.ask(name)

    async def go(self, seconds: float, every_s: float = CADENCE_S) -> None:
        """Read every card at its cadence for a while; what is said is noted after each round."""
        for _ in range(round(seconds / every_s)):
            await self._read()
            await self.recorder.queue.put(Tick(stamp(self.clock)))
            await self.clock.advance(ROUND_S)
            await self._settled()
            self._note_state()
            await self.clock.advance(every_s - ROUND_S)

    async def judged_anew(self, within_s: float = 1800.0, every_s: float = 10.0) -> None:
        """Let time pass until what was imported has come into every bank's dates and into the hold-up."""
        for _ in range(round(within_s / every_s)):
            await self.go(every_s, every_s)
            banks = self.present.banks.values()
            asked = all(b.rests_on is not None and not b.rests_on.awaits and not b.unproven for b in banks)
            if asked and not self.present.systems[SYSTEM].hold_up.unproven:
                return
        raise AssertionError("the tests that were imported were never judged")

    async def _read(self) -> None:
        tried, now = self.tried, self.clock.now().timestamp()
        state = self.tried.state
        if now > state.t_s:
            state = worlds.after(tried.plant, state, now - state.t_s)
            self.tried = replace(tried, state=state)
        feed = state.feeds["mains"]
        for plant, unit, meters in zip(
            tried.system.units, state.systems[SYSTEM].units, tried.meters, strict=True
        ):
            moment = voice.moment_of(plant, unit, feed, uptime_s=9000.0 + self.clock.monotonic_s())
            wire = voice.first_row(voice.live_columns(plant, meters, moment))
            said = CardRead(
                frozenset(TablePart),
                {**wire, **voice.first_row(voice.slow_columns(plant, moment)), **voice.nameplate(plant)},
                alarms=voice.alarms_of(plant, unit, feed, 60.0),
            )
            await self.recorder.queue.put(
                Answer(f"{plant.id}-card", stamp(self.clock), CADENCE_S, 0.0, 0.1, said)
            )

    async def _settled(self) -> None:
        """Wait until everything that was given has gone through, and what it asked for too."""
        for turn in range(30_000):
            await asyncio.sleep(0.001 if turn % 10 == 9 else 0.0)
            if turn > 10 and not self.recorder.queue.unfinished and not self.bank_judging.busy:
                return

    def forget(self) -> None:
        """Note anew from here on."""
        self.raised, self.moved, self.lows, self.verdicts, self.dates = [], [], [], {}, {}

    def _note_state(self) -> None:
        state = self.present.systems.get(SYSTEM)
        if state is None:
            return
        said = {need.id: need.verdict for need in state.requirements}
        if state.redundancy is not None:
            said["redundancy"] = state.redundancy.verdict
        for name, verdict in said.items():
            self.verdicts.setdefault(name, []).append(verdict)
        held = state.hold_up
        self.lows.append((held.now.low_s, held.one_unit_lost.low_s, held.at_end_of_life.all.low_s))
        for name, bank in self.present.banks.items():
            self.dates.setdefault(name, []).append((bank.dates, bank.tests))


def flips(said: list[Verdict]) -> int:
    """Return how often a verdict changed, once it was first told."""
    return sum(a is not b for a, b in pairwise(said))


@contextmanager
def _running(*jobs: asyncio.Task[None]) -> Iterator[None]:
    try:
        yield
    finally:
        for job in jobs:
            job.cancel()


@asynccontextmanager
async def played(made: Healthy, folder: Path) -> AsyncIterator[Site]:
    """Watch a system from now on, with nothing known of its past but what `Site.import_tests` brings."""
    tried, estate = made.tried, made.tried.estate
    async with AsyncExitStack() as stack:
        clock = TurnedClock(tried.now)
        ledger = await stack.enter_async_context(Ledger(folder / "ledger.sqlite"))
        learning = Learning(estate)
        history = await stack.enter_async_context(
            SqliteHistory(folder / "history.sqlite", CardMeaning(learning.lookup))
        )
        present, worker = Present(estate), cast("Worker", Here())
        noted: list[Site] = []
        parts = RecorderParts(estate, clock, present, learning)
        judging = Judging(estate, worker, clock, present, parts.queue.put)
        book = BankEvidenceBook(estate, ledger, history, present)
        recorder = Recorder(
            Book(estate), clock, history, ledger, present, parts,
            consumers=(judging,), coldest_c=book.coldest_c,
            enqueue=lambda _tx, changes: noted[0].note(list(changes)) if noted else None,
        )  # fmt: skip
        await recorder.restore()
        banks = Attended(estate, worker, clock, book, recorder.queue.put)
        site = Site(tried, made.tests, clock, present, recorder, ledger, banks)
        noted.append(site)
        with _running(
            asyncio.create_task(recorder.run()),
            asyncio.create_task(judging.run()),
            asyncio.create_task(banks.run()),
        ):
            yield site
