"""A maker's table that somebody pastes, tried: how long the system would be said to hold by it. Nothing is kept.

The plant is declared in the estate file alone; what is given back is the line for it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from collector.assessment.bank_evidence import BankEvidenceBook
from collector.assessment.hold_up import Judging
from collector.assessment.worker import Worker
from collector.configuration.faults import ConfigError
from collector.planning.pasted_table import file_line, pasted_table
from collector.planning.planner import NotYet
from collector.process.clock import Clock
from rules.battery.assessment.bank import judge_bank
from rules.battery.assessment.evidence import BankEvidence
from rules.battery.model.health import BankBelief
from rules.plant.estate import Bank, Estate, FittedBank, in_place
from rules.system.assessment import task_of
from rules.system.hold_up.judgement import hold_ups
from rules.system.hold_up.sampling import DRAWS, SEED
from rules.system.hold_up.task import HoldUpTask
from rules.system.state import HoldUps


class TableRefused(ValueError):  # noqa: N818 - it says how things stand
    """The table cannot be one; the text names each fault with its place and the remedy."""


@dataclass(frozen=True, slots=True)
class TriedTable:
    """A table that was tried at a bank: the line for the estate file, and what would be said by it.

    `line` belongs below the blocks of `banks`, all of the type `fitted`. `now`, `then`: how long the bank's system is and would be
    said to hold, None where that is not judged yet.
    """

    bank: str
    system: str
    fitted: str
    banks: tuple[str, ...]
    line: str
    now: HoldUps | None
    then: HoldUps


class TableTrials:
    """Tries tables, in the judging process, behind the judgements."""

    def __init__(
        self, estate: Estate, worker: Worker, clock: Clock, judging: Judging, book: BankEvidenceBook
    ) -> None:
        self._estate = estate
        self._worker = worker
        self._clock = clock
        self._judging = judging
        self._book = book

    async def tried(
        self, bank: str, text: str, now: HoldUps | None, *, per_block: bool = False
    ) -> TriedTable:
        """Return what a pasted table would come to; `now`: what is said of the bank's system; `per_block`: its watts are a block's.

        Raises TableRefused, NotYet, `collector.assessment.worker.JudgementFailed` and `collector.storage.database.StoreError`.
        """
        today = self._clock.now().date()
        place = self._estate.banks[bank]
        fitted = in_place(place.fitted, today)
        if fitted is None:
            raise TableRefused("no blocks are declared to be in this bank's place today")
        try:
            cells = place.cells_in_a_block(fitted) if per_block else 1
            printed = await asyncio.to_thread(pasted_table, text, fitted, cells=cells)
        except ConfigError as error:
            raise TableRefused(
                "; ".join(f"{f.place}: want {f.want}; got {f.got}" for f in error.faults)
            ) from error
        system = self._estate.units[place.feeds[0]].system
        found = self._judging.seen(system)
        if found is None:
            raise NotYet(system)
        alike = [one for one in self._estate.banks.values() if _alike(fitted, in_place(one.fitted, today))]
        evidence = []
        for one in self._estate.banks_of_system(system):
            gathered = await self._book.gather(one, self._clock.now()) if one in alike else None
            if gathered is not None:
                evidence.append(replace(gathered, bank=_with(one, fitted, printed)))
        beliefs = {
            b.id: self._judging.beliefs[b.id]
            for b in self._estate.banks_of_system(system)
            if b.id in self._judging.beliefs
        }
        then = await self._worker.ask(
            f"table of {bank}", _held_by, task_of(*found), beliefs, evidence, about="table"
        )
        return TriedTable(
            bank, system, fitted.type, tuple(one.id for one in alike), file_line(printed), now, then
        )


def _alike(fitted: FittedBank, own: FittedBank | None) -> bool:
    """Return whether blocks are of the same type and stop at the same voltage: then the table is theirs too."""
    return (
        own is not None
        and own.type == fitted.type
        and own.end_voltage_per_cell_v == fitted.end_voltage_per_cell_v
    )


def _with(bank: Bank, fitted: FittedBank, printed: FittedBank) -> Bank:
    """Return a bank whose blocks of the type have the table."""
    return replace(
        bank,
        fitted=tuple(
            replace(one, constant_power=printed.constant_power) if _alike(fitted, one) else one
            for one in bank.fitted
        ),
    )


def _held_by(
    task: HoldUpTask, beliefs: Mapping[str, BankBelief], evidence: Sequence[BankEvidence]
) -> HoldUps:
    """Return how long a system holds with some banks judged anew. Runs in the judging process."""
    anew = {one.bank.id: judge_bank(one).belief for one in evidence}
    return hold_ups(task, {**beliefs, **anew}, SEED, DRAWS).hold_ups
