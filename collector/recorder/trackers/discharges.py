"""Keeps each discharge whole: from before the transfer, at the fast cadence, until the bank is full again.

The keeper takes every sample and gives back evidence lines to save. Each time on the bank is a discharge of
its own, however soon the next one comes; what lies between is the recharge of the earlier. While a
discharge runs its line is saved again and again (at most two percent of it are lost when the daemon is
killed), and on a start `resume` takes the open lines up where they were: a restart or a silent card leaves a
gap in the rows, not two halves of a discharge, unless the card's count of seconds on battery, or a voltage
that rose, says that the supply was back in between. A discharge is ready to be judged when its phase becomes
"recharging".

A bank that feeds several units has one record: volts are the mean of what their cards say, watts and
amperes the sum. Banks that share one unit share its power by their strings.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from collector.recorder.trackers.kept_discharge import (
    SAVE_LEAST_S,
    SAVE_SHARE,
    KeptDischarge,
    at_end,
    closed,
    haste,
    is_full,
    misspoken,
    on_float,
    output_lost,
    record_id,
    remember,
    row_of,
    saved,
    says_good,
    time_of,
    unseen_s,
    was_fed_between,
    was_normal,
)
from collector.storage.ledger import Ledger, Transaction
from collector.storage.ledger.discharge_record import (
    SCHEMA,
    DischargeRecord,
    DischargeRow,
    Phase,
    as_kept_s,
    from_evidence,
    records_in,
    to_evidence,
)
from collector.storage.ledger.records import Evidence
from rules.monitor.clock_moved import moved
from rules.plant.estate import Estate
from rules.plant.reading import Reading

TRANSFER_S: Final = 10.0


RECHARGE_ROW_S: Final = 60.0


class DischargeKeeper:
    """All banks of an estate. One sample in, evidence lines to save out; touches no file itself."""

    def __init__(self, estate: Estate) -> None:
        self._kept: dict[str, KeptDischarge] = {}
        self._by_unit: dict[str, list[KeptDischarge]] = {unit: [] for unit in estate.units}
        for bank in estate.banks.values():
            beside = [b for unit in bank.feeds for b in estate.banks_of(unit)]
            strings = {b.id: b.strings for b in beside}
            kept = KeptDischarge(bank, bank.strings / sum(strings.values()), haste(bank.id))
            self._kept[bank.id] = kept
            for unit in bank.feeds:
                self._by_unit[unit].append(kept)

    def resume(self, lines: Iterable[Evidence]) -> tuple[Evidence, ...]:
        """Go on with the records that were open when the daemon stopped (`Ledger.open_evidence`).

        Returns lines to save: open records of banks that are no longer declared are closed.
        """
        lines_to_save: list[Evidence] = []
        for line in lines:
            if line.schema != SCHEMA:
                continue
            record = from_evidence(line)
            kept = self._kept.get(record.bank)
            if kept is None or kept.record is not None:
                end = record.at + timedelta(seconds=record.rows[-1].t_s if record.rows else 0.0)
                lines_to_save.append(to_evidence(replace(record, phase=Phase.DONE, until=end)))
                continue
            parts = records_in(line, kept.bank.reported_cells)
            record = parts[-1]
            if len(parts) > 1:  # an earlier program kept several times on the bank as one
                lines_to_save += map(to_evidence, parts)
            kept.record = replace(record, restarts=record.restarts + 1)
            kept.rows = list(record.rows)
            kept.packer = None
            kept.last_on = next((r for r in reversed(record.rows) if r.on_battery), None)
            kept.last_on_s = record.started_s if kept.last_on is None else kept.last_on.t_s
            kept.saved_s = record.rows[-1].t_s if record.rows else 0.0
        return tuple(lines_to_save)

    def open_records(self) -> tuple[DischargeRecord, ...]:
        """Return the discharges under way, rows and all."""
        return tuple(
            replace(k.record, rows=tuple(k.rows)) for k in self._kept.values() if k.record is not None
        )

    def discharging(self, bank: str) -> DischargeRecord | None:
        """Return the discharge a bank is in at this moment, or None."""
        kept = self._kept[bank]
        if kept.record is None or kept.record.phase is not Phase.DISCHARGING:
            return None
        return replace(kept.record, rows=tuple(kept.rows))

    def take(self, reading: Reading) -> tuple[Evidence, ...]:
        """Take one reading of one unit; return the lines to save now."""
        lines: list[Evidence] = []
        for kept in self._by_unit.get(reading.unit, ()):
            kept.latest[reading.unit] = reading
            lines += self._step(kept, reading)
        return tuple(lines)

    def move_clock(self, by: timedelta) -> None:
        """Move along what was noted before the clock was set; a record keeps its name."""
        for kept in self._kept.values():
            kept.latest, kept.recent = moved(kept.latest, by), moved(kept.recent, by)
            kept.record, kept.before = moved(kept.record, by), moved(kept.before, by)

    @property
    def pending(self) -> bool:
        """Return False: what must not wait is given back by `take`."""
        return False

    def save(self, tx: Transaction, now: datetime, *, stopping: bool = False) -> None:  # noqa: ARG002 - of the protocol
        """Put the open records into a transaction at a clean stop; until then `take` says what is to be saved."""
        if stopping:
            for line in self.flush():
                tx.save_evidence(line)

    def committed(self) -> None:
        """Do nothing: a record is saved again as it grows."""

    async def restore(self, ledger: Ledger) -> None:
        """Go on with the records that the ledger holds open."""
        closed = self.resume(await ledger.open_evidence())
        async with ledger.transaction() as tx:
            for line in closed:
                tx.save_evidence(line)

    def flush(self) -> tuple[Evidence, ...]:
        """Return the lines of all open records as they stand, for a clean stop."""
        return tuple(to_evidence(record) for record in self.open_records())

    def _step(self, kept: KeptDischarge, reading: Reading) -> tuple[Evidence, ...]:
        row = row_of(kept, reading)
        if kept.record is None:
            return self._idle(kept, reading, row)
        row = replace(row, t_s=time_of(kept, reading.stamp))
        if kept.record.phase is Phase.DISCHARGING:
            return self._discharging(kept, row, reading)
        return self._recharging(kept, row, reading)

    def _idle(self, kept: KeptDischarge, reading: Reading, row: DischargeRow) -> tuple[Evidence, ...]:
        lost = output_lost(reading) and kept.before is not None and was_normal(kept.before)
        if not row.on_battery and not lost:
            remember(kept, reading, row)
            return ()
        earlier = [(s, r) for s, r in kept.recent if s.start_id == reading.stamp.start_id]
        first = earlier[0][0] if earlier else reading.stamp
        kept.base, kept.base_s = first, 0.0
        kept.rows = [
            replace(r, t_s=as_kept_s(max(s.monotonic_s - first.monotonic_s, 0.0))) for s, r in earlier
        ]
        started_s = time_of(kept, reading.stamp)
        row = replace(row, t_s=started_s)
        hidden_s = unseen_s(kept, row, reading)
        kept.rows.append(row)
        kept.packer, kept.last_on_s, kept.last_on = None, started_s, row
        before = kept.before
        kept.record = DischargeRecord(
            id=record_id(kept, first.at),
            bank=kept.bank.id,
            at=first.at,
            kind="test" if reading.in_test else "outage",
            rows=(),
            phase=Phase.DISCHARGING,
            started_s=started_s,
            claimed_s=None if before is None else before.battery.card_runtime_s,
            said_good=before is None or says_good(before),
            unseen_s=hidden_s,
            watched_s=kept.mains.seconds(reading),
        )
        kept.recent.clear()
        kept.before = None
        kept.mains.since = None
        if lost:
            kept.record = replace(
                kept.record, ended_after_s=started_s, ended_s=started_s, ended_how="output_lost"
            )
            kept.record = replace(kept.record, phase=Phase.RECHARGING)
        return saved(kept)

    def _discharging(self, kept: KeptDischarge, row: DischargeRow, reading: Reading) -> tuple[Evidence, ...]:
        record = kept.record
        if record is None:
            return ()
        if row.on_battery and was_fed_between(kept, row, reading):
            return self._new_after_silence(kept, row, reading)
        if reading.in_test and record.kind == "outage" and row.t_s - record.started_s < TRANSFER_S:
            record = replace(record, kind="test")
        last_on_s = kept.last_on_s
        if row.on_battery:
            kept.last_on_s, kept.last_on = row.t_s, row
        kept.rows.append(row)
        kept.record = record
        if row.on_battery is not False:
            long_enough = max(SAVE_LEAST_S, SAVE_SHARE * kept.haste * row.t_s)
            return saved(kept) if row.t_s - kept.saved_s >= long_enough else ()
        brief = row.t_s - record.started_s < TRANSFER_S and record.kind == "outage"
        kept.record = replace(
            record,
            kind="transfer" if brief else record.kind,
            phase=Phase.RECHARGING,
            ended_after_s=last_on_s,
            ended_s=row.t_s,
            ended_how="output_lost" if output_lost(reading) else "supply_back",
        )
        remember(kept, reading, row)
        return saved(kept)

    def _new_after_silence(
        self, kept: KeptDischarge, row: DischargeRow, reading: Reading
    ) -> tuple[Evidence, ...]:
        """End the discharge where it was last seen, and begin another: the supply was back in between."""
        if kept.record is not None:
            since_s = reading.battery.on_battery_s or 0.0
            end_s = max(row.t_s - since_s, kept.last_on_s)
            kept.record = replace(
                kept.record, ended_after_s=kept.last_on_s, ended_s=end_s, ended_how="supply_back"
            )
        return closed(kept, reading.stamp.at) + self._idle(kept, reading, row)

    def _recharging(self, kept: KeptDischarge, row: DischargeRow, reading: Reading) -> tuple[Evidence, ...]:
        record = kept.record
        if record is None:
            return ()
        since_s = row.t_s - (record.ended_s or 0.0)
        if row.on_battery:
            if record.ended_how == "supply_back" and misspoken(kept, row):
                return self._gone_on(kept, row)
            if kept.recent and (last := at_end(kept)) is not None:
                kept.rows.append(last)
            return closed(kept, reading.stamp.at) + self._idle(kept, reading, row)
        remember(kept, reading, row)
        if row.t_s - kept.rows[-1].t_s >= RECHARGE_ROW_S:
            kept.rows.append(row)
        if is_full(kept.bank, reading, row, since_s):
            kept.record = replace(record, full=on_float(kept.bank, row))
            return closed(kept, reading.stamp.at)
        long_enough = max(RECHARGE_ROW_S, SAVE_SHARE * row.t_s)
        return saved(kept) if row.t_s - kept.saved_s >= long_enough else ()

    @staticmethod
    def _gone_on(kept: KeptDischarge, row: DischargeRow) -> tuple[Evidence, ...]:
        """Go on with a discharge that had not ended: what the card said in between is not known."""
        if kept.record is not None:
            kept.record = replace(
                kept.record,
                kind="outage" if kept.record.kind == "transfer" else kept.record.kind,
                phase=Phase.DISCHARGING,
                ended_s=None,
                ended_after_s=None,
                ended_how=None,
            )
        kept.rows = [replace(r, on_battery=None) if r.t_s > kept.last_on_s else r for r in kept.rows]
        kept.rows.append(row)
        kept.packer = None
        kept.recent.clear()
        kept.last_on_s, kept.last_on = row.t_s, row
        return saved(kept)
