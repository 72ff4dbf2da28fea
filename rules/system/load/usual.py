"""What a system's lines are expected to ask at a quarter of an hour, and what is usual then."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from rules.system.state import LineLoad


@dataclass(frozen=True, slots=True)
class Expected:
    """What the board is to be expected to ask in one quarter of an hour; None on a line: not known."""

    at: datetime
    lines: tuple[LineLoad, ...]


@dataclass(frozen=True, slots=True)
class LineUsual:
    """What a board line usually asks in a quarter of an hour: 5th, 50th and 95th percentile W, median VA."""

    line: int
    low_w: float
    median_w: float
    high_w: float
    median_va: float


@dataclass(frozen=True, slots=True)
class Usual:
    """What every line of the board usually asks in one quarter of an hour of the week."""

    at: datetime
    lines: tuple[LineUsual, ...]
