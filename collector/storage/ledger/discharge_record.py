"""One discharge of one bank as it is kept: its rows, how it began and ended, and its line in the ledger.

Each time on the bank is a record of its own. Records that earlier programs kept, and logs that people
import, may hold several: `cut` parts them by the rows themselves, since these are kept as they were read.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import pairwise
from math import nan
from typing import Final

from collector.storage.ledger.records import Evidence
from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.discharge.record.times_on_bank import times_on_bank

_DIGITS: Final = ".10g"
"""How a row's numbers are written."""
SCHEMA: Final = "discharge/1"
OUTSIDE: Final = frozenset({"import", "acceptance"})
"""Kinds of records whose rows somebody logged elsewhere."""
BEFORE_S: Final = 120.0
COUNTED_GAP_S: Final = 180.0
"""A longer time between two rows of a recharge is not counted as charged: nobody saw it."""
_COLUMNS: Final = ("t_s", "bank_voltage_v", "bank_current_a", "temperature_c", "output_power_w", "on_battery")
_FEWEST_ROWS: Final = 2
PART: Final = "."
SHOWN_SUFFIX: Final = "/shown"
"""Between the id of a line and the number of a later discharge in it."""


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
    `unseen_s`: how long the bank had carried when the first row on battery was read, by the card's own
    count, None where nobody knows. `watched_s`: how long before that it was seen on mains without a gap
    that could hide an outage. `full`: it was seen back on float with hardly any current.
    `part`: this is the part of that number of a line in which several times on the bank are kept.
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
    unseen_s: float | None = 0.0
    watched_s: float = 0.0
    full: bool = False
    part: int = 1

    @property
    def discharge_rows(self) -> tuple[DischargeRow, ...]:
        """Return the rows from the last before the transfer to the first after the end."""
        end = float("inf") if self.ended_s is None else self.ended_s
        before = [r.t_s for r in self.rows if r.t_s < self.started_s]
        start = before[-1] if before else self.started_s
        return tuple(r for r in self.rows if start <= r.t_s <= end)

    @property
    def carried_s(self) -> float:
        """Return how long the bank was seen to carry: from the first row on battery to the first after, s."""
        rows = [r.t_s for r in self.discharge_rows if r.t_s >= self.started_s]
        return rows[-1] - rows[0] if rows else 0.0

    @property
    def log(self) -> DischargeLog:
        """Return the discharge as columns, from the last row before the transfer to the first after the end."""
        return self.columns(self.discharge_rows)

    def columns(self, rows: Sequence[DischargeRow]) -> DischargeLog:
        """Return rows as columns. In a log that somebody gave us, `on_battery` is no unit's word."""

        def column(values: Iterable[float | None]) -> list[float]:
            return [nan if value is None else value for value in values]

        words = (None if row.on_battery is None else float(row.on_battery) for row in rows)
        return DischargeLog.of(
            [row.t_s for row in rows],
            column(row.voltage_v for row in rows),
            column(row.current_a for row in rows),
            column(row.temperature_c for row in rows),
            column(row.output_power_w for row in rows),
            None if self.kind in OUTSIDE else column(words),
        )

    @property
    def began(self) -> datetime:
        """Return when the bank was first seen to carry."""
        return self.at + timedelta(seconds=self.started_s)

    @property
    def ended(self) -> datetime | None:
        """Return when it was first seen not to, None while it carries."""
        return None if self.ended_s is None else self.at + timedelta(seconds=self.ended_s)

    @property
    def longest_gap_s(self) -> float:
        """Return the longest time between two rows of the discharge, s."""
        rows = self.discharge_rows
        return max((b.t_s - a.t_s for a, b in pairwise(rows)), default=0.0)

    @property
    def returned_ah(self) -> float | None:
        """Return ampere-hours charged since the end as far as they were seen, None where no current was read."""
        seen = self.recharge_seen()
        return None if seen is None else seen[0]

    def recharge_seen(self) -> tuple[float, float] | None:
        """Return ampere-hours charged since the end, and the seconds in which that was seen; None without current."""
        after = [r for r in self.rows if self.ended_s is not None and r.t_s >= self.ended_s]
        pairs = [
            (0.5 * (a.current_a + b.current_a), b.t_s - a.t_s)
            for a, b in pairwise(after)
            if a.current_a is not None and b.current_a is not None and b.t_s - a.t_s <= COUNTED_GAP_S
        ]
        if not pairs:
            return None
        return sum(max(-amps, 0.0) * s for amps, s in pairs) / 3600.0, sum(s for _, s in pairs)

    def as_csv(self) -> str:
        """Return the rows as the `capacity` command reads them."""
        return written(self.rows)


def to_evidence(record: DischargeRecord) -> Evidence:
    """Return the ledger's line for a record."""
    return line_of(record, zlib.compress(written(record.rows).encode(), 1))


