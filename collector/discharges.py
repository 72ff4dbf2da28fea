"""Keeps each discharge whole: from before the transfer, at the fast cadence, until the bank is full again.

The keeper takes every sample and gives back evidence lines to save. While a discharge runs its line is
saved again and again (at most two percent of it are lost when the daemon is killed), and on a start
`resume` takes the open lines up where they were: a restart or a silent card leaves a gap in the rows, not
two halves of a discharge. A discharge is ready to be judged when its phase becomes "recharging".

A bank that feeds several units has one record: volts are the mean of what their cards say, watts and
amperes the sum. Banks that share one unit share its power by their strings.
"""

from __future__ import annotations

import zlib
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from itertools import pairwise
from typing import Final

from collector.ledger.records import Evidence
from rules.battery.charging import float_setpoint_v
from rules.estate import Bank, Estate, in_place
from rules.moving import moved
from rules.reading import BatteryStatus, OutputSource, Reading, Stamp

SCHEMA: Final = "discharge/1"
BEFORE_S: Final = 120.0
TRANSFER_S: Final = 10.0
SAME_DISCHARGE_S: Final = 300.0
RECHARGE_ROW_S: Final = 60.0
RECHARGE_MOST_S: Final = 72 * 3600.0
_RECHARGE_LEAST_S: Final = 3600.0
_RECHARGE_BLIND_S: Final = 24 * 3600.0
_FRESH_S: Final = 15.0
_SAVE_LEAST_S: Final = 5.0
_SAVE_SHARE: Final = 0.02
_COLUMNS: Final = ("t_s", "bank_voltage_v", "bank_current_a", "temperature_c", "output_power_w", "on_battery")
_BAD_BANK_ALARMS: Final = frozenset(("upsAlarmBatteryBad", "upsAlarmDepletedBattery"))


class Phase(StrEnum):
    """How far a record has come."""

    DISCHARGING = "discharging"
    RECHARGING = "recharging"
    DONE = "done"


@dataclass(frozen=True, slots=True)
class DischargeRow:
    """One moment. `t_s` from the record's start; current positive while discharging; None: not known."""

    t_s: float
    voltage_v: float | None
    current_a: float | None
    temperature_c: float | None
    output_power_w: float | None
    on_battery: bool | None


@dataclass(frozen=True)
class DischargeRecord:
    """One discharge of one bank. Times `_s` count from `at`, the first row.

    `ended_how`: "supply_back", "output_lost", or None while it runs. `ended_after_s` is the last row seen
    on battery: the end lies between it and `ended_s`. `claimed_s`: what the card promised just before.
    """

    id: str
    bank: str
    at: datetime
    kind: str
    rows: tuple[DischargeRow, ...]
    phase: Phase
    started_s: float
    ended_after_s: float | None = None
    ended_s: float | None = None
    ended_how: str | None = None
    claimed_s: float | None = None
    said_good: bool = True
    restarts: int = 0
    until: datetime | None = None

    @property
    def discharge_rows(self) -> tuple[DischargeRow, ...]:
        """Return the rows from the last before the transfer to the first after the end."""
        end = float("inf") if self.ended_s is None else self.ended_s
        before = [r.t_s for r in self.rows if r.t_s < self.started_s]
        start = before[-1] if before else self.started_s
        return tuple(r for r in self.rows if start <= r.t_s <= end)

    @property
    def longest_gap_s(self) -> float:
        """Return the longest time between two rows of the discharge, s."""
        rows = self.discharge_rows
        return max((b.t_s - a.t_s for a, b in pairwise(rows)), default=0.0)

    @property
    def returned_ah(self) -> float | None:
        """Return ampere-hours charged since the end, None where no current was read."""
        after = [r for r in self.rows if self.ended_s is not None and r.t_s >= self.ended_s]
        pairs = [(a, b) for a, b in pairwise(after) if a.current_a is not None and b.current_a is not None]
        if not pairs:
            return None
        charge_as = sum(
            max(-0.5 * ((a.current_a or 0.0) + (b.current_a or 0.0)), 0.0) * (b.t_s - a.t_s) for a, b in pairs
        )
        return charge_as / 3600.0

    def as_csv(self) -> str:
        """Return the rows as the `capacity` command reads them."""
        return _written(self.rows)


def to_evidence(record: DischargeRecord) -> Evidence:
    """Return the ledger's line for a record."""
    return _line(record, zlib.compress(_written(record.rows).encode(), 1))


