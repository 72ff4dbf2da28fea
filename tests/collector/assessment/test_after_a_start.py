"""The first minute after a start, with years on record: what was not judged yet is said to be, and what gives comes first."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import TypeVar, cast

import numpy as np

from collector.assessment.bank_evidence import BankEvidenceBook
from collector.assessment.banks import LOOK_EVERY_S, BankJudging
from collector.assessment.hold_up import Judging
from collector.assessment.live_discharge import LiveJudging
from collector.assessment.worker import Worker
from collector.process.clock import TurnedClock, stamp
from collector.recorder.current_state import Present
from collector.recorder.trackers.discharges import DischargeKeeper
from collector.storage.ledger.discharge_record import DischargeRecord, DischargeRow, Phase
from rules.battery.model.health import BankBelief
from rules.battery.model.inverter_losses import Losses, default_losses
from rules.battery.model.recharge import FULL, Nodes
from rules.phrasing.reasons import said
from rules.plant.estate import Bank, Estate
from rules.plant.reading import OutputSource
from rules.system.assessment import system_state, task_of
from rules.system.hold_up.judgement import hold_ups
from rules.system.hold_up.sampling import SEED
from rules.system.observation import glance
from rules.values.verdict import Verdict
from tests.rules.sample_plants import estate, known_banks, reading, view

START = datetime(2026, 3, 1, 12, tzinfo=UTC)
T = TypeVar("T")


@dataclass
class Asked(Worker):
    """Answers at once, in this process, and keeps what it was asked."""

    def __init__(self) -> None:
        super().__init__()
        self.asked: list[tuple[str, tuple[object, ...]]] = []

    async def ask(
        self, key: str, function: Callable[..., T], *arguments: object, about: str | None = None
    ) -> T:
        self.asked.append((key, arguments))
        return function(*arguments)

    def before(self) -> list[BankBelief]:
        """Return the beliefs that running discharges were held against."""
        return [cast("BankBelief", a[0]) for key, a in self.asked if key.startswith("live")]


@dataclass
class Books:
    """A book of banks in a fixed state; notes whom it is asked about."""

    giving: set[str] = field(default_factory=set)
    gathered: list[str] = field(default_factory=list)

    def gives(self, bank: Bank) -> bool:
        return bank.id in self.giving

    async def unshown(self, bank: Bank) -> tuple[()]:
        return ()

    async def gather(self, bank: Bank, as_of: datetime) -> None:
        self.gathered.append(bank.id)

    async def brought_after(self, row: int) -> tuple[int, frozenset[str]]:
        return row, frozenset()

    async def missing(self, bank: Bank, record: DischargeRecord) -> Nodes:
        return FULL

    async def losses(self, bank: Bank, day: object) -> Losses:
        return default_losses(None)

    async def references(self, bank: Bank, as_of: datetime) -> tuple[()]:
        return ()


class Keeper:
    """Bank A1's discharge, which runs."""

    def __init__(self, record: DischargeRecord) -> None:
        self.record = record

    def discharging(self, bank: str) -> DischargeRecord | None:
        return self.record if bank == self.record.bank else None


def running(plant: Estate, bank: str) -> DischargeRecord:
    """Return a discharge of 9 kW that has run for a minute."""
    cells = plant.banks[bank].cells
    rows = tuple(
        DischargeRow(
            float(t), cells * (2.0 - 0.0002 * t), 9400.0 / (2.0 * cells), 25.0, 9000.0, on_battery=True
        )
        for t in range(0, 62, 2)
    )
    return DischargeRecord("d1", bank, START, "outage", rows, Phase.DISCHARGING, 0.0)


async def test_a_bank_that_gives_is_judged_before_all_others() -> None:
    plant, clock, books = estate(4), TurnedClock(START), Books()
    last = list(plant.banks)[-1]
    books.giving.add(last)
    judging = BankJudging(
        plant, Worker(), clock, cast("BankEvidenceBook", books), asyncio.Queue[object]().put
    )
    running_on = asyncio.create_task(judging.run())
    await clock.advance(LOOK_EVERY_S - 1.0)
    assert books.gathered == [last, *(bank for bank in plant.banks if bank != last)]
    running_on.cancel()


async def test_a_running_discharge_waits_for_the_record_and_begins_anew_with_a_newer_judgement() -> None:
    plant, clock, worker = estate(), TurnedClock(START), Asked()
    judging = Judging(plant, worker, clock, Present(plant), asyncio.Queue[object]().put)
    bank = plant.banks_of("A1")[0].id
    judging.carry(replace(reading("A1", source=OutputSource.BATTERY), stamp=stamp(clock)))
    live = LiveJudging(
        plant, worker, clock, keeper=cast("DischargeKeeper", Keeper(running(plant, bank))),
        book=cast("BankEvidenceBook", Books()), judging=judging,
    )  # fmt: skip
    looking = asyncio.create_task(live.run())
    await clock.advance(11.0)
    assert worker.before() == [], "table and age alone say nothing of what is on record"
    first, second = (known_banks(plant, health)[bank] for health in (0.9, 0.7))
    for judged in (first, second):
        judging.believe(judged)
        await clock.advance(11.0)
    medians = [float(np.median(before.health)) for before in worker.before()]
    looking.cancel()
    assert [round(median, 1) for median in dict.fromkeys(medians)] == [0.9, 0.7]


def test_until_every_bank_is_judged_no_figure_is_given_and_the_banks_are_named() -> None:
    plant = estate(2)
    readings = [reading(u, source=OutputSource.BATTERY) for u in ("A1", "A2")]
    seen = view(plant, readings)
    banks = known_banks(plant)
    late = plant.banks_of("A2")[0].id
    judged = hold_ups(task_of(seen, glance(seen)), {b: v for b, v in banks.items() if b != late}, SEED)
    state = system_state(seen, glance(seen, judged), judged)
    why = f"Bank {late} has not been judged yet since the start."
    assert state.hold_up.now.low_s is None
    assert state.hold_up.now.median_s is None
    assert said(state.hold_up.because) == (why,)
    assert [r.verdict for r in state.requirements] == [Verdict.CANNOT_TELL]
    assert said(state.requirements[0].because) == (why,), "and nothing of a bank that was never shown"
    none = hold_ups(task_of(seen, glance(seen)), {}, SEED)
    assert said(none.missing) == (
        f"Banks {plant.banks_of('A1')[0].id} and {late} have not been judged yet since the start.",
    )
