"""Asks the judging process about each bank: at the start, when it is told something new, and twice a day.

What another process brings into the ledger (`ridethrough import`) is looked for with every round, so it is
judged within seconds of being recorded.

What a judgement rests on is gathered from the ledger and the newest readings by `gather`; the answer, with
the digest of its input and its seed, goes into the ledger and to the watch like a reading.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Final

from collector.assessment.bank_evidence import BankEvidenceBook
from collector.assessment.shown_discharges import show
from collector.assessment.worker import JudgementFailed, Worker
from collector.process.clock import Clock
from collector.storage.database import StoreError
from rules.battery.assessment.bank import BankJudgement, judge_bank
from rules.plant.estate import Bank, Estate, in_place

EVERY_S: Final = 12 * 3600.0
AGAIN_S: Final = 600.0
LOOK_EVERY_S: Final = 5.0

Told = Callable[[BankJudgement], Awaitable[None]]


class BankJudging:
    """The questions about banks."""

    def __init__(
        self, estate: Estate, worker: Worker, clock: Clock, book: BankEvidenceBook, told: Told
    ) -> None:
        self._estate = estate
        self._worker = worker
        self._clock = clock
        self._book = book
        self._told = told
        self._due_s: dict[str, float] = dict.fromkeys(estate.banks, clock.monotonic_s())
        self._unasked: set[str] = set()
        self._brought_until: int | None = None

    def ask(self, bank: str) -> None:
        """Have a bank judged soon: something new is known of it."""
        self._due_s[bank] = self._clock.monotonic_s()

    async def run(self) -> None:
        """Ask for each bank when it is due, one at a time, until cancelled."""
        while True:
            now_s = self._clock.monotonic_s()
            self._hear_what_is_asked()
            await self._hear_what_was_brought()
            while (name := self._next(now_s)) is not None:
                self._due_s[name] = again_s = now_s + LOOK_EVERY_S
                try:
                    judged = await self._judge(self._estate.banks[name])
                except (JudgementFailed, StoreError):
                    # The boundary: the worker or the stores say what ails them; this bank waits its turn.
                    self._due_s[name] = self._clock.monotonic_s() + AGAIN_S
                    continue
                if judged and self._due_s[name] == again_s:  # else it was asked for once more meanwhile
                    self._due_s[name] = self._clock.monotonic_s() + EVERY_S
            await self._clock.sleep_until(now_s + LOOK_EVERY_S)

    def _next(self, now_s: float) -> str | None:
        """Return the bank to judge next of those that are due: one that gives at this moment before all others."""
        due = [bank for bank, due_s in self._due_s.items() if due_s <= now_s]
        return next(
            (bank for bank in due if self._book.gives(self._estate.banks[bank])), due[0] if due else None
        )

    async def _judge(self, bank: Bank) -> bool:
        """Judge one bank; return whether there was anything to go by yet."""
        await self._judge_discharges(bank)
        evidence = await self._book.gather(bank, self._clock.now())
        if evidence is None:
            return False
        judged = await self._worker.ask(f"bank {bank.id}", judge_bank, evidence)
        if evidence.asked is None:
            self._unasked.add(bank.id)
        await self._told(await self._book.settle(judged))
        return True

    def _hear_what_is_asked(self) -> None:
        """Have banks judged anew that were judged before it was known what their system asks of them."""
        today = self._clock.now().date()
        for name in [n for n in self._unasked if self._book.asked(self._estate.banks[n], today) is not None]:
            self._unasked.discard(name)
            self.ask(name)

    async def _hear_what_was_brought(self) -> None:
        """Have banks judged anew that somebody brought evidence of; at the start all are judged in any case."""
        try:
            newest, banks = await self._book.brought_after(self._brought_until or 0)
        except StoreError:
            return  # the boundary: the stores say what ails them; what was brought is still there next time
        if self._brought_until is not None:
            for name in banks & self._due_s.keys():
                self.ask(name)
        self._brought_until = newest

    async def _judge_discharges(self, bank: Bank) -> None:
        for record in await self._book.unshown(bank):
            fitted = in_place(bank.fitted, record.at.date())
            if fitted is None:
                continue
            losses = await self._book.losses(bank, record.at.date())
            references = await self._book.references(bank, record.at)
            recent = await self._book.recent(bank, record)
            missing = await self._book.missing(bank, record)
            fell = await self._book.fell_with_others(bank, record)
            shown = await self._worker.ask(
                f"discharge {record.id}",
                show,
                bank,
                fitted,
                record,
                losses,
                references,
                recent,
                missing,
                fell,
            )
            if shown is not None:
                await self._book.keep_shown(record, shown)
