"""Which part of which card is due when: pure arithmetic over the collector's monotonic seconds.

Polls keep their grid: a late poll does not shift those after it, and missed ones are counted, not made
up for. Starts are spread over one period by the card's name, so that a restart of the daemon does not
hammer a thousand cards at once. A card that stays silent is asked less and less often, down to once a
minute, each at its own odd moment.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final
from zlib import crc32

from collector.snmp.upsmib import Part

SLOWEST_WHEN_SILENT_S: Final = 60.0
SILENT_POLLS_AT_FULL_PACE: Final = 3
LATE_AFTER_S: Final = 1.0


@dataclass(frozen=True, slots=True)
class Cadence:
    """How often each part of one card is read, in s."""

    every_s: float = 5.0
    on_battery_every_s: float = 2.0
    slow_every_s: float = 60.0
    nameplate_every_s: float = 86400.0


@dataclass(frozen=True, slots=True)
class Turn:
    """Where one card stands in the schedule."""

    due_s: float
    urgent: bool = False
    silent_polls: int = 0
    part_read_s: Mapping[Part, float] = field(default_factory=dict)


def spread(name: str) -> float:
    """Return a fraction, 0 to 1, that is always the same for a name and even over many names."""
    return crc32(name.encode()) / 2**32


def first_turn(card: str, cadence: Cadence, now_s: float) -> Turn:
    """Return the first turn of a card after the daemon's start."""
    return Turn(due_s=now_s + spread(card) * cadence.every_s)


def parts_due(turn: Turn, cadence: Cadence, now_s: float) -> frozenset[Part]:
    """Return what to ask for now; the live part always."""
    slow_s = {Part.SLOW: cadence.slow_every_s, Part.NAMEPLATE: cadence.nameplate_every_s}
    # Half a period of grace keeps a slow part on the poll it belongs to, rather than one later.
    grace_s = cadence.every_s / 2
    due = {
        part
        for part, every_s in slow_s.items()
        if part not in turn.part_read_s or now_s - turn.part_read_s[part] >= every_s - grace_s
    }
    return frozenset(due | {Part.LIVE})


def period_s(turn: Turn, cadence: Cadence, card: str) -> float:
    """Return s from this turn to the next: fast in an outage or test, slower the longer a card is silent."""
    base_s = cadence.on_battery_every_s if turn.urgent else cadence.every_s
    beyond = turn.silent_polls - SILENT_POLLS_AT_FULL_PACE
    if beyond <= 0 or turn.urgent:
        # A system on battery is worth every try: its card may come back between two switches' restarts.
        return base_s
    slowed_s = base_s * 2.0 ** min(beyond, 10)
    return min(slowed_s, SLOWEST_WHEN_SILENT_S) * (0.9 + 0.2 * spread(f"{card} {turn.silent_polls}"))


def after_answer(turn: Turn, parts: frozenset[Part], *, urgent: bool, read_s: float) -> Turn:
    """Return the turn after a card answered; the next due time is set by `following`."""
    read = {**turn.part_read_s, **dict.fromkeys(parts, read_s)}
    return Turn(due_s=turn.due_s, urgent=urgent, silent_polls=0, part_read_s=read)


def after_silence(turn: Turn, *, urgent: bool) -> Turn:
    """Return the turn after a card did not answer. What it is must be asked again when it returns."""
    return Turn(due_s=turn.due_s, urgent=urgent, silent_polls=turn.silent_polls + 1)


def following(turn: Turn, cadence: Cadence, card: str, now_s: float) -> tuple[Turn, int]:
    """Return the next turn on the grid after `now_s`, and how many were missed."""
    step_s = period_s(turn, cadence, card)
    missed = max(0, int((now_s - turn.due_s) / step_s))
    due_s = turn.due_s + step_s * (missed + 1)
    return Turn(due_s, turn.urgent, turn.silent_polls, turn.part_read_s), missed
