"""What the ledger and the history know of a bank, gathered into what a judgement rests on.

A discharge is judged once, when it has ended: what it showed is kept in the ledger beside its record, so a
better way of judging can be applied to the same record later.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterable, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Final

from collector.assessment.bank_demand import BankDemands
from collector.assessment.bank_history import BankHistory
from collector.assessment.evidence_files import HAND_SCHEMA, block_values
from collector.assessment.shown_discharges import SHOWN, is_news, plainly_shown, shown_line
from collector.assessment.teaching import TypeLesson, teaching
from collector.recorder.current_state import Present
from collector.recorder.trackers.missing_charge import (
    QUICK,
    WELL_BEFORE,
    missing_at_start,
    records_of,
    since_the_last,
)
from collector.storage.history.store import HistoryStore
from collector.storage.ledger import Ledger
from collector.storage.ledger.discharge_record import SHOWN_SUFFIX, DischargeRecord, Phase, shown_id
from collector.storage.ledger.records import Evidence
from rules.battery.assessment.bank import BankJudgement
from rules.battery.assessment.evidence import BankEvidence, HandReading, Sibling, losses_from
from rules.battery.assessment.replacement import BankDemand
from rules.battery.assessment.settled import settled
from rules.battery.discharge.capacity import ReferenceLog
from rules.battery.discharge.estimate import RECENT_DAYS, EarlierLog
from rules.battery.discharge.evidence import DischargeEvidence
from rules.battery.discharge.outcome import at_its_end
from rules.battery.discharge.record.clean_discharge import battery_of
from rules.battery.model.ageing import MonthTemperature
from rules.battery.model.inverter_losses import Losses, default_losses
from rules.battery.model.recharge import FULL, Nodes
from rules.battery.model.size_factors import coldest_of
from rules.battery.state import BankState, LifeLesson
from rules.plant.estate import Bank, Estate, in_place
from rules.values.serial import from_plain

MOST_REFERENCES: Final = 8


SIBLING_DAYS: Final = 366


FALLEN_WITHIN: Final = timedelta(seconds=15)
"""Units of one system that lost their output within this fell together: each is read every few seconds."""


FEWEST_FOR_LOSSES: Final = 3
"""With fewer discharges whose current was read, the default losses stand."""


async def none_planned(_bank: Bank, _at: datetime) -> date | None:
    """Return None: nobody plans tests."""
    return None


class BankEvidenceBook:
    """Gathers evidence by bank."""

    def __init__(
        self,
        estate: Estate,
        ledger: Ledger,
        history: HistoryStore,
        present: Present,
        *,
        growth: Callable[[str], float] = lambda _system: 0.0,
        next_test: Callable[[Bank, datetime], Awaitable[date | None]] = none_planned,
    ) -> None:
        self._next_test = next_test
        self._estate = estate
        self._ledger = ledger
        self._history = history
        self._present = present
        self._read = BankHistory(history)
        self._demands = BankDemands(estate, present, growth)
        self._noted: dict[str, list[Evidence]] = {}
        self._before: dict[str, BankState | None] = {}
        self._teaches: dict[str, tuple[object, tuple[TypeLesson, ...]]] = {}
        self.coldest_c: dict[str, float] = {}
        """The coldest a bank gets, deg C, by bank, as of when it was last gathered."""

    def gives(self, bank: Bank) -> bool:
        """Return whether a unit behind a bank was last read on it."""
        return any((r := self._present.readings.get(u)) is not None and r.on_battery for u in bank.feeds)

    async def unshown(self, bank: Bank) -> tuple[DischargeRecord, ...]:
        """Return the discharges of a bank that have ended and have not been judged by its table of now, oldest first."""
        lines = await self._lines(bank.id)
        shown = {line.id: line for line in lines if line.schema == SHOWN}
        records = records_of(lines, bank)
        return tuple(
            record
            for place, record in enumerate(records)
            if record.kind not in QUICK
            and record.phase is not Phase.DISCHARGING
            and is_news(
                record,
                shown.get(shown_id(record.id)),
                records[:place],
                in_place(bank.fitted, record.at.date()),
            )
        )

    async def running(self, bank: Bank) -> DischargeRecord | None:
        """Return the discharge on record that runs, None where no unit behind the bank was last read on it."""
        if not self.gives(bank):
            return None
        records = records_of(await self._lines(bank.id), bank)
        return next((r for r in reversed(records) if r.phase is Phase.DISCHARGING), None)

    async def missing(self, bank: Bank, record: DischargeRecord) -> Nodes:
        """Return what a bank had not back when a discharge began, as equally likely shares of published time."""
        lines = await self._lines(bank.id, since=record.at - WELL_BEFORE)
        fitted = in_place(bank.fitted, record.at.date())
        if fitted is None:
            return FULL
        earlier = [r for r in records_of(lines, bank) if r.began < record.began and r.id != record.id]
        shown = {
            line.id.removesuffix(SHOWN_SUFFIX): from_plain(DischargeEvidence, line.body)
            for line in lines
            if line.schema == SHOWN
        }
        losses = self._losses(bank, record.at.date(), lines)
        for one in earlier:  # a dip that follows in seconds does not wait for the first to be judged
            if one.id not in shown and one.kind not in QUICK and one.ended is not None:
                missing = missing_at_start(bank, fitted, one, earlier[: earlier.index(one)], shown)
                plain = plainly_shown(bank, fitted, one, losses, missing)
                if plain is not None:
                    shown[one.id] = plain
        return missing_at_start(bank, fitted, record, earlier, shown)

    async def fell_with_others(self, bank: Bank, record: DischargeRecord) -> bool:
        """Return whether others of a bank's system lost their output with it, one of which was at its end.

        Units that are left alone with too much load fall by overload, and their banks have not failed.
        """
        if record.ended_how != "output_lost" or record.ended is None:
            return False
        for other in self._estate.banks_of_system(self._estate.units[bank.feeds[0]].system):
            fitted = in_place(other.fitted, record.at.date())
            if other.id == bank.id or fitted is None:
                continue
            for one in records_of(await self._lines(other.id, since=record.at - WELL_BEFORE), other):
                volts = [row.voltage_v for row in one.discharge_rows if row.voltage_v]
                over = one.ended or one.at + timedelta(seconds=one.rows[-1].t_s)
                if (
                    abs(over - record.ended) <= FALLEN_WITHIN
                    and volts
                    and at_its_end(min(volts), fitted, other)
                ):
                    return True
        return False

    async def brought_after(self, row: int) -> tuple[int, frozenset[str]]:
        """Return the ledger's newest row of evidence, and the banks of which somebody brought some after `row`."""
        return await self._ledger.brought_after(row)

    async def keep_shown(self, record: DischargeRecord, shown: DischargeEvidence) -> None:
        """Keep what a discharge showed."""
        async with self._ledger.transaction() as tx:
            tx.save_evidence(shown_line(record, shown))

    def note_shown(self, record: DischargeRecord, shown: DischargeEvidence) -> None:
        """Take what a discharge showed into account as long as this book is open, without keeping it."""
        self._noted.setdefault(record.bank, []).append(shown_line(record, shown))

    async def _lines(self, bank: str, since: datetime | None = None) -> Sequence[Evidence]:
        """Return the evidence kept of a bank and what was noted beside it, oldest first."""
        kept = await self._ledger.evidence(bank, since=since)
        noted = [one for one in self._noted.get(bank, ()) if since is None or one.at >= since]
        if not noted:
            return kept
        newer = {one.id for one in noted}
        return sorted([*(one for one in kept if one.id not in newer), *noted], key=lambda one: one.at)

    async def settle(self, judged: BankJudgement) -> BankJudgement:
        """Return a judgement as it is said: its dates stand as they were said last, unless there is a reason."""
        before = self._present.banks.get(judged.state.id) or await self._said_before(judged.state.id)
        found = settled(judged.state, before, judged.as_of.date())
        return replace(judged, state=found.state, moved=found.moved)

    async def _said_before(self, bank: str) -> BankState | None:
        """Return what was said last of a bank, before the start; None where nothing was, or in no form that is read."""
        line = await self._ledger.judgement(f"bank {bank}")
        if line is None:
            return None
        try:
            return from_plain(BankState, line.body["state"])
        except (KeyError, TypeError, ValueError):
            return None

    async def gather(self, bank: Bank, as_of: datetime) -> BankEvidence | None:
        """Return what a judgement of a bank rests on; None while none of its units was read."""
        readings = [self._present.readings[u] for u in bank.feeds if u in self._present.readings]
        fitted = in_place(bank.fitted, as_of.date())
        if not readings:
            return None
        temperatures = [r.battery.temperature_c for r in readings if r.battery.temperature_c is not None]
        lines = await self._lines(bank.id)
        first = await self._history.first(bank.feeds[0])
        months: tuple[MonthTemperature, ...] = ()
        if fitted is not None and first is not None:
            months = await self._read.month_temperatures(bank, bank.fitted[0], as_of, first)
        if months:
            self.coldest_c[bank.id] = coldest_of(months, bank.room_temperature_c)
        return BankEvidence(
            bank=bank,
            as_of=as_of,
            temperature_c=sum(temperatures) / len(temperatures) if temperatures else bank.room_temperature_c,
            months=months,
            discharges=tuple(
                from_plain(DischargeEvidence, line.body) for line in lines if line.schema == SHOWN
            ),
            hours=() if first is None else await self._read.charge_hours(bank, as_of, first),
            asked=self.asked(bank, as_of.date()),
            next_test=await self._next_test(bank, as_of),
            hand=hand_readings(lines),
            rating_w=self.rating_w(bank, as_of.date()),
            recharge=since_the_last(lines, bank, fitted, as_of),
            siblings=self.siblings(bank, as_of.date()),
            awaits=bool(self._estate.systems[self._estate.units[bank.feeds[0]].system].requirements),
            site=self._estate.site_of(self._estate.units[bank.feeds[0]].system).id,
            lessons=await self._lessons(bank),
        )

    async def _lessons(self, bank: Bank) -> tuple[LifeLesson, ...]:
        """Return what the other banks of the estate showed of their life, as they were judged last."""
        found: list[LifeLesson] = []
        for other in self._estate.banks:
            if other == bank.id:
                continue
            state = self._present.banks.get(other)
            if state is None:
                if other not in self._before:
                    self._before[other] = await self._said_before(other)
                state = self._before[other]
            found += () if state is None or state.rests_on is None else state.rests_on.teaches
        return tuple(found)

    def siblings(self, bank: Bank, day: date) -> tuple[Sibling, ...]:
        """Return the banks of the same system and type, fitted within a year of this one, as they stand now."""
        own = in_place(bank.fitted, day)
        system = self._estate.units[bank.feeds[0]].system
        found = []
        for other in self._estate.banks_of_system(system):
            fitted = in_place(other.fitted, day)
            reading = self._present.readings.get(other.feeds[0])
            if other.id == bank.id or own is None or fitted is None or reading is None:
                continue
            if fitted.type != own.type or abs((fitted.from_day - own.from_day).days) > SIBLING_DAYS:
                continue
            volts = reading.battery.voltage_v if reading.on_battery is False else None
            per_cell = None if volts is None else volts / other.reported_cells
            found.append(Sibling(other.id, per_cell, reading.battery.temperature_c))
        return tuple(found)

    def rating_w(self, bank: Bank, day: date) -> float | None:
        """Return the summed rating of the units behind a bank, W."""
        fitted = [in_place(self._estate.units[unit].fitted, day) for unit in bank.feeds]
        return sum(unit.rating_w for unit in fitted if unit is not None) or None

    async def losses(self, bank: Bank, day: date) -> Losses:
        """Return the inverter losses behind a bank: as its own discharges show, else the default.

        Only discharges through the units in place on that day count.
        """
        return self._losses(bank, day, await self._lines(bank.id))

    def _losses(self, bank: Bank, day: date, lines: Iterable[Evidence]) -> Losses:
        rating_w = self.rating_w(bank, day)
        fitted = [in_place(self._estate.units[unit].fitted, day) for unit in bank.feeds]
        shown = [from_plain(DischargeEvidence, line.body) for line in lines if line.schema == SHOWN]
        own = [
            d
            for d in shown
            if d.shows_losses
            and all(unit is not None and in_place((unit,), d.at.date()) is not None for unit in fitted)
        ]
        return losses_from(own, rating_w) if len(own) >= FEWEST_FOR_LOSSES else default_losses(rating_w)

    async def references(self, bank: Bank, as_of: datetime) -> tuple[ReferenceLog, ...]:
        """Return the long discharges that teach a bank's type its shape: its own first, then others' of the type."""
        fitted = in_place(bank.fitted, as_of.date())
        if fitted is None:
            return ()
        found = [
            (other, one)
            for other, known in await self._teaching()
            for one in known
            if one.type == fitted.type and one.at < as_of
        ]
        found.sort(key=lambda one: (one[0].id == bank.id, one[1].used), reverse=True)
        logs = []
        for other, one in found[:MOST_REFERENCES]:
            lines = await self._lines(other.id)
            then = in_place(other.fitted, one.at.date())
            record = next((r for r in records_of(lines, other) if r.id == one.record), None)
            if then is not None and record is not None:
                battery = battery_of(other, then, self._losses(other, one.at.date(), lines))
                logs.append(ReferenceLog(record.log, battery, other.id == bank.id))
        return tuple(logs)

    async def _teaching(self) -> list[tuple[Bank, tuple[TypeLesson, ...]]]:
        """Return the discharges of all banks that may teach; a bank is read again once something new was shown of it.

        In an outage of a large estate every bank asks, and what is being recorded of all of them changes meanwhile.
        """
        marks, found = await self._ledger.evidence_marks(SHOWN), []
        for bank in self._estate.banks.values():
            mark = (marks.get(bank.id), len(self._noted.get(bank.id, ())))
            known = self._teaches.get(bank.id)
            if known is None or known[0] != mark:
                lines = await self._lines(bank.id) if any(mark) else ()
                known = self._teaches[bank.id] = (mark, teaching(lines, bank))
            found.append((bank, known[1]))
        return found

    async def recent(self, bank: Bank, record: DischargeRecord) -> EarlierLog | None:
        """Return the newest discharge of the same blocks not long before a record, to compare voltages with."""
        fitted = in_place(bank.fitted, record.at.date())
        since = record.at - timedelta(days=RECENT_DAYS)
        lines = await self._lines(bank.id, since=since)
        records = [one for one in records_of(lines, bank) if one.at < record.at]
        if not records or fitted is None or in_place(bank.fitted, records[-1].at.date()) != fitted:
            return None
        battery = battery_of(bank, fitted, await self.losses(bank, record.at.date()))
        return EarlierLog(records[-1].log, battery)

    def asked(self, bank: Bank, day: date) -> BankDemand | None:
        """Return what its system asks of a bank."""
        return self._demands.of(bank, day)


def hand_readings(lines: Iterable[Evidence]) -> tuple[HandReading, ...]:
    """Return what people measured on the blocks, from ledger lines, oldest first."""
    found = []
    for line in lines:
        if line.schema == HAND_SCHEMA:
            values = block_values(line)
            for what, by_block in (("voltage", values.voltage_v), ("resistance", values.resistance_ohm)):
                if by_block:
                    found.append(HandReading(line.at.date(), what, tuple(sorted(by_block.items()))))
    return tuple(found)