def _line(record: DischargeRecord, content: bytes) -> Evidence:
    return Evidence(
        id=record.id,
        bank=record.bank,
        kind=record.kind,
        at=record.at,
        until=record.until,
        schema=SCHEMA,
        body={
            "phase": str(record.phase),
            "started_s": record.started_s,
            "ended_after_s": record.ended_after_s,
            "ended_s": record.ended_s,
            "ended_how": record.ended_how,
            "claimed_s": record.claimed_s,
            "said_good": record.said_good,
            "restarts": record.restarts,
        },
        content=content,
    )


def from_evidence(line: Evidence) -> DischargeRecord:
    """Return the record in a ledger line. Raises ValueError for a line of another schema."""
    if line.schema != SCHEMA:
        raise ValueError(f"{line.id}: want {SCHEMA}, got {line.schema}")
    body = line.body
    return DischargeRecord(
        id=line.id,
        bank=line.bank,
        at=line.at,
        kind=line.kind,
        rows=_read(zlib.decompress(line.content).decode()),
        phase=Phase(body["phase"]),
        started_s=body["started_s"],
        ended_after_s=body["ended_after_s"],
        ended_s=body["ended_s"],
        ended_how=body["ended_how"],
        claimed_s=body["claimed_s"],
        said_good=body["said_good"],
        restarts=body["restarts"],
        until=line.until,
    )


def _written(rows: Iterable[DischargeRow]) -> str:
    return _HEADER + "".join(_row_text(r) for r in rows)


_HEADER: Final = ",".join(_COLUMNS) + "\n"


def _row_text(r: DischargeRow) -> str:
    flag = "" if r.on_battery is None else str(int(r.on_battery))
    values = (r.t_s, r.voltage_v, r.current_a, r.temperature_c, r.output_power_w)
    return ",".join(["" if v is None else f"{v:.10g}" for v in values] + [flag]) + "\n"


class _Packer:
    """Packs rows as they come, so that saving a long record costs no more than what is new in it."""

    def __init__(self) -> None:
        self._compressor = zlib.compressobj(1)
        self._packed = [self._compressor.compress(_HEADER.encode())]
        self._count = 0

    def content(self, rows: Sequence[DischargeRow]) -> bytes:
        """Return the packed rows; `rows` only ever grows at its end."""
        new = "".join(_row_text(r) for r in rows[self._count :])
        self._count = len(rows)
        self._packed.append(self._compressor.compress(new.encode()))
        return b"".join(self._packed) + self._compressor.copy().flush()


