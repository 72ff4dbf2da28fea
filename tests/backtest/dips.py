"""Sequences of outages, tests and partial recharges on simulated banks, seen as a card shows them.

The bank is the simulation's own physics; what the judge gets are readings at the default cadences, through the
real keeper of discharges, the ledger and the evidence book. The truth is how long the same bank, full, would
carry the same power. Cards differ: some show no current, some only that of a discharge, some round coarsely;
some sequences are seen by a collector that is restarted, or through a card that falls silent.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Final, cast

import numpy as np

from collector.assessment.bank_evidence import BankEvidenceBook
from collector.assessment.shown_discharges import show
from collector.recorder.current_state import Present
from collector.recorder.trackers.discharges import DischargeKeeper
from collector.simulation.plant.battery import SimBank, discharge
from collector.simulation.plant.charging import charge, floating
from collector.simulation.plant.published import runtime_s
from collector.simulation.plant.truth import Truth
from collector.simulation.plant.unit import UnitPlant
from collector.simulation.scenario.random_systems import RandomTrial, trial
from collector.storage.history.store import HistoryStore
from collector.storage.ledger import Ledger
from rules.battery.assessment.bank import judge_bank
from rules.battery.assessment.replacement import BankDemand
from rules.battery.discharge.evidence import DischargeEvidence
from rules.plant.estate import Bank
from rules.plant.reading import (
    BatteryReading,
    BatteryStatus,
    InputLine,
    InputReading,
    OutputLine,
    OutputReading,
    OutputSource,
    Reading,
    SelfTest,
    Stamp,
    TestResult,
)

MAINS_S: Final = 5.0
BATTERY_S: Final = 2.0
_STEP_S: Final = 1.0
_LONG_S: Final = 2 * 3600.0
_LONG_EVERY_S: Final = 50.0


@dataclass(frozen=True)
class Moment:
    """One time on the bank: how deep it goes, how long the mains are back afterwards."""

    depth: float
    pause_s: float
    test: bool
    restart: bool
    silent_s: float


@dataclass(frozen=True)
class Sequence:
    """What happens to a bank, and how its card and collector see it."""

    moments: tuple[Moment, ...]
    current: str
    watched_s: float
    begins_charging: bool


@dataclass(frozen=True)
class Judged:
    """What was said of a bank's capacity at the power it gave, beside what is so."""

    seed: int
    truth: float
    middle: float
    low: float
    high: float
    discharges: tuple[DischargeEvidence, ...]

    @property
    def deepest(self) -> float:
        """Return the longest time on the bank, as a share of what the bank gives."""
        return max((one.by_itself for one in self.discharges), default=0.0) / self.truth

    @property
    def inside(self) -> bool:
        """Return whether the truth lies in the 90 % interval."""
        return self.low <= self.truth <= self.high

    @property
    def falsely_sure(self) -> bool:
        """Return whether it is wrong by more than 12 points, with an interval narrower than that error."""
        wrong = abs(self.middle - self.truth)
        return wrong > 0.12 and self.high - self.low < wrong


def sequence(seed: int) -> Sequence:
    """Return the sequence of a seed: two to five times on the bank, from dips to deep discharges."""
    dice = np.random.default_rng(seed + 77_000)
    moments = []
    for _ in range(int(dice.integers(2, 6))):
        pause_s = float(np.exp(dice.uniform(np.log(20.0), np.log(40 * 3600.0))))
        if dice.random() < 0.3:
            pause_s = float(dice.uniform(20.0, 300.0))
        depth = float(np.clip(np.exp(dice.normal(np.log(0.22), 0.7)), 0.03, 0.85))
        moments.append(
            Moment(
                depth,
                pause_s,
                test=bool(dice.random() < 0.25),
                restart=bool(dice.random() < 0.15),
                silent_s=float(dice.uniform(60.0, 400.0)) if dice.random() < 0.15 else 0.0,
            )
        )
    return Sequence(
        tuple(moments),
        current=str(dice.choice(("shown", "shown", "shown", "none", "discharge only"))),
        watched_s=float(dice.choice((300.0, 3600.0, 30 * 3600.0))),
        begins_charging=bool(dice.random() < 0.2),
    )


class _Card:
    """What a card says of one unit, moment by moment."""

    def __init__(self, tried: RandomTrial, current: str) -> None:
        self.unit: UnitPlant = tried.system.units[0]
        self.meters = tried.meters[0]
        self.output_w = tried.load_w / len(tried.system.units)
        self._current = current
        self._dice = np.random.default_rng(tried.seed)
        self.start_id, self.bads = "one", 0
        self._now = tried.now

    def reading(self, bank: SimBank, at_s: float, *, since_s: float | None, test: bool = False) -> Reading:
        """Return a reading `at_s` from the beginning; `since_s` on battery, None on mains."""
        carries = since_s is not None
        amps = round(bank.current_a * (1.0 + self.meters.bank_a), 1)
        shown = {"shown": amps, "none": None, "discharge only": max(amps, 0.0)}[self._current]
        watts = self.output_w * (1.0 + self.meters.watts) * (1.0 + 0.01 * float(self._dice.standard_normal()))
        mains_v = 0.0 if carries and not test else 230.0
        return Reading(
            unit=self.unit.id,
            stamp=Stamp(self._now + timedelta(seconds=at_s), at_s, self.start_id),
            battery=BatteryReading(
                BatteryStatus.NORMAL,
                float(int(since_s)) if since_s is not None else 0.0,
                None,
                100.0,
                round(bank.voltage_v * (1.0 + self.meters.bank_v), 1),
                shown,
                float(round(bank.temperature_c + self.meters.probe_c)),
            ),
            input=InputReading(bad_count=self.bads, lines=(InputLine(1, 50.0, mains_v),)),
            output=OutputReading(
                source=OutputSource.BATTERY if carries else OutputSource.NORMAL,
                lines=(OutputLine(1, 230.0, None, round(watts)),),
            ),
            test=SelfTest(TestResult.IN_PROGRESS if test else TestResult.NONE),
        )


