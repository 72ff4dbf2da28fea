"""What was expected of a discharge on record, reckoned when somebody opens it and kept for whoever opens it next."""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from dataclasses import dataclass, replace
from typing import Final

from collector.assessment.bank_evidence import BankEvidenceBook
from collector.assessment.worker import JudgementFailed, Superseded, Worker
from collector.storage.ledger.discharge_record import DischargeRecord
from rules.battery.assessment.before import expected_before
from rules.battery.discharge.expected import ExpectedCourse
from rules.battery.discharge.record.clean_discharge import battery_of
from rules.plant.estate import Estate, in_place

KEPT: Final = 64
"""Answers of some kilobytes each."""
WITHIN_S: Final = 5.0
"""Somebody waits for it, and what runs on its banks is judged before."""


@dataclass(frozen=True, slots=True)
class ExpectedDischarge:
    """What was expected: the volts, None where nothing was known or too little was drawn; and the power of the units, W.

    `power_w` is what they gave just before the bank had to, None where no row shows it.
    """

    volts: ExpectedCourse | None
    power_w: float | None


class ExpectedCourses:
    """Asks the judging process for the band of a discharge; the same band is not reckoned twice."""

    def __init__(self, estate: Estate, worker: Worker, book: BankEvidenceBook) -> None:
        self._estate = estate
        self._worker = worker
        self._book = book
        self._kept: OrderedDict[tuple[str, int, int], ExpectedDischarge] = OrderedDict()

    async def in_time(self, record: DischargeRecord) -> ExpectedDischarge | None:
        """Return what was expected of a record; None where it could not be reckoned within `WITHIN_S`.

        Raises `collector.storage.database.StoreError`.
        """
        try:
            async with asyncio.timeout(WITHIN_S):
                return await self._of(record)
        except (JudgementFailed, Superseded, TimeoutError):
            return None  # the boundary: the worker says what ails it; the discharge is shown without its band

    async def _of(self, record: DischargeRecord) -> ExpectedDischarge:
        newest, _ = await self._book.brought_after(0)
        key = (record.id, len(record.rows), newest)
        found = self._kept.get(key)
        if found is None:
            found = ExpectedDischarge(await self._volts(record), power_before_w(record))
            self._kept[key] = found
            if len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        self._kept.move_to_end(key)
        return found

    async def _volts(self, record: DischargeRecord) -> ExpectedCourse | None:
        bank = self._estate.banks[record.bank]
        day = record.at.date()
        fitted = in_place(bank.fitted, day)
        evidence = await self._book.gather(bank, record.began)
        if fitted is None or evidence is None:
            return None
        losses = await self._book.losses(bank, day)
        references = await self._book.references(bank, record.at)
        missing = await self._book.missing(bank, record)
        temperatures = [row.temperature_c for row in record.rows if row.temperature_c is not None]
        return await self._worker.ask(
            f"expected of {record.id}",
            expected_before,
            replace(evidence, temperature_c=temperatures[0] if temperatures else evidence.temperature_c),
            record.began,
            record.log,
            battery_of(bank, fitted, losses),
            references,
            missing,
            record.id,
        )


def power_before_w(record: DischargeRecord) -> float | None:
    """Return the mean power of the units over the rest before a discharge, W; None where no row shows it."""
    before = [
        row.output_power_w
        for row in record.rows
        if row.t_s < record.started_s and not row.on_battery and row.output_power_w is not None
    ]
    return sum(before) / len(before) if before else None
