"""One bank's discharge as it is kept: what was seen of it so far, its rows, and what ends it."""

from __future__ import annotations

import zlib
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Final

from collector.storage.ledger.discharge_record import (
    BEFORE_S,
    HEADER,
    DischargeRecord,
    DischargeRow,
    Phase,
    as_kept_s,
    line_of,
    row_text,
)
from collector.storage.ledger.records import Evidence
from rules.battery.discharge.record.times_on_bank import STRAY_ROWS, rose_between
from rules.battery.model.float_voltage import float_setpoint_v
from rules.plant.estate import Bank, in_place
from rules.plant.reading import BatteryStatus, OutputSource, Reading, Stamp

SILENT_S: Final = 60.0
"""A longer time between two readings may hide an outage, or its end."""


STRAY_S: Final = 15.0
"""A card that says "on mains" for so short a time, while its bank goes on giving, has misspoken."""


RECHARGE_MOST_S: Final = 72 * 3600.0


_RECHARGE_LEAST_S: Final = 3600.0


_RECHARGE_BLIND_S: Final = 24 * 3600.0


_FRESH_S: Final = 15.0


SAVE_LEAST_S: Final = 5.0


SAVE_SHARE: Final = 0.02


_COUNT_LAGS_S: Final = 15.0


_GOES_ON: Final = 0.5  # of the current before: a bank that gives so much is not at rest


_STAYS_V: Final = 0.01


NO_VOLTS: Final = 12.0
"""Volts of a whole bank under which nothing stands behind its terminals: less than one block of six cells."""


_BAD_BANK_ALARMS: Final = frozenset(("upsAlarmBatteryBad", "upsAlarmDepletedBattery"))


class RowPacker:
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
class LoadWatched:
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
class KeptDischarge:
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
    packer: RowPacker | None = None
    last_on_s: float = 0.0
    last_on: DischargeRow | None = None
    mains: LoadWatched = field(default_factory=LoadWatched)
    last_id: str = ""


def haste(bank: str) -> float:
    """Return 0.3 to 1, another for each bank: banks that began together are not all saved at once."""
    return 0.3 + 0.7 * (zlib.crc32(bank.encode()) % 1000) / 1000.0


def record_id(kept: KeptDischarge, at: datetime) -> str:
    """Return an id by bank and second; two that began within one second are told apart."""
    made = f"{kept.bank.id}-{at.astimezone(UTC):%Y%m%dT%H%M%SZ}"
    return made if made != kept.last_id else made + "b"


def remember(kept: KeptDischarge, reading: Reading, row: DischargeRow) -> None:
    """Take a row on mains: what stands before the next transfer, and for how long the bank was watched."""
    kept.recent.append((reading.stamp, row))
    while (reading.stamp.at - kept.recent[0][0].at).total_seconds() > BEFORE_S:
        kept.recent.popleft()
    kept.before = reading
    if row.on_battery is False:
        kept.mains.seen(reading)


def at_end(kept: KeptDischarge) -> DischargeRow | None:
    """Return the last row of a recharge, None where the record has it."""
    last = kept.recent[-1][1]
    return last if last.t_s > kept.rows[-1].t_s else None


def unseen_s(kept: KeptDischarge, row: DischargeRow, reading: Reading) -> float | None:
    """Return how long a bank had carried before its first row on battery, by the card's count; None: not known."""
    last = kept.rows[-1].t_s if kept.rows else None
    silent_s = None if last is None else row.t_s - last
    if silent_s is not None and silent_s <= STRAY_S:
        return 0.0
    counted_s = reading.battery.on_battery_s
    if counted_s is None or counted_s <= 0.0:
        return None if silent_s is None or silent_s > SILENT_S else 0.0
    return counted_s if silent_s is None else min(counted_s, silent_s)


def was_fed_between(kept: KeptDischarge, row: DischargeRow, reading: Reading) -> bool:
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


def misspoken(kept: KeptDischarge, row: DischargeRow) -> bool:
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


def row_of(kept: KeptDischarge, reading: Reading) -> DischargeRow:
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


def time_of(kept: KeptDischarge, stamp: Stamp) -> float:
    """Return seconds since the record's start: monotonic within one run, by the clock across a restart."""
    if kept.base is None or kept.base.start_id != stamp.start_id:
        record = kept.record
        elapsed = 0.0 if record is None else (stamp.at - record.at).total_seconds()
        last = kept.rows[-1].t_s if kept.rows else 0.0
        kept.base, kept.base_s = stamp, max(elapsed, last)
    return as_kept_s(kept.base_s + max(stamp.monotonic_s - kept.base.monotonic_s, 0.0))


def saved(kept: KeptDischarge) -> tuple[Evidence, ...]:
    """Return the record under way as a line to be kept; empty where there is none."""
    if kept.record is None:
        return ()
    kept.saved_s = kept.rows[-1].t_s if kept.rows else 0.0
    packer = kept.packer = kept.packer or RowPacker()
    return (line_of(kept.record, packer.content(kept.rows)),)


def closed(kept: KeptDischarge, at: datetime) -> tuple[Evidence, ...]:
    """Return the record as a line to be kept for good: no row comes to it any more."""
    if kept.record is not None:
        kept.record = replace(kept.record, phase=Phase.DONE, until=at)
        kept.last_id = kept.record.id
    lines = saved(kept)
    kept.record, kept.rows, kept.base, kept.last_on, kept.packer = None, [], None, None, None
    return lines


def is_full(bank: Bank, reading: Reading, row: DischargeRow, since_s: float) -> bool:
    """Return whether the bank is back on float with hardly any current, or had three days for it."""
    if since_s >= RECHARGE_MOST_S:
        return True
    if since_s < _RECHARGE_LEAST_S or not on_float(bank, row):
        return False
    fitted = in_place(bank.fitted, reading.stamp.at.date())
    if row.current_a is None or fitted is None or fitted.rated_capacity_ah is None:
        return since_s >= _RECHARGE_BLIND_S
    return abs(row.current_a) <= max(0.01 * fitted.rated_capacity_ah * bank.strings, 0.2)


def on_float(bank: Bank, row: DischargeRow) -> bool:
    """Return whether the bank stands at the voltage that keeps it full."""
    if row.voltage_v is None:
        return False
    setpoint = float_setpoint_v(25.0 if row.temperature_c is None else row.temperature_c)
    return row.voltage_v / bank.reported_cells >= setpoint - 0.03


def says_good(reading: Reading) -> bool:
    """Return whether the card says nothing against its bank."""
    bad = reading.battery.status in (BatteryStatus.LOW, BatteryStatus.DEPLETED)
    return not bad and not _BAD_BANK_ALARMS.intersection(reading.card_alarms or ())


def was_normal(reading: Reading) -> bool:
    """Return whether a unit carried load by its inverter."""
    return reading.output.source is OutputSource.NORMAL and bool(reading.output.power_w)


def output_lost(reading: Reading) -> bool:
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
