"""While banks discharge: what each has left, judged anew at most once in ten seconds.

Between two judgements the belief is carried forward by the power (`collector.assessment.hold_up`); an answer is of the
moment its log ended, and is carried on from there.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from collector.assessment.bank_evidence import BankEvidenceBook
from collector.assessment.hold_up import Judging, seed_of
from collector.assessment.worker import JudgementFailed, Superseded, Worker
from collector.process.clock import Clock
from collector.recorder.trackers.discharges import DischargeKeeper
from collector.storage.ledger.discharge_record import DischargeRecord
from rules.battery.discharge.capacity import ReferenceLog, prepare
from rules.battery.discharge.curve.type_shape import TypeShape
from rules.battery.discharge.live import during
from rules.battery.discharge.record.clean_discharge import Battery, battery_of
from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.model.charge_carried import BankMoment, carried_to
from rules.battery.model.health import BankBelief
from rules.battery.model.recharge import FULL, Nodes
from rules.battery.model.runtime_curve import RuntimeCurve
from rules.plant.estate import Bank, Estate, in_place
from rules.values.reason import Reason

EVERY_S: Final = 10.0
FIRST_AFTER_S: Final = 20.0

Prepared = tuple[TypeShape, RuntimeCurve | None, tuple[Reason, ...]]


class LiveJudging:
    """The questions about running discharges."""

    def __init__(
        self, estate: Estate, worker: Worker, clock: Clock, *,
        keeper: DischargeKeeper, book: BankEvidenceBook, judging: Judging,
    ) -> None:  # fmt: skip
        self._estate = estate
        self._worker = worker
        self._clock = clock
        self._keeper = keeper
        self._book = book
        self._judging = judging
        self._before: dict[str, BankBelief] = {}
        self._of: dict[str, tuple[str, BankBelief]] = {}
        self._prepared: dict[str, Prepared] = {}

    async def run(self) -> None:
        """Look at every bank each ten seconds, until cancelled."""
        while True:
            due_s = self._clock.monotonic_s() + EVERY_S
            for bank in self._estate.banks.values():
                record = self._keeper.discharging(bank.id)
                if record is None:
                    self._before.pop(bank.id, None)
                    self._prepared.pop(bank.id, None)
                else:
                    await self._look(bank, record)
            await self._clock.sleep_until(due_s)

    async def _look(self, bank: Bank, record: DischargeRecord) -> None:
        fitted = in_place(bank.fitted, record.at.date())
        belief = self._judging.on_record(bank.id)
        if fitted is None or belief is None or not record.rows:
            return  # a discharge on top of table and age alone would pass for what the whole record came to
        name, known = self._of.get(bank.id, ("", None))
        if bank.id not in self._before or name != record.id or known is not belief:
            self._of[bank.id] = (record.id, belief)
            missing = await self._book.missing(bank, record)
            self._before[bank.id] = _at_start(belief, record, missing)
        before = self._before[bank.id]
        if record.rows[-1].t_s - record.started_s < FIRST_AFTER_S:
            return
        battery = battery_of(bank, fitted, await self._book.losses(bank, record.at.date()))
        try:
            shape, curve, _ = await self._prepare(bank, battery)
            if curve is None:
                return
            as_of = record.at + timedelta(seconds=record.rows[-1].t_s)
            seed = seed_of(record.id)
            after = await self._worker.ask(
                f"live {bank.id}", live_belief, before, record.log, battery, shape, curve, as_of, seed
            )
        except (JudgementFailed, Superseded):
            return  # the belief goes on being carried; the watch hears of a worker that fails
        if after is not None and self._keeper.discharging(bank.id) is not None:
            self._judging.follow(after)

    async def _prepare(self, bank: Bank, battery: Battery) -> Prepared:
        known = self._prepared.get(bank.id)
        if known is None:
            references = await self._book.references(bank, self._clock.now())
            known = self._prepared[bank.id] = await self._worker.ask(
                f"prepare {bank.id}", prepared, battery, references
            )
        return known


def _at_start(belief: BankBelief, record: DischargeRecord, missing: Nodes) -> BankBelief:
    """Return the belief as it was before the discharge: its health, and what was missing at its start.

    What is missing follows from the discharges kept before this one and what went back since, so a second dip
    soon after the first, or one that began while the collector was away, is judged from where it began.
    """
    started = record.at + timedelta(seconds=record.started_s)
    rng = np.random.default_rng(seed_of(record.id))
    used = rng.permutation(np.resize(np.asarray(missing or FULL), belief.draws))
    powers = [r.output_power_w for r in record.rows if r.on_battery and r.output_power_w]
    spent = belief.spending(used, float(np.mean(powers))) if powers else belief.left_with(used)
    return replace(spent, as_of=started)


async def while_it_gives(book: BankEvidenceBook, bank: Bank, belief: BankBelief, now: datetime) -> BankBelief:
    """Return what is left of a bank that gives at this moment, by what its record came to; what rests is as it was.

    Made at once and in this process, for who looks at a data folder: as the running service has it.
    """
    record, fitted = await book.running(bank), in_place(bank.fitted, now.date())
    if record is None or fitted is None or not record.rows:
        return belief
    before = _at_start(belief, record, await book.missing(bank, record))
    battery = battery_of(bank, fitted, await book.losses(bank, record.at.date()))
    shape, curve, _ = prepare(battery, await book.references(bank, now))
    read_until, after = record.at + timedelta(seconds=record.rows[-1].t_s), None
    if curve is not None:
        seed = seed_of(record.id)
        after = during(before, record.log, battery, shape, curve, as_of=read_until, seed=seed)
    watts = next((r.output_power_w for r in reversed(record.rows) if r.output_power_w is not None), None)
    return carried_to(after or before, BankMoment(now, True, watts), fitted.rated_capacity_ah)


def prepared(battery: Battery, references: tuple[ReferenceLog, ...]) -> Prepared:
    """Return `rules.battery.discharge.capacity.prepare`. Runs in the judging process."""
    return prepare(battery, references)


def live_belief(  # noqa: PLR0917 - the worker takes positional arguments
    before: BankBelief, log: DischargeLog, battery: Battery, shape: TypeShape, curve: RuntimeCurve, as_of: datetime, seed: int,
) -> BankBelief | None:  # fmt: skip
    """Return `rules.battery.discharge.live.during`. Runs in the judging process."""
    return during(before, log, battery, shape, curve, as_of=as_of, seed=seed)
