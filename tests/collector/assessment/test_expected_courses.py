"""What a discharge on record was expected to be: by what was known before it, reckoned once."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any, cast

from collector.assessment.bank_evidence import BankEvidenceBook
from collector.assessment.expected_courses import ExpectedCourses
from collector.assessment.shown_discharges import show, shown_line
from collector.assessment.worker import JudgementFailed, Worker
from collector.recorder.current_state import Present
from collector.storage.ledger import Ledger
from collector.storage.ledger.discharge_record import DischargeRecord, to_evidence
from rules.battery.model.inverter_losses import default_losses
from tests.collector.assessment.test_bank_evidence import FITTED, bank, book, present, record

__all__ = ["present"]


class Inline:
    """A judging process that answers at once, and counts."""

    def __init__(self) -> None:
        self.asked: list[str] = []
        self.fails = False

    async def ask(self, key: str, function: Callable[..., Any], *arguments: Any) -> Any:
        self.asked.append(key)
        if self.fails:
            raise JudgementFailed(key)
        return function(*arguments)


async def keep(ledger: Ledger, gathered: BankEvidenceBook, made: DischargeRecord) -> None:
    """Keep a discharge with what it showed."""
    shown = show(bank(1), FITTED, made, default_losses(27_000.0), (), None)
    assert shown is not None
    async with ledger.transaction() as tx:
        tx.save_evidence(to_evidence(made))
        tx.save_evidence(shown_line(made, shown))


def years_before(made: DischargeRecord, years: int, name: str) -> DischargeRecord:
    return replace(made, id=name, at=made.at - timedelta(days=365 * years))


async def test_what_came_later_changes_nothing_of_what_was_expected(present: Present, tmp_path: Path) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        gathered, worker = book(present, ledger), Inline()
        courses = ExpectedCourses(present.estate, cast("Worker", worker), gathered)
        first = years_before(record(), 2, "b1-first")
        await keep(ledger, gathered, first)
        alone = await courses.in_time(first)
        assert alone is not None
        assert alone.volts is not None
        assert alone.power_w == 4400.0  # of the row before
        assert await courses.in_time(first) is alone
        assert len(worker.asked) == 1  # kept
        await keep(ledger, gathered, record(seconds=1200.0))
        again = await courses.in_time(first)
        assert len(worker.asked) == 2  # evidence came, so it was reckoned anew: and is the same
        assert again == alone


async def test_an_earlier_discharge_narrows_the_band(present: Present, tmp_path: Path) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        gathered = book(present, ledger)
        courses = ExpectedCourses(present.estate, cast("Worker", Inline()), gathered)
        await keep(ledger, gathered, record())
        by_age = await courses.in_time(record())
        await keep(ledger, gathered, years_before(record(seconds=1500.0), 1, "b1-first"))
        by_test = await courses.in_time(record())
        assert by_age is not None
        assert by_age.volts is not None
        assert by_test is not None
        assert by_test.volts is not None
        wide, narrow = (v.high_v[-1] - v.low_v[-1] for v in (by_age.volts, by_test.volts))
        assert narrow < wide


async def test_a_judgement_that_fails_leaves_the_discharge_without_its_band(
    present: Present, tmp_path: Path
) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        gathered, worker = book(present, ledger), Inline()
        courses = ExpectedCourses(present.estate, cast("Worker", worker), gathered)
        await keep(ledger, gathered, record())
        worker.fails = True
        assert await courses.in_time(record()) is None
        worker.fails = False
        assert await courses.in_time(record()) is not None