def line_of(record: DischargeRecord, content: bytes) -> Evidence:
    """Return the ledger's line for a record whose rows are packed already."""
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
            "unseen_s": record.unseen_s,
            "watched_s": record.watched_s,
            "full": record.full,
            "cut": True,
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
        started_s=as_kept_s(body["started_s"]),
        ended_after_s=_as_kept(body["ended_after_s"]),
        ended_s=_as_kept(body["ended_s"]),
        ended_how=body["ended_how"],
        claimed_s=body["claimed_s"],
        said_good=body["said_good"],
        restarts=body["restarts"],
        until=line.until,
        unseen_s=body.get("unseen_s", 0.0),
        watched_s=body.get("watched_s", 0.0),
        full=body.get("full", False),
    )


def shown_id(record: str) -> str:
    """Return the id of the line that keeps what a record showed."""
    return record + SHOWN_SUFFIX


def line_id(record: str) -> str:
    """Return the id of the line that keeps a record, given the id of any discharge in it."""
    return record.rpartition(PART)[0] or record


def records_in(line: Evidence, cells: int) -> tuple[DischargeRecord, ...]:
    """Return the discharges in a ledger line, each time on the bank by itself. `cells`: behind its voltage.

    Raises ValueError for a line of another schema.
    """
    record = from_evidence(line)
    return (record,) if line.body.get("cut") else cut(record, cells)


def cut(record: DischargeRecord, cells: int) -> tuple[DischargeRecord, ...]:
    """Return a record parted into its times on the bank; itself where it holds no more than one.

    The first keeps the id; the rows on mains between two belong to the recharge of the earlier, and the
    last of them stand before the later as well.
    """
    rows = record.rows
    if len(rows) < _FEWEST_ROWS:
        return (record,)

    log = record.columns(rows)
    spans = times_on_bank(
        log.t_s, log.bank_voltage_v / cells, log.bank_current_a, log.output_power_w, log.word
    )
    spans = tuple(span for span in spans if rows[span.last].t_s >= record.started_s)
    if len(spans) < 2:
        return (record,)
    parts = []
    for number, span in enumerate(spans, start=1):
        is_last = number == len(spans)
        upto = len(rows) if is_last else spans[number].first
        start_s = rows[span.first].t_s
        since = 0 if number == 1 else spans[number - 2].last + 1
        first = next(
            k for k in range(since, span.first + 1) if number == 1 or rows[k].t_s >= start_s - BEFORE_S
        )
        shift = rows[first].t_s
        after = rows[span.last + 1] if span.last + 1 < len(rows) else rows[span.last]
        running = is_last and record.ended_s is None
        part = replace(
            record,
            id=record.id if number == 1 else f"{record.id}{PART}{number}",
            part=number,
            at=record.at + timedelta(seconds=shift),
            rows=tuple(replace(r, t_s=r.t_s - shift) for r in rows[first:upto]),
            phase=record.phase if is_last else Phase.DONE,
            started_s=(record.started_s if number == 1 else start_s) - shift,
            ended_after_s=None if running else rows[span.last].t_s - shift,
            ended_s=None if running else after.t_s - shift,
            ended_how=record.ended_how if is_last else "supply_back",
            claimed_s=record.claimed_s if number == 1 else None,
            until=record.until if is_last else record.at + timedelta(seconds=rows[upto].t_s),
            full=record.full and is_last,
        )
        parts.append(part)
    return tuple(parts)


def written(rows: Iterable[DischargeRow]) -> str:
    """Return rows as CSV."""
    return HEADER + "".join(row_text(r) for r in rows)


HEADER: Final = ",".join(_COLUMNS) + "\n"


def row_text(r: DischargeRow) -> str:
    """Return one row as a line of CSV."""
    flag = "" if r.on_battery is None else str(int(r.on_battery))
    values = (r.t_s, r.voltage_v, r.current_a, r.temperature_c, r.output_power_w)
    return ",".join(["" if v is None else f"{v:{_DIGITS}}" for v in values] + [flag]) + "\n"


def as_kept_s(seconds: float) -> float:
    """Return seconds as a kept row has them.

    A record's own times are compared with its rows': were they finer, the first row on battery would lie a hair
    before its discharge began, and pass for the bank at rest.
    """
    return float(f"{seconds:{_DIGITS}}")


def _as_kept(seconds: float | None) -> float | None:
    return None if seconds is None else as_kept_s(seconds)


def _read(text: str) -> tuple[DischargeRow, ...]:
    def number(cell: str) -> float | None:
        return float(cell) if cell else None

    rows = []
    for line in text.splitlines()[1:]:
        t, v, i, c, p, flag = line.split(",")
        on = None if flag == "" else flag == "1"
        rows.append(DischargeRow(float(t), number(v), number(i), number(c), number(p), on))
    return tuple(rows)
