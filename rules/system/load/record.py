"""The load a system must be ready for: running 5-minute means by board line over the last 30 days.

The highest 5-minute mean of every quarter of an hour is kept for 30 days, rounded up by at most
0.025 %, a day of them in 1.2 KB, so one system costs 38 KB whatever the cadence once it has its month. The highest of all is the 30-day peak.
The 95th percentile is that of these quarter-hour maxima: never below that of the 5-minute means.
The highest of every day is kept for ten years (16 bytes a day), for growth and for the size of what
comes next.

`PeakRecord` is an accumulator without a clock: the same samples give the same record.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rules.system.load.codes import STEPS, code_of, highest_of, value_of
from rules.system.load.peaks import NO_PEAKS, DayPeak, LineHistory, LinePeak, Peaks
from rules.system.load.quarters import (
    QUARTER_S,
    QUARTERS_A_DAY,
    QUARTERS_A_WEEK,
    line_loads,
    quarters_between,
    start_of,
    unknown_in,
)
from rules.system.load.usual import Expected, LineUsual, Usual
from rules.system.state import LineLoad, Load

MEAN_OVER_S: Final = 300
KEPT: Final = timedelta(days=30)

QUARTERS: Final = int(KEPT.total_seconds()) // QUARTER_S

DAYS_KEPT: Final = 3653
ENOUGH_QUARTERS: Final = 4
"""Recorded quarters, beside ones counted, that make an expectation: about two weeks' worth."""

WEEKS_LOOKED_BACK: Final = 5
HOLD_S: Final = 60.0
"""A reading speaks for at most this long after it was read; a longer gap is not known."""

ENOUGH_OF_A_MEAN: Final = 0.5
"""Part of the 5 minutes that must be known for a mean to count."""


