"""What comes round on the plant, and when it is due."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from rules.battery.state import BankState, TestPlan
from rules.phrasing.reasons import say
from rules.planning.programme.programme import Job, ProgrammeRow, Terms, programme
from rules.planning.programme.service_due import Done, service_items, work_due
from rules.plant.estate import Estate, FittedUnit, Unit
from rules.values.reason import told
from tests.rules.planning.programme.test_programme import state
from tests.rules.sample_plants import BLOCKS, estate

TODAY = date(2026, 11, 24)
CABINET = FittedUnit(
    date(2020, 1, 1),
    None,
    "cabinet",
    30_000.0,
    27_000.0,
    life_years=7.0,
    fans_every_years=5.0,
    capacitors_every_years=8.0,
    visit_every_years=0.5,
)


def plant() -> Estate:
    return estate(1, units=[Unit("A1", "A", 3, (1, 2, 3), (CABINET,))])


def rows(
    *done: Done, banks: tuple[BankState, ...] = (), terms: Terms | None = None
) -> dict[Job, ProgrammeRow]:
    items = service_items(plant(), done, TODAY)
    found = programme(plant(), banks, TODAY, service=items, terms=terms)
    return {row.job: row for row in found.rows}


def due(*done: Done) -> dict[str, str | None]:
    items = service_items(plant(), done, TODAY)
    return {
        item.alarm: say(item.why) or None
        for item in work_due(programme(plant(), (), TODAY, service=items), plant())
    }


def test_what_was_never_recorded_is_due_an_interval_after_the_cabinet_came() -> None:
    found = rows()
    assert found[Job.FANS].due == date(2024, 12, 31)  # five years of 365.25 days
    assert found[Job.FANS].overdue
    assert "never recorded" in say(found[Job.FANS].because)
    assert found[Job.CAPACITORS].due == date(2028, 1, 1)
    assert found[Job.REPLACE_UNIT].due == date(2027, 1, 1)


def test_what_was_done_is_due_an_interval_later() -> None:
    found = rows(Done(Job.FANS, "A1", date(2025, 3, 1)), Done(Job.FANS, "A1", date(2022, 3, 1)))
    assert found[Job.FANS].due == date(2030, 3, 1)
    assert not found[Job.FANS].overdue


def test_work_on_the_cabinet_before_does_not_count() -> None:
    assert rows(Done(Job.FANS, "A1", date(2019, 6, 1)))[Job.FANS].due == date(2024, 12, 31)


def test_a_visit_to_a_place_without_an_interval_comes_round_in_a_year() -> None:
    found = rows(Done(Job.VISIT, "bank A1", date(2026, 6, 1)))
    assert found[Job.VISIT].about in {"A1", "bank A1"}
    items = service_items(plant(), [Done(Job.VISIT, "bank A1", date(2026, 6, 1))], TODAY)
    assert {item.about for item in items if item.job is Job.VISIT} == {"A1", "bank A1"}


def test_each_kind_of_work_asks_by_an_alarm_of_its_own_from_its_day_on() -> None:
    said = due()
    assert set(said) == {"unit_order_now", "fans_due", "capacitors_due", "visit_due"}
    assert said["capacitors_due"] is None
    assert said["fans_due"] is not None
    assert "31 Dec 2024" in said["fans_due"]
    assert said["unit_order_now"] is not None  # 84 days of lead time before the first of January
    assert due(Done(Job.FANS, "A1", date(2026, 1, 1)))["fans_due"] is None


def test_a_test_that_a_judged_bank_is_due_for_is_in_the_programme_unless_its_blocks_go_before() -> None:
    test = TestPlan(None, date(2027, 3, 1), 730, told("no test in two years."))
    bank = replace(state("bank A1", date(2030, 1, 1)), tests=test)
    assert rows(banks=(bank,))[Job.BANK_TEST].due == date(2027, 3, 1)
    gone = replace(state("bank A1", date(2027, 1, 1)), tests=test)
    assert Job.BANK_TEST not in rows(banks=(gone,))


def test_the_blocks_of_all_strings_are_paid_once() -> None:
    assert BLOCKS.blocks == 40
    bank = state("bank A1", date(2030, 1, 1))
    two = replace(plant().banks["bank A1"], strings=2, fitted=(replace(BLOCKS, blocks=80),))
    made = replace(plant(), banks={"bank A1": two})
    found = programme(made, (bank,), TODAY, terms=Terms(price_per_block=100.0))
    assert next(r.cost for r in found.rows if r.job is Job.REPLACE_BANK) == pytest.approx(8000.0)


def test_a_visit_further_off_than_a_visit_may_gather_stands_alone() -> None:
    near = Terms(together=timedelta(days=400))
    assert rows(terms=near)[Job.REPLACE_UNIT].visit is not None
    assert rows(terms=Terms(together=timedelta(0)))[Job.REPLACE_UNIT].visit is None