def _read(text: str) -> tuple[DischargeRow, ...]:
    def number(cell: str) -> float | None:
        return float(cell) if cell else None

    rows = []
    for line in text.splitlines()[1:]:
        t, v, i, c, p, flag = line.split(",")
        on = None if flag == "" else flag == "1"
        rows.append(DischargeRow(float(t), number(v), number(i), number(c), number(p), on))
    return tuple(rows)


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
    packer: _Packer = field(default_factory=_Packer)
    last_on_s: float = 0.0


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
        closed: list[Evidence] = []
        for line in lines:
            if line.schema != SCHEMA:
                continue
            record = from_evidence(line)
            kept = self._kept.get(record.bank)
            if kept is None or kept.record is not None:
                end = record.at + timedelta(seconds=record.rows[-1].t_s if record.rows else 0.0)
                closed.append(to_evidence(replace(record, phase=Phase.DONE, until=end)))
                continue
            kept.record = replace(record, restarts=record.restarts + 1)
            kept.rows = list(record.rows)
            kept.packer = _Packer()
            kept.last_on_s = max((r.t_s for r in record.rows if r.on_battery), default=record.started_s)
            kept.saved_s = record.rows[-1].t_s if record.rows else 0.0
        return tuple(closed)

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
            kept.recent.append((reading.stamp, row))
            while (reading.stamp.at - kept.recent[0][0].at).total_seconds() > BEFORE_S:
                kept.recent.popleft()
            kept.before = reading
            return ()
        earlier = [(s, r) for s, r in kept.recent if s.start_id == reading.stamp.start_id]
        first = earlier[0][0] if earlier else reading.stamp
        kept.base, kept.base_s = first, 0.0
        kept.rows = [replace(r, t_s=max(s.monotonic_s - first.monotonic_s, 0.0)) for s, r in earlier]
        started_s = _time(kept, reading.stamp)
        kept.rows.append(replace(row, t_s=started_s))
        kept.packer, kept.last_on_s = _Packer(), started_s
        before = kept.before
        kept.record = DischargeRecord(
            id=f"{kept.bank.id}-{first.at.astimezone(UTC):%Y%m%dT%H%M%SZ}",
            bank=kept.bank.id,
            at=first.at,
            kind="test" if reading.in_test else "outage",
            rows=(),
            phase=Phase.DISCHARGING,
            started_s=started_s,
            claimed_s=None if before is None else before.battery.card_runtime_s,
            said_good=before is None or _says_good(before),
        )
        kept.recent.clear()
        kept.before = None
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
        if reading.in_test and record.kind == "outage" and row.t_s - record.started_s < TRANSFER_S:
            record = replace(record, kind="test")
        last_on_s = kept.last_on_s
        if row.on_battery:
            kept.last_on_s = row.t_s
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
        return _saved(kept)

    def _recharging(self, kept: _Kept, row: DischargeRow, reading: Reading) -> tuple[Evidence, ...]:
        record = kept.record
        if record is None:
            return ()
        since_s = row.t_s - (record.ended_s or 0.0)
        if row.on_battery:
            if since_s < SAME_DISCHARGE_S and record.ended_how == "supply_back":
                kind = "outage" if record.kind == "transfer" else record.kind
                kept.record = replace(
                    record,
                    kind=kind,
                    phase=Phase.DISCHARGING,
                    ended_s=None,
                    ended_after_s=None,
                    ended_how=None,
                )
                kept.rows.append(row)
                kept.last_on_s = row.t_s
                return _saved(kept)
            return _close(kept, reading.stamp.at) + self._idle(kept, reading, row)
        if row.t_s - kept.rows[-1].t_s >= RECHARGE_ROW_S:
            kept.rows.append(row)
        if _full(kept.bank, reading, row, since_s):
            return _close(kept, reading.stamp.at)
        long_enough = max(RECHARGE_ROW_S, _SAVE_SHARE * row.t_s)
        return _saved(kept) if row.t_s - kept.saved_s >= long_enough else ()


def _row(kept: _Kept, reading: Reading) -> DischargeRow:
    """Return the bank's moment, from this reading and what the other units it feeds said just before."""
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
    return kept.base_s + max(stamp.monotonic_s - kept.base.monotonic_s, 0.0)


def _saved(kept: _Kept) -> tuple[Evidence, ...]:
    if kept.record is None:
        return ()
    kept.saved_s = kept.rows[-1].t_s if kept.rows else 0.0
    return (_line(kept.record, kept.packer.content(kept.rows)),)


def _close(kept: _Kept, at: datetime) -> tuple[Evidence, ...]:
    if kept.record is not None:
        kept.record = replace(kept.record, phase=Phase.DONE, until=at)
    lines = _saved(kept)
    kept.record, kept.rows, kept.base, kept.before = None, [], None, None
    return lines


def _full(bank: Bank, reading: Reading, row: DischargeRow, since_s: float) -> bool:
    """Return whether the bank is back on float with hardly any current, or had three days for it."""
    if since_s >= RECHARGE_MOST_S:
        return True
    if since_s < _RECHARGE_LEAST_S or row.voltage_v is None:
        return False
    setpoint = float_setpoint_v(25.0 if row.temperature_c is None else row.temperature_c)
    if row.voltage_v / bank.reported_cells < setpoint - 0.03:
        return False
    fitted = in_place(bank.fitted, reading.stamp.at.date())
    if row.current_a is None or fitted is None or fitted.rated_capacity_ah is None:
        return since_s >= _RECHARGE_BLIND_S
    return abs(row.current_a) <= max(0.01 * fitted.rated_capacity_ah * bank.strings, 0.2)


def _says_good(reading: Reading) -> bool:
    bad = reading.battery.status in (BatteryStatus.LOW, BatteryStatus.DEPLETED)
    return not bad and not _BAD_BANK_ALARMS.intersection(reading.card_alarms or ())


def _was_normal(reading: Reading) -> bool:
    return reading.output.source is OutputSource.NORMAL and bool(reading.output.power_w)


def _output_lost(reading: Reading) -> bool:
    """Return whether the unit gives nothing while its input is dead: the bank did not carry the load."""
    inputs = [line.voltage_v for line in reading.input.lines]
    dead = bool(inputs) and all(v is not None and v < 50.0 for v in inputs)
    return dead and reading.output.source is OutputSource.NONE