class PeakRecord:
    """Gathers a system's load by board line. `lines` are the numbers of the board's lines, rising."""

    __slots__ = (
        "_blocks",
        "_day_codes",
        "_days",
        "_last",
        "_last_s",
        "_lines",
        "_newest",
        "_sum",
        "_window",
        "version",
    )

    def __init__(self, lines: Sequence[int]) -> None:
        self._lines = tuple(lines)
        width = 2 * len(self._lines)
        self._blocks: dict[
            int, NDArray[np.uint16]
        ] = {}  # day since 1970 -> quarter of it, column; 0: not known
        self._newest = 0  # number of the newest quarter on record since 1970
        self._days: NDArray[np.int32] = np.zeros(0, dtype=np.int32)  # days since 1970, rising
        self._day_codes: NDArray[np.uint16] = np.zeros((0, width), dtype=np.uint16)
        self.version = 0
        """Moves with every change of what the record says; not kept."""
        self._window = -1  # number of the open 5 minutes since 1970
        self._sum = [[0.0, 0.0] for _ in range(width)]  # per column: value x seconds, seconds
        self._last: list[float | None] = [None] * width
        self._last_s: float | None = None

    @property
    def lines(self) -> tuple[int, ...]:
        """Return the board lines that are recorded."""
        return self._lines

    @property
    def day_count(self) -> int:
        """Return how many days are on record."""
        return len(self._days)

    @property
    def first_day(self) -> date | None:
        """Return the oldest day on record, None while there is none."""
        return date(1970, 1, 1) + timedelta(days=int(self._days[0])) if len(self._days) else None

    def add(self, at: datetime, load: Load) -> None:
        """Take the load read at `at`. Samples older than the last one are passed over."""
        now_s = at.timestamp()
        if self._last_s is not None:
            if now_s <= self._last_s:
                return
            self._advance(self._last_s, min(now_s, self._last_s + HOLD_S))
        self._close_until(int(now_s // MEAN_OVER_S))
        by_line = {item.line: item for item in load.lines}
        for column, line in enumerate(self._lines):
            item = by_line.get(line)
            self._last[2 * column] = None if item is None else item.power_w
            self._last[2 * column + 1] = None if item is None else item.apparent_va
        self._last_s = now_s

    def _advance(self, from_s: float, until_s: float) -> None:
        """Let the last values stand from `from_s` until `until_s`, closing means on the way."""
        while from_s < until_s:
            window = int(from_s // MEAN_OVER_S)
            self._close_until(window)
            end_s = min(until_s, (window + 1) * float(MEAN_OVER_S))
            for total, value in zip(self._sum, self._last, strict=True):
                if value is not None:
                    total[0] += value * (end_s - from_s)
                    total[1] += end_s - from_s
            from_s = end_s

    def _close_until(self, window: int) -> None:
        """Close the open 5 minutes if `window` is a later one."""
        if self._window < 0:
            self._window = window
        if window <= self._window:
            return
        quarter = self._window * MEAN_OVER_S // QUARTER_S
        for column, total in enumerate(self._sum):
            if total[1] >= ENOUGH_OF_A_MEAN * MEAN_OVER_S:
                self._keep(quarter, column, total[0] / total[1])
            total[0] = total[1] = 0.0
        self._window = window

    def _keep(self, quarter: int, column: int, mean: float) -> None:
        self.version += 1
        day, place = divmod(quarter, QUARTERS_A_DAY)
        block = self._blocks.get(day)
        if block is None:
            block = self._blocks[day] = np.zeros((QUARTERS_A_DAY, 2 * len(self._lines)), dtype=np.uint16)
        if quarter > self._newest:
            self._newest = quarter
            for old in [one for one in self._blocks if one < (quarter - QUARTERS + 1) // QUARTERS_A_DAY]:
                del self._blocks[old]
        code = code_of(mean)
        block[place, column] = max(block[place, column], code)
        self._keep_day(day, column, code)

    def _ring(self) -> tuple[NDArray[np.int64], NDArray[np.uint16]]:
        """Return the month by row: which quarter is in it (-1: none), and its codes. A quarter's row is its number's rest."""
        quarters = np.full(QUARTERS, -1, dtype=np.int64)
        codes = np.zeros((QUARTERS, 2 * len(self._lines)), dtype=np.uint16)
        for day, block in self._blocks.items():
            numbers = np.arange(day * QUARTERS_A_DAY, (day + 1) * QUARTERS_A_DAY)
            held = block.any(axis=1) & (numbers > self._newest - QUARTERS)
            rows = numbers[held] % QUARTERS
            quarters[rows], codes[rows] = numbers[held], block[held]
        return quarters, codes

    def _keep_day(self, day: int, column: int, code: int) -> None:
        at = int(self._days.searchsorted(day))
        if at == len(self._days) or self._days[at] != day:
            blank = np.zeros((1, self._day_codes.shape[1]), dtype=np.uint16)
            self._days = np.insert(self._days, at, day)[-DAYS_KEPT:]
            self._day_codes = np.insert(self._day_codes, at, blank, axis=0)[-DAYS_KEPT:]
            at = int(self._days.searchsorted(day))
            if at == len(self._days) or self._days[at] != day:
                return  # older than everything that is kept
        self._day_codes[at, column] = max(self._day_codes[at, column], code)

    def _put_ring(self, quarters: NDArray[np.int64], codes: NDArray[np.uint16]) -> None:
        """Take a month as `_ring` gives it."""
        self._newest = max(int(quarters.max()), 0)
        held = quarters > max(self._newest - QUARTERS, 0)
        for quarter, row in zip(quarters[held].tolist(), codes[held], strict=True):
            day, place = divmod(quarter, QUARTERS_A_DAY)
            blank = np.zeros((QUARTERS_A_DAY, codes.shape[1]), dtype=np.uint16)
            self._blocks.setdefault(day, blank)[place] = row

    def add_quarter(self, at: datetime, load: Load) -> None:
        """Take the load of a quarter of an hour that was not watched live, from an older record."""
        quarter = int(at.timestamp()) // QUARTER_S
        newest = self._newest
        by_line = {item.line: item for item in load.lines}
        for k, line in enumerate(self._lines):
            item = by_line.get(line)
            values = (None, None) if item is None else (item.power_w, item.apparent_va)
            for column, value in zip((2 * k, 2 * k + 1), values, strict=True):
                if value is None:
                    continue
                if quarter > newest - QUARTERS:
                    self._keep(quarter, column, value)
                else:
                    self._keep_day(quarter // QUARTERS_A_DAY, column, code_of(value))

    def forget(self, day: date) -> None:
        """Let go of what is on record of a day (UTC): some of it was never so. What is true of it is to be added again."""
        number = (day - date(1970, 1, 1)).days
        self.version += 1
        self._blocks.pop(number, None)
        held = self._days != number
        self._days, self._day_codes = self._days[held], self._day_codes[held]

    def add_day(self, peak: DayPeak) -> None:
        """Take the peak of a day that was not watched live, from an older record."""
        day = (peak.day - date(1970, 1, 1)).days
        for item in peak.lines:
            if item.line not in self._lines:
                continue
            column = 2 * self._lines.index(item.line)
            for place, value in ((column, item.power_w), (column + 1, item.apparent_va)):
                if value is not None:
                    self._keep_day(day, place, code_of(value))

    def days(self) -> tuple[DayPeak, ...]:
        """Return the peak of every day on record, oldest first."""
        decoded = np.expm1((self._day_codes - 1.0) / STEPS)
        known = np.where(self._day_codes > 0, decoded, np.nan).astype(object)
        known[self._day_codes == 0] = None
        found = []
        for day, values in zip(self._days.tolist(), known.tolist(), strict=True):
            lines = tuple(
                LineLoad(line, values[2 * k], values[2 * k + 1]) for k, line in enumerate(self._lines)
            )
            found.append(DayPeak(date(1970, 1, 1) + timedelta(days=day), lines))
        return tuple(found)

    def histories(self, now: datetime, since: Mapping[int, date] | None = None) -> tuple[LineHistory, ...]:
        """Return each line over what is on record: median and 95th percentile of 30 days, peak of a year.

        `since`: lines of which only what came from a day on counts. A line with nothing on record is left out.
        """
        newest = int(now.timestamp()) // QUARTER_S
        quarters, codes = self._ring()
        found = []
        for k, line in enumerate(self._lines):
            first = 0 if since is None or line not in since else (since[line] - date(1970, 1, 1)).days
            held = (quarters > newest - QUARTERS) & (quarters <= newest)
            held &= quarters >= first * QUARTERS_A_DAY
            year = (self._days > newest // QUARTERS_A_DAY - 366) & (self._days >= first)
            watts = codes[held, 2 * k]
            watts = np.sort(watts[watts > 0])
            peak_w = int(self._day_codes[year, 2 * k].max(initial=0))
            peak_va = int(self._day_codes[year, 2 * k + 1].max(initial=0))
            if watts.size == 0 or peak_w == 0 or peak_va == 0:
                continue
            p95 = watts[min(int(np.ceil(0.95 * watts.size)), watts.size) - 1]
            found.append(
                LineHistory(
                    line,
                    value_of(float(watts[watts.size // 2])),
                    value_of(float(p95)),
                    value_of(peak_w),
                    value_of(peak_va),
                )
            )
        return tuple(found)

    def peaks(self, now: datetime) -> Peaks:
        """Return highest and 95th percentile of the 30 days before `now`."""
        newest = int(now.timestamp()) // QUARTER_S
        quarters, codes = self._ring()
        held = (quarters > newest - QUARTERS) & (quarters <= newest)
        quarters, codes = quarters[held], codes[held]
        if quarters.size == 0:
            return NO_PEAKS
        lines = []
        for column, line in enumerate(self._lines):
            w_peak, w_p95, w_row = highest_of(codes[:, 2 * column])
            va_peak, va_p95, _ = highest_of(codes[:, 2 * column + 1])
            at = None if w_row is None else start_of(int(quarters[w_row]))
            lines.append(LinePeak(line, w_peak, va_peak, w_p95, va_p95, at))
        return Peaks(tuple(lines), quarters.size * QUARTER_S / 86400.0, start_of(int(quarters.min())))

    def expected(self, from_at: datetime, until_at: datetime) -> tuple[Expected, ...]:
        """Return, by quarter of an hour, the highest load of the same hour and weekday in the 30 days.

        The quarters beside it are looked at too. A quarter is known from two weeks' worth on. Weeks are
        reckoned in UTC: when the clocks change, the hour before and after is one hour off.
        """
        asked = quarters_between(from_at, until_at)
        if not self._spans_weeks:
            return unknown_in(asked, self._lines)
        quarters, codes = self._alike(from_at, until_at)
        enough = (codes > 0).sum(axis=1) >= ENOUGH_QUARTERS
        highest = np.where(enough, codes.max(axis=1, initial=0), np.uint16(0))
        return tuple(
            Expected(start_of(quarter), line_loads(self._lines, tuple(row)))
            for quarter, row in zip(quarters, highest.tolist(), strict=True)
        )

    @property
    def _spans_weeks(self) -> bool:
        """Return whether the same quarter of two weeks may be on record: those of one, beside each other, are too few."""
        return bool(self._blocks) and self._newest - min(self._blocks) * QUARTERS_A_DAY >= QUARTERS_A_WEEK - 2

    def usual(self, from_at: datetime, until_at: datetime) -> tuple[Usual, ...]:
        """Return, by quarter of an hour, what the same hour and weekday asked in the 30 days, with its interval.

        As `expected` otherwise. A quarter that is not known on every line is left out.
        """
        quarters, codes = self._alike(from_at, until_at)
        found = ((q, self._usual(alike)) for q, alike in zip(quarters, codes, strict=True))
        return tuple(Usual(start_of(q), lines) for q, lines in found if lines)

    def _usual(self, codes: NDArray[np.uint16]) -> tuple[LineUsual, ...]:
        lines = []
        for column, line in enumerate(self._lines):
            watts, volt_amperes = (
                codes[:, place][codes[:, place] > 0] for place in (2 * column, 2 * column + 1)
            )
            if watts.size < ENOUGH_QUARTERS or volt_amperes.size < ENOUGH_QUARTERS:
                return ()
            low, median, high = (value_of(float(np.quantile(watts, q))) for q in (0.05, 0.5, 0.95))
            lines.append(LineUsual(line, low, median, high, value_of(float(np.median(volt_amperes)))))
        return tuple(lines)

    def _alike(self, from_at: datetime, until_at: datetime) -> tuple[list[int], NDArray[np.uint16]]:
        """Return the quarters asked for, and for each the codes of those like it in the weeks on record.

        Alike are the same quarter and those beside it; 0 is not known. All at once: a week asked for one by
        one would hold the event loop up for a tenth of a second.
        """
        asked = quarters_between(from_at, until_at)
        quarters = np.arange(asked.start, asked.stop)
        known, codes = self._ring()
        newest = self._newest
        weeks_ago = np.maximum(-(-(quarters - newest) // QUARTERS_A_WEEK), 1)
        back = (weeks_ago[:, None] + np.arange(WEEKS_LOOKED_BACK)) * QUARTERS_A_WEEK
        wanted = ((quarters[:, None] - back)[:, :, None] + np.array((-1, 0, 1))).reshape(
            len(quarters), 3 * WEEKS_LOOKED_BACK
        )
        rows = wanted % QUARTERS
        held = (wanted > newest - QUARTERS) & (known[rows] == wanted)
        return quarters.tolist(), np.where(held[:, :, None], codes[rows], np.uint16(0))

    def snapshot(self) -> bytes:
        """Return the record as bytes, to be kept and given to `restore`."""
        head = {
            "lines": self._lines,
            "window": self._window,
            "sum": self._sum,
            "last": self._last,
            "last_s": self._last_s,
            "days": len(self._days),
        }
        text = json.dumps(head).encode()
        quarters, codes = self._ring()
        body = quarters.astype("<i8").tobytes() + codes.astype("<u2").tobytes()
        body += self._days.astype("<i4").tobytes() + self._day_codes.astype("<u2").tobytes()
        return len(text).to_bytes(4, "big") + text + zlib.compress(body, 1)

    @classmethod
    def restore(cls, kept: bytes) -> PeakRecord:
        """Return the record that gave `kept`.

        Raises:
            ValueError: the bytes are not such a record.
        """
        try:
            size = int.from_bytes(kept[:4], "big")
            head: dict[str, Any] = json.loads(kept[4 : 4 + size])
            body = zlib.decompress(kept[4 + size :])
            record = cls(head["lines"])
            width = 2 * len(record._lines)
            quarters = np.frombuffer(body, "<i8", QUARTERS)
            codes = np.frombuffer(body, "<u2", QUARTERS * width, 8 * QUARTERS).reshape(QUARTERS, width)
            record._put_ring(quarters, codes)
            days = int(head.get("days", 0))
            start = 8 * QUARTERS + 2 * QUARTERS * width
            record._days = np.frombuffer(body, "<i4", days, start).astype(np.int32)
            record._day_codes = np.frombuffer(body, "<u2", days * width, start + 4 * days).astype(np.uint16)
            record._day_codes = record._day_codes.reshape(days, width)
            record._window = int(head["window"])
            record._sum = [[float(a), float(b)] for a, b in head["sum"]]
            record._last = [None if v is None else float(v) for v in head["last"]]
            record._last_s = None if head["last_s"] is None else float(head["last_s"])
        except (KeyError, TypeError, zlib.error, UnicodeDecodeError) as error:
            raise ValueError(f"not a record of peaks: {error}") from error
        return record
