"""What a line asks more than those carry that are left to it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LineOver:
    """By how much a line asks more than the units that are fed carry, in W or, by `limit`, in VA."""

    line: int
    over: float
    limit: str
