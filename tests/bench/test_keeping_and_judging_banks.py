"""What a bank's discharge costs to keep and its life to judge: `pytest -s tests/bench/test_keeping_and_judging_banks.py`."""

from dataclasses import replace
from datetime import date, timedelta
from time import process_time

from collector.recorder.trackers.discharges import DischargeKeeper
from rules.battery.assessment.bank import judge_bank
from rules.battery.assessment.charging import ChargeHour
from rules.battery.model.ageing import MonthTemperature
from rules.plant.reading import OutputSource
from tests.collector.recorder.trackers import test_discharges as outage
from tests.rules.battery.assessment import test_bank as life

READINGS = 6000
PART = 500


def test_a_long_record_costs_no_more_to_save_than_a_short_one() -> None:
    keeper = DischargeKeeper(outage.estate(outage.bank()))
    costs = []
    for k in range(READINGS):
        source = OutputSource.NORMAL if k == 0 else OutputSource.BATTERY
        reading = outage.read(2.0 * k, source, volts=460.0 - 0.005 * k)
        began = process_time()
        keeper.take(reading)
        costs.append(process_time() - began)
    early, late = sum(costs[PART : 2 * PART]), sum(costs[-PART:])
    print(f"\n{PART} readings into a record: {early * 1e3:.0f} ms early, {late * 1e3:.0f} ms late")
    assert late < 2.0 * early


def test_ten_years_of_a_bank_beside_one() -> None:
    took = {}
    for years in (1, 10):
        fitted = replace(life.FITTED, from_day=date(2024 - years, 1, 1))
        case = life.evidence(
            *(life.discharge(120 * k + 1, 0.93, used=0.25) for k in range(3 * years, -1, -1)),
            hours=tuple(
                ChargeHour(life.NOW - timedelta(hours=k), 2.25, -0.1, 24.0) for k in range(24 * 60, -1, -1)
            ),
            months=tuple(
                MonthTemperature(date(2024 - years + k // 12, k % 12 + 1, 1), 23.0) for k in range(12 * years)
            ),
            bank=replace(life.BANK, fitted=(fitted,)),
        )
        judge_bank(case)
        began = process_time()
        for _ in range(10):
            judge_bank(case)
        took[years] = (process_time() - began) / 10
    print(f"\nwhole judgement: {took[1] * 1e3:.0f} ms of CPU with one year, {took[10] * 1e3:.0f} ms with ten")
    assert took[10] < 10.0 * took[1]  # ten times the discharges and months
