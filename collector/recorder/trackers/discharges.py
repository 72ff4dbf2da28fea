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

import zlib
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Final

from collector.storage.ledger import Ledger, Transaction
from collector.storage.ledger.discharge_record import (
    BEFORE_S,
    HEADER,
    SCHEMA,
    DischargeRecord,
    DischargeRow,
    Phase,
    as_kept_s,
    from_evidence,
    line_of,
    records_in,
    row_text,
    to_evidence,
)
from collector.storage.ledger.records import Evidence
from rules.battery.discharge.record.times_on_bank import STRAY_ROWS, rose_between
from rules.battery.model.float_voltage import float_setpoint_v
from rules.monitor.clock_moved import moved
from rules.plant.estate import Bank, Estate, in_place
from rules.plant.reading import BatteryStatus, OutputSource, Reading, Stamp

__all__ = [
    "SCHEMA",
    "DischargeKeeper",
    "DischargeRecord",
    "DischargeRow",
    "Phase",
    "from_evidence",
    "to_evidence",
]

TRANSFER_S: Final = 10.0
SILENT_S: Final = 60.0
"""A longer time between two readings may hide an outage, or its end."""
STRAY_S: Final = 15.0
"""A card that says "on mains" for so short a time, while its bank goes on giving, has misspoken."""
RECHARGE_ROW_S: Final = 60.0
RECHARGE_MOST_S: Final = 72 * 3600.0
_RECHARGE_LEAST_S: Final = 3600.0
_RECHARGE_BLIND_S: Final = 24 * 3600.0
_FRESH_S: Final = 15.0
_SAVE_LEAST_S: Final = 5.0
_SAVE_SHARE: Final = 0.02
_COUNT_LAGS_S: Final = 15.0
_GOES_ON: Final = 0.5  # of the current before: a bank that gives so much is not at rest
_STAYS_V: Final = 0.01
NO_VOLTS: Final = 12.0
"""Volts of a whole bank under which nothing stands behind its terminals: less than one block of six cells."""
_BAD_BANK_ALARMS: Final = frozenset(("upsAlarmBatteryBad", "upsAlarmDepletedBattery"))


class _Packer:
    """Packs rows as they come, so that saving a long record costs no more than what is new in it.

    Packing holds 80 to 260 kB, so there is one only while a record is under way.
    """

    def __init__(self) -> None:
        self._compressor = zlib.compressobj(1)
        self._packed = [self._compressor.compress(HEADER.encode())]
        self._count = 0

    def content(self, rows: Sequence[DischargeRow]) -> bytes:
        """Return the packed rows; `rows` only ever grows at its end."""
        new = "".join(row_text(r) for r in rows[self._count :])
        self._count = len(rows)
        self._packed.append(self._compressor.compress(new.encode()))
        return b"".join(self._packed) + self._compressor.copy().flush()


@dataclass(slots=True)
class _Watched:
    """How long a bank has been seen on mains, without a silence that could hide an outage."""

    since: datetime | None = None
    last: datetime | None = None
    bads: dict[str, int | None] = field(default_factory=dict)

    def seen(self, reading: Reading) -> None:
        """Take a reading on mains. A silence counts as watched where the card counted no outage in it."""
        at, counted = reading.stamp.at, reading.input.bad_count
        silent = self.last is None or (at - self.last).total_seconds() > SILENT_S
        same = counted is not None and counted == self.bads.get(reading.unit)
        if self.since is None or (silent and not same):
            self.since = at
        self.last, self.bads[reading.unit] = at, counted

    def seconds(self, reading: Reading) -> float:
        """Return for how long before a first reading on battery, s; 0 where an outage could be hidden between."""
        if self.since is None or self.last is None:
            return 0.0
        if (reading.stamp.at - self.last).total_seconds() > SILENT_S:
            counted, before = reading.input.bad_count, self.bads.get(reading.unit)
            if counted is None or before is None or counted != before + 1:
                return 0.0
        return max((self.last - self.since).total_seconds(), 0.0)


@dataclass(slots=True)
class _Kept:
    """One bank's place: the last readings of its units, the rows of late, and the record under way."""

    bank: Bank
    share: float
    haste: float = 1.0
    latest: dict[str, Reading] = field(default_factory=dict)
    recent: deque[tuple[Stamp, DischargeRow]] = field(default_factory=deque)
    record: DischargeRecord | None = None
    rows: list[DischargeRow] = field(default_factory=list)
    base: Stamp | None = None
    base_s: float = 0.0
    saved_s: float = -1.0
    before: Reading | None = None
    packer: _Packer | None = None
    last_on_s: float = 0.0
    last_on: DischargeRow | None = None
    mains: _Watched = field(default_factory=_Watched)
    last_id: str = ""


