"""What is left of a bank, told while it gives, in sequences of outages, tests and partial recharges, beside its own truth.

`pytest -s tests/backtest/test_live_in_dips.py` prints how often the truth lies inside the 90 % interval, and how often the bank
ended sooner than the low end, of first times on the bank and of later ones, whose error the first ones share.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from statistics import fmean
from typing import cast

import numpy as np

from collector.assessment.bank_evidence import BankEvidenceBook
from collector.assessment.live_discharge import _at_start
from collector.recorder.current_state import Present
from collector.recorder.trackers.discharges import DischargeKeeper
from collector.simulation.plant.published import runtime_s
from collector.simulation.scenario.random_systems import trial
from collector.storage.history.store import HistoryStore
from collector.storage.ledger import Ledger
from rules.battery.assessment.bank import judge_bank
from rules.battery.discharge.capacity import prepare
from rules.battery.discharge.live import during
from rules.battery.discharge.record.clean_discharge import battery_of
from tests.backtest.dips import _judge_discharges, _NoHistory, _Play, sequence

SEQUENCES = 100
LOOKS_S = (30.0, 60.0, 120.0, 240.0, 480.0, 960.0, 1920.0)
FAR = 0.75
"""A bank that ends before this part of the low end was promised a third more than it gave."""


@dataclass(frozen=True)
class Left:
    """What was told of a running discharge: s at the least and at the most, beside what was left. `nth`: of its sequence."""

    nth: int
    low_s: float
    high_s: float
    truth_s: float
    whole_s: float


async def told_in(seed: int, folder: Path) -> list[Left]:
    """Play a sequence and judge each of its discharges while it runs."""
    tried = trial(seed)
    play = _Play(tried, sequence(seed))
    bank, told = tried.estate.banks[play.card.unit.bank.id], list[Left]()
    present = Present(tried.estate)
    async with Ledger(folder / f"{seed}.sqlite") as ledger:
        book = BankEvidenceBook(tried.estate, ledger, cast("HistoryStore", _NoHistory()), present)
        keeper, running, nth, starts = DischargeKeeper(tried.estate), "", 0, 1
        looks: list[float] = []
        for reading in play.readings():
            if reading is None:
                keeper, starts = DischargeKeeper(tried.estate), starts + 1
                lines = keeper.resume(await ledger.open_evidence())
                play.card.start_id = f"run {starts}"
            else:
                present.readings[reading.unit] = reading
                lines = keeper.take(reading)
            if lines:
                async with ledger.transaction() as tx:
                    for line in lines:
                        tx.save_evidence(line)
            record = keeper.discharging(bank.id)
            if reading is None or record is None:
                if running and record is None:
                    await _judge_discharges(book, bank)
                    running = ""
                continue
            if record.id != running:
                running, nth, looks = record.id, nth + 1, list(LOOKS_S)
                evidence = await book.gather(bank, reading.at)
                assert evidence is not None
                before = _at_start(judge_bank(evidence).belief, record, await book.missing(bank, record))
                battery = battery_of(bank, bank.fitted[-1], await book.losses(bank, record.at.date()))
                shape, curve, _ = prepare(battery, await book.references(bank, reading.at))
            lasted_s = record.rows[-1].t_s - record.started_s
            if curve is None or not looks or lasted_s < looks[0]:
                continue
            looks = [s for s in looks if s > lasted_s]
            as_of = record.at + timedelta(seconds=record.rows[-1].t_s)
            after = during(before, record.log, battery, shape, curve, as_of=as_of, seed=seed)
            watts = [row.output_power_w for row in record.rows[-5:] if row.output_power_w]
            if after is None or not watts:
                continue
            low_s, high_s = np.quantile(after.seconds_left(fmean(watts)), (0.05, 0.95))
            truth_s = runtime_s(play.card.unit.bank, play.bank, play.power_w)
            told.append(Left(nth, float(low_s), float(high_s), truth_s, truth_s + lasted_s))
    return told


async def test_what_is_left_is_told_in_first_and_in_later_outages(tmp_path: Path) -> None:
    told = [one for seed in range(SEQUENCES) for one in await told_in(seed, tmp_path)]
    for name, part in (("first", [t for t in told if t.nth == 1]), ("later", [t for t in told if t.nth > 1])):
        inside = fmean(t.low_s <= t.truth_s <= t.high_s for t in part)
        early, far = (fmean(t.truth_s < share * t.low_s for t in part) for share in (1.0, FAR))
        width = fmean((t.high_s - t.low_s) / t.whole_s for t in part)
        print(
            f"\n{name}: {len(part)} times told, inside {inside:.0%}, before the low end {early:.1%}, by far {far:.1%}; "
            f"width {width:.2f} of the whole time",
            end="",
        )
        assert inside >= 0.8
        assert far <= 0.02