class _Play:
    """A bank that lives through a sequence; gives readings, and None where the collector starts anew."""

    def __init__(self, tried: RandomTrial, what: Sequence) -> None:
        self.card = _Card(tried, what.current)
        self.what = what
        self.power_w = self.card.output_w + self.card.unit.loss_w(self.card.output_w)
        self.bank = tried.state.systems["trial"].units[0].bank
        self.at_s = 0.0

    def readings(self) -> Iterator[Reading | None]:
        """Play the whole sequence."""
        plant = self.card.unit.bank
        run_s = runtime_s(plant, self.bank, self.power_w)
        self.bank = floating(plant, self.bank)
        if self.what.begins_charging:  # nobody saw what was taken from it before
            for _ in range(int(0.35 * run_s)):
                self.bank, _ = discharge(plant, self.bank, self.power_w, _STEP_S)
        yield from self._mains(self.what.watched_s)
        for moment in self.what.moments:
            yield from self._on_bank(moment, run_s)
            if moment.restart:
                yield None
            yield from self._mains(moment.pause_s)

    def _mains(self, seconds: float) -> Iterator[Reading]:
        end_s = self.at_s + seconds
        while self.at_s < end_s:
            long = end_s - self.at_s > 600.0 and seconds > _LONG_S
            step_s = min(_LONG_EVERY_S if long else MAINS_S, end_s - self.at_s)
            self.bank = charge(self.card.unit.bank, self.bank, step_s)
            self.at_s += step_s
            yield self.card.reading(self.bank, self.at_s, since_s=None)

    def _on_bank(self, moment: Moment, run_s: float) -> Iterator[Reading]:
        upto_s, since_s, silent_until_s = moment.depth * run_s, 0.0, -1.0
        self.card.bads += int(not moment.test)
        while since_s < upto_s:
            bank, held = discharge(self.card.unit.bank, self.bank, self.power_w, _STEP_S)
            if not held or bank.voltage_v < 1.70 * self.card.unit.bank.cells:
                return  # a sequence does not drop its load: the mains come back in time
            self.bank = bank
            since_s += _STEP_S
            self.at_s += _STEP_S
            if moment.silent_s and since_s == 10.0:
                silent_until_s = since_s + min(moment.silent_s, 0.5 * upto_s)
            if since_s % BATTERY_S == 0.0 and since_s > silent_until_s:
                yield self.card.reading(self.bank, self.at_s, since_s=since_s, test=moment.test)


async def judged(seed: int, folder: Path) -> Judged | None:
    """Play the sequence of a seed and return the judgement after it; None where nothing could be judged."""
    tried = trial(seed)
    what = sequence(seed)
    play = _Play(tried, what)
    bank = tried.estate.banks[play.card.unit.bank.id]
    present = Present(tried.estate)
    async with Ledger(folder / f"{seed}.sqlite") as ledger:
        book = BankEvidenceBook(tried.estate, ledger, cast("HistoryStore", _NoHistory()), present)
        keeper = DischargeKeeper(tried.estate)
        starts = 1
        last: Reading | None = None
        under_way = False
        for reading in play.readings():
            if reading is None:
                keeper = DischargeKeeper(tried.estate)
                async with ledger.transaction() as tx:
                    for line in keeper.resume(await ledger.open_evidence()):
                        tx.save_evidence(line)
                starts += 1
                play.card.start_id = f"run {starts}"
                continue
            last = present.readings[reading.unit] = reading
            lines = keeper.take(reading)
            if lines:
                async with ledger.transaction() as tx:
                    for line in lines:
                        tx.save_evidence(line)
            running = keeper.discharging(bank.id) is not None if lines else under_way
            if under_way and not running:
                await _judge_discharges(book, bank)
            under_way = running
        if last is None:
            return None
        evidence = await book.gather(bank, last.at)
    if evidence is None or not any(d.fraction is not None for d in evidence.discharges):
        return None
    asked = BankDemand(600.0, play.card.output_w, last.at.date())
    state = judge_bank(replace(evidence, asked=asked)).state
    table = bank.fitted[-1].constant_power[0].minutes_watts
    truth = Truth(tried.plant, tried.state).capacity_fraction(bank.id, play.power_w, table)
    capacity = state.capacity
    if capacity.fraction is None or capacity.low is None or capacity.high is None:
        return None
    return Judged(seed, truth, capacity.fraction, capacity.low, capacity.high, evidence.discharges)


async def _judge_discharges(book: BankEvidenceBook, bank: Bank) -> None:
    """Judge what has ended, as the daemon's `BankJudging` does."""
    for record in await book.unshown(bank):
        losses = await book.losses(bank, record.at.date())
        references = await book.references(bank, record.at)
        recent = await book.recent(bank, record)
        missing = await book.missing(bank, record)
        found = show(bank, bank.fitted[-1], record, losses, references, recent, missing)
        if found is not None:
            await book.keep_shown(record, found)


class _NoHistory:
    """A history that holds nothing: the probe's months and the hours on charge play no part here."""

    async def first(self, _unit: str) -> None:
        return None
