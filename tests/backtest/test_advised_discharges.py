"""On the demonstration's estate: what is advised of each bank, then the advised discharge, and where the day to order went.

pytest -s tests/backtest/test_advised_discharges.py    # two minutes a seed; prints the table

The discharge is played by the plant's physics at the day and for the minutes of the advice, goes through the service's own
keeper and estimator, and the bank is judged anew the day after. What was foretold knew nothing of the plant.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest

from collector.assessment.shown_discharges import show
from collector.configuration import load
from collector.read_model.stored import StoredEstate
from collector.read_model.stored_source import judged_again
from collector.recorder.trackers.missing_charge import records_of
from collector.service.service import Service
from collector.simulation.cards.card import Meters
from collector.simulation.estate import SimulatedEstate
from collector.simulation.past.episodes import Episode
from collector.simulation.past.idle_readings import IdleWriter, installed_in
from collector.simulation.past.played import play
from collector.simulation.past.records import evidence_of
from collector.simulation.scenario.demonstration import UNITS, Installed, SimScenario
from rules.battery.assessment.bank import judge_bank
from rules.battery.discharge.evidence import DischargeEvidence
from rules.battery.state import BankState, DischargeAdvice
from rules.phrasing.reasons import say
from rules.planning.programme.discharge_visits import VisitDischarge, discharge_visits

SLACK = timedelta(days=14)
"""Less than that is not told as a move."""


@dataclass(frozen=True)
class Moved:
    """What was foretold of a bank, and what came of it."""

    bank: str
    advice: DischargeAdvice
    shown: DischargeEvidence
    order_by: date | None

    @property
    def told_on(self) -> date:
        """Return the day to order as it counts: none lies before the discharge."""
        return max(self.order_by or date.max, self.advice.on)

    @property
    def inside(self) -> bool:
        return self.advice.order_early - SLACK <= self.told_on <= self.advice.order_late + SLACK

    def __str__(self) -> str:
        a, s = self.advice, self.shown
        seen = f"{s.fraction or s.used:.1%}" + (" to its end" if s.ended else "")
        return (
            f"{self.bank:18} {a.on} {a.for_s / 60.0:3.0f} min {a.depth_fraction:4.0%}  order {a.order_by}  foretold "
            f"{a.expected_days} d, {a.order_early} to {a.order_late}; shown {seen:12} order {self.order_by}"
            f"{'' if self.inside else '  OUTSIDE'}"
        )


async def _made(
    kept: StoredEstate, scenario: SimScenario, installed: Installed, advice: DischargeAdvice
) -> tuple[DischargeEvidence, BankState]:
    """Play the advised discharge; return what it showed, and what is said of the bank the day after."""
    bank = kept.estate.banks[installed.bank]
    now = scenario.now
    days = (advice.on - now.date()).days
    system = scenario.plant.systems[installed.system]
    writers = [
        IdleWriter(u, p, Meters.of(scenario.seed, u.unit), now.timestamp())
        for u, p in zip(installed_in(system.id), system.units, strict=True)
    ]
    played = play(scenario, Episode(system.id, 0.4 - days, advice.for_s, tests=(installed.unit,)), writers)
    (record,) = records_of(evidence_of(kept.estate, played.readings[installed.unit]), bank)
    assert record.at.date() == advice.on
    fitted = bank.fitted[-1]
    shown = show(
        bank,
        fitted,
        record,
        await kept.book.losses(bank, record.at.date()),
        await kept.book.references(bank, record.at),
        await kept.book.recent(bank, record),
        await kept.book.missing(bank, record),
    )
    assert shown is not None
    evidence = await kept.book.gather(bank, now)
    assert evidence is not None
    after = datetime.combine(advice.on + timedelta(days=1), time(12), tzinfo=UTC)
    state = judge_bank(replace(evidence, discharges=(*evidence.discharges, shown), as_of=after)).state
    return shown, state


@pytest.mark.parametrize("seed", [1, 2, 3])
async def test_the_day_to_order_moves_as_foretold(tmp_path: Path, seed: int) -> None:
    async with SimulatedEstate(tmp_path / "plant", cues=(), seed=seed) as plant:
        configuration = load(plant.estate_file)
        async with Service(configuration, tmp_path / "data") as service:
            await plant.write_past(service.history, ledger=service.ledger, estate=service.estate)
    scenario = plant.scenario
    async with StoredEstate(configuration, tmp_path / "data") as kept:
        await judged_again(kept)
        banks = kept.present.banks
        visits = discharge_visits(kept.estate, tuple(banks.values()))
        advised: dict[str, VisitDischarge] = {d.bank: d for v in visits for d in v.discharges}
        print(f"\nseed {seed}")
        for name, state in banks.items():
            if state.tests is not None and state.tests.without_advice is not None:
                print(f"{name:18} order {state.dates.order_by}  {say(state.tests.without_advice)}")
        moved = []
        for installed in UNITS:
            if installed.bank in advised:
                advice = advised[installed.bank].advice
                shown, after = await _made(kept, scenario, installed, advice)
                moved.append(Moved(installed.bank, advice, shown, after.dates.order_by))
        print(*moved, sep="\n")
    assert len(banks) == len(UNITS)
    assert moved
    assert sum(not one.inside for one in moved) <= 1, "nine in ten are foretold to lie inside"