def _haste(bank: str) -> float:
    """Return 0.3 to 1, another for each bank: banks that began together are not all saved at once."""
    return 0.3 + 0.7 * (zlib.crc32(bank.encode()) % 1000) / 1000.0


class DischargeKeeper:
    """All banks of an estate. One sample in, evidence lines to save out; touches no file itself."""

    def __init__(self, estate: Estate) -> None:
        self._kept: dict[str, _Kept] = {}
        self._by_unit: dict[str, list[_Kept]] = {unit: [] for unit in estate.units}
        for bank in estate.banks.values():
            beside = [b for unit in bank.feeds for b in estate.banks_of(unit)]
            strings = {b.id: b.strings for b in beside}
            kept = _Kept(bank, bank.strings / sum(strings.values()), _haste(bank.id))
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

    def _step(self, kept: _Kept, reading: Reading) -> tuple[Evidence, ...]:
        row = _row(kept, reading)
        if kept.record is None:
            return self._idle(kept, reading, row)
        row = replace(row, t_s=_time(kept, reading.stamp))
        if kept.record.phase is Phase.DISCHARGING:
            return self._discharging(kept, row, reading)
        return self._recharging(kept, row, reading)

    def _idle(self, kept: _Kept, reading: Reading, row: DischargeRow) -> tuple[Evidence, ...]:
        lost = _output_lost(reading) and kept.before is not None and _was_normal(kept.before)
        if not row.on_battery and not lost:
            _remember(kept, reading, row)
            return ()
        earlier = [(s, r) for s, r in kept.recent if s.start_id == reading.stamp.start_id]
        first = earlier[0][0] if earlier else reading.stamp
        kept.base, kept.base_s = first, 0.0
        kept.rows = [
            replace(r, t_s=as_kept_s(max(s.monotonic_s - first.monotonic_s, 0.0))) for s, r in earlier
        ]
        started_s = _time(kept, reading.stamp)
        row = replace(row, t_s=started_s)
        unseen_s = _unseen_s(kept, row, reading)
        kept.rows.append(row)
        kept.packer, kept.last_on_s, kept.last_on = None, started_s, row
        before = kept.before
        kept.record = DischargeRecord(
            id=_id(kept, first.at),
            bank=kept.bank.id,
            at=first.at,
            kind="test" if reading.in_test else "outage",
            rows=(),
            phase=Phase.DISCHARGING,
            started_s=started_s,
            claimed_s=None if before is None else before.battery.card_runtime_s,
            said_good=before is None or _says_good(before),
            unseen_s=unseen_s,
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
        return _saved(kept)

    def _discharging(self, kept: _Kept, row: DischargeRow, reading: Reading) -> tuple[Evidence, ...]:
        record = kept.record
        if record is None:
            return ()
        if row.on_battery and _was_fed_between(kept, row, reading):
            return self._new_after_silence(kept, row, reading)
        if reading.in_test and record.kind == "outage" and row.t_s - record.started_s < TRANSFER_S:
            record = replace(record, kind="test")
        last_on_s = kept.last_on_s
        if row.on_battery:
            kept.last_on_s, kept.last_on = row.t_s, row
        kept.rows.append(row)
        kept.record = record
        if row.on_battery is not False:
            long_enough = max(_SAVE_LEAST_S, _SAVE_SHARE * kept.haste * row.t_s)
            return _saved(kept) if row.t_s - kept.saved_s >= long_enough else ()
        brief = row.t_s - record.started_s < TRANSFER_S and record.kind == "outage"
        kept.record = replace(
            record,
            kind="transfer" if brief else record.kind,
            phase=Phase.RECHARGING,
            ended_after_s=last_on_s,
            ended_s=row.t_s,
            ended_how="output_lost" if _output_lost(reading) else "supply_back",
        )
        _remember(kept, reading, row)
        return _saved(kept)

    def _new_after_silence(self, kept: _Kept, row: DischargeRow, reading: Reading) -> tuple[Evidence, ...]:
        """End the discharge where it was last seen, and begin another: the supply was back in between."""
        if kept.record is not None:
            since_s = reading.battery.on_battery_s or 0.0
            end_s = max(row.t_s - since_s, kept.last_on_s)
            kept.record = replace(
                kept.record, ended_after_s=kept.last_on_s, ended_s=end_s, ended_how="supply_back"
            )
        return _close(kept, reading.stamp.at) + self._idle(kept, reading, row)

    def _recharging(self, kept: _Kept, row: DischargeRow, reading: Reading) -> tuple[Evidence, ...]:
        record = kept.record
        if record is None:
            return ()
        since_s = row.t_s - (record.ended_s or 0.0)
        if row.on_battery:
            if record.ended_how == "supply_back" and _misspoken(kept, row):
                return self._gone_on(kept, row)
            if kept.recent and (last := _at_end(kept)) is not None:
                kept.rows.append(last)
            return _close(kept, reading.stamp.at) + self._idle(kept, reading, row)
        _remember(kept, reading, row)
        if row.t_s - kept.rows[-1].t_s >= RECHARGE_ROW_S:
            kept.rows.append(row)
        if _full(kept.bank, reading, row, since_s):
            kept.record = replace(record, full=_on_float(kept.bank, row))
            return _close(kept, reading.stamp.at)
        long_enough = max(RECHARGE_ROW_S, _SAVE_SHARE * row.t_s)
        return _saved(kept) if row.t_s - kept.saved_s >= long_enough else ()

    @staticmethod
    def _gone_on(kept: _Kept, row: DischargeRow) -> tuple[Evidence, ...]:
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
        return _saved(kept)


def _id(kept: _Kept, at: datetime) -> str:
    """Return an id by bank and second; two that began within one second are told apart."""
    made = f"{kept.bank.id}-{at.astimezone(UTC):%Y%m%dT%H%M%SZ}"
    return made if made != kept.last_id else made + "b"


def _remember(kept: _Kept, reading: Reading, row: DischargeRow) -> None:
    """Take a row on mains: what stands before the next transfer, and for how long the bank was watched."""
    kept.recent.append((reading.stamp, row))
    while (reading.stamp.at - kept.recent[0][0].at).total_seconds() > BEFORE_S:
        kept.recent.popleft()
    kept.before = reading
    if row.on_battery is False:
        kept.mains.seen(reading)


def _at_end(kept: _Kept) -> DischargeRow | None:
    """Return the last row of a recharge, None where the record has it."""
    last = kept.recent[-1][1]
    return last if last.t_s > kept.rows[-1].t_s else None


def _unseen_s(kept: _Kept, row: DischargeRow, reading: Reading) -> float | None:
    """Return how long a bank had carried before its first row on battery, by the card's count; None: not known."""
    last = kept.rows[-1].t_s if kept.rows else None
    silent_s = None if last is None else row.t_s - last
    if silent_s is not None and silent_s <= STRAY_S:
        return 0.0
    counted_s = reading.battery.on_battery_s
    if counted_s is None or counted_s <= 0.0:
        return None if silent_s is None or silent_s > SILENT_S else 0.0
    return counted_s if silent_s is None else min(counted_s, silent_s)


def _was_fed_between(kept: _Kept, row: DischargeRow, reading: Reading) -> bool:
    """Return whether the supply was back in a silence between two rows on battery."""
    silent_s = row.t_s - kept.last_on_s
    last = kept.last_on
    if silent_s <= SILENT_S or last is None or kept.rows[-1].t_s > kept.last_on_s:
        return False
    counted_s = reading.battery.on_battery_s
    if counted_s is not None and counted_s > 0.0:
        return counted_s + _COUNT_LAGS_S < silent_s
    cells = kept.bank.reported_cells
    return rose_between(
        None if last.voltage_v is None else last.voltage_v / cells,
        None if row.voltage_v is None else row.voltage_v / cells,
        last.output_power_w,
        row.output_power_w,
    )


def _misspoken(kept: _Kept, row: DischargeRow) -> bool:
    """Return whether the rows said to be on mains show a bank that went on giving: so it was never let go.

    A bank that is let go rises at once; one that goes on giving shows its current, or stays where it was.
    """
    last = kept.last_on
    said = [r for _, r in kept.recent]
    if last is None or not said or len(said) > STRAY_ROWS or row.t_s - last.t_s > STRAY_S:
        return False
    if last.current_a is not None and last.current_a > 0.0:
        known = [r.current_a for r in said if r.current_a is not None]
        if known:
            return all(a > _GOES_ON * last.current_a for a in known)
    volts = [r.voltage_v for r in said if r.voltage_v is not None]
    if last.voltage_v is None or not volts:
        return False
    return max(volts) <= last.voltage_v + _STAYS_V * kept.bank.reported_cells


def _row(kept: _Kept, reading: Reading) -> DischargeRow:
    """Return the bank's moment, from this reading and what the other units it feeds said just before."""
    if len(kept.latest) == 1 and kept.share == 1.0:  # a bank to each unit, as nearly all are
        own = reading.battery
        return DischargeRow(
            0.0, own.voltage_v, own.current_a, own.temperature_c, reading.output.power_w, reading.on_battery
        )
    fresh = [
        r for r in kept.latest.values() if abs((reading.stamp.at - r.stamp.at).total_seconds()) <= _FRESH_S
    ]
    volts = [r.battery.voltage_v for r in fresh if r.battery.voltage_v is not None]
    warm = [r.battery.temperature_c for r in fresh if r.battery.temperature_c is not None]
    currents = [r.battery.current_a for r in fresh]
    states = [r.on_battery for r in fresh]
    on = True if True in states else (None if None in states else False)
    powers = [r.output.power_w for r in fresh if r.on_battery or not on]
    return DischargeRow(
        t_s=0.0,
        voltage_v=sum(volts) / len(volts) if volts else None,
        current_a=_sum(currents, kept.share),
        temperature_c=sum(warm) / len(warm) if warm else None,
        output_power_w=_sum(powers, kept.share),
        on_battery=on,
    )


def _sum(values: Sequence[float | None], share: float) -> float | None:
    known = [v for v in values if v is not None]
    return sum(known) * share if known and len(known) == len(values) else None


def _time(kept: _Kept, stamp: Stamp) -> float:
    """Return seconds since the record's start: monotonic within one run, by the clock across a restart."""
    if kept.base is None or kept.base.start_id != stamp.start_id:
        record = kept.record
        elapsed = 0.0 if record is None else (stamp.at - record.at).total_seconds()
        last = kept.rows[-1].t_s if kept.rows else 0.0
        kept.base, kept.base_s = stamp, max(elapsed, last)
    return as_kept_s(kept.base_s + max(stamp.monotonic_s - kept.base.monotonic_s, 0.0))


def _saved(kept: _Kept) -> tuple[Evidence, ...]:
    if kept.record is None:
        return ()
    kept.saved_s = kept.rows[-1].t_s if kept.rows else 0.0
    packer = kept.packer = kept.packer or _Packer()
    return (line_of(kept.record, packer.content(kept.rows)),)


def _close(kept: _Kept, at: datetime) -> tuple[Evidence, ...]:
    if kept.record is not None:
        kept.record = replace(kept.record, phase=Phase.DONE, until=at)
        kept.last_id = kept.record.id
    lines = _saved(kept)
    kept.record, kept.rows, kept.base, kept.last_on, kept.packer = None, [], None, None, None
    return lines


def _full(bank: Bank, reading: Reading, row: DischargeRow, since_s: float) -> bool:
    """Return whether the bank is back on float with hardly any current, or had three days for it."""
    if since_s >= RECHARGE_MOST_S:
        return True
    if since_s < _RECHARGE_LEAST_S or not _on_float(bank, row):
        return False
    fitted = in_place(bank.fitted, reading.stamp.at.date())
    if row.current_a is None or fitted is None or fitted.rated_capacity_ah is None:
        return since_s >= _RECHARGE_BLIND_S
    return abs(row.current_a) <= max(0.01 * fitted.rated_capacity_ah * bank.strings, 0.2)


def _on_float(bank: Bank, row: DischargeRow) -> bool:
    """Return whether the bank stands at the voltage that keeps it full."""
    if row.voltage_v is None:
        return False
    setpoint = float_setpoint_v(25.0 if row.temperature_c is None else row.temperature_c)
    return row.voltage_v / bank.reported_cells >= setpoint - 0.03


def _says_good(reading: Reading) -> bool:
    bad = reading.battery.status in (BatteryStatus.LOW, BatteryStatus.DEPLETED)
    return not bad and not _BAD_BANK_ALARMS.intersection(reading.card_alarms or ())


def _was_normal(reading: Reading) -> bool:
    return reading.output.source is OutputSource.NORMAL and bool(reading.output.power_w)


def _output_lost(reading: Reading) -> bool:
    """Return whether the unit gives nothing and its bank is why: its input is dead, or the bank is spent.

    A bank that fails in the seconds in which the mains comes back leaves the unit dark beside a live input; there its
    card's word that it is depleted, or terminals without a voltage, tell that from a unit switched off.
    """
    if reading.output.source is not OutputSource.NONE:
        return False
    inputs = [line.voltage_v for line in reading.input.lines]
    dead = bool(inputs) and all(v is not None and v < 50.0 for v in inputs)
    volts = reading.battery.voltage_v
    return (
        dead or reading.battery.status is BatteryStatus.DEPLETED or (volts is not None and volts < NO_VOLTS)
    )
