"""Quarters of an hour since 1970, by which a record of the load counts."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Final

from rules.system.load.codes import value_of
from rules.system.load.usual import Expected
from rules.system.state import LineLoad

QUARTER_S: Final = 900
QUARTERS_A_DAY: Final = 96
QUARTERS_A_WEEK: Final = 7 * QUARTERS_A_DAY


def quarters_between(from_at: datetime, until_at: datetime) -> range:
    """Return the numbers, since 1970, of the quarters of an hour that a span touches."""
    return range(int(from_at.timestamp()) // QUARTER_S, -(-int(until_at.timestamp()) // QUARTER_S))


@lru_cache(maxsize=64)
def unknown_in(quarters: range, lines: tuple[int, ...]) -> tuple[Expected, ...]:
    """Return that nothing is known of some quarters: one value for all young records, which is half a megabyte for each else."""
    return tuple(
        Expected(start_of(quarter), line_loads(lines, (0,) * (2 * len(lines)))) for quarter in quarters
    )


@lru_cache(maxsize=4096)
def line_loads(lines: tuple[int, ...], codes: tuple[int, ...]) -> tuple[LineLoad, ...]:
    """Return what codes, watts and volt-amperes of each line in turn, say; 0: not known. The same value each time."""
    known = [value_of(float(code)) if code else None for code in codes]
    return tuple(LineLoad(line, known[2 * k], known[2 * k + 1]) for k, line in enumerate(lines))


@lru_cache(maxsize=4096)
def start_of(quarter: int) -> datetime:
    """Return when a quarter of an hour begins."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=quarter * QUARTER_S)
