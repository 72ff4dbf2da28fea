"""Which part of which card is due when: pure arithmetic over the collector's monotonic seconds.

Due times lie on a grid that nothing moves: every whole period, shifted by a phase of the card's system, so that the
cards of one system are read in one round and a restart does not hammer a thousand cards at once. Phases are twentieths
of a period, fewer where there are few cards: the systems of one go out, come back, are judged and committed together, which costs less than one by one,
and nothing waits for it. A late poll shifts none after it. A poll that comes early (a trap, a sibling's outage) keeps the due time, and early polls are bounded:
`EARLY_AT_ONCE` in a burst, then one in `EARLY_EVERY_S`. So whatever is asked for between, a card that answers is read
within one period of its last read. A silent card keeps its grid too: it may be back at any moment.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final
from zlib import crc32

from collector.cards.mib.upsmib import TablePart

LATE_AFTER_S: Final = 1.0
EARLY_AT_ONCE: Final = 3
EARLY_EVERY_S: Final = 1.0
PHASES: Final = 20
"""Phases in a period at most, the same at every cadence."""
CARDS_A_ROUND: Final = 50
"""Cards that are read together before there are more phases: as many as of a thousand in twenty. A round costs a commit and
some turns of the loop however many are in it, and what one card's reading has brought into the processor's caches serves the next."""
_ON_THE_GRID: Final = 1e-6
"""Part of a period by which a moment may miss a due time through rounding and still be that due time."""


@dataclass(frozen=True, slots=True)
class Cadence:
    """How often each part of one card is read, in s."""

    every_s: float = 5.0
    on_battery_every_s: float = 2.0
    slow_every_s: float = 60.0
    nameplate_every_s: float = 86400.0

    def period_s(self, *, urgent: bool) -> float:
        """Return s from one due time to the next; `urgent` in an outage or a test."""
        return self.on_battery_every_s if urgent else self.every_s


@dataclass(frozen=True, slots=True)
class Turn:
    """Where one card stands in the schedule.

    `phase`, 0 to 1, is where in a period its due times lie. `early_from_s`: how far ahead early polls have used up
    what they are allowed.
    """

    due_s: float
    phase: float = 0.0
    urgent: bool = False
    early_from_s: float = -math.inf
    part_read_s: Mapping[TablePart, float] = field(default_factory=dict)


def phases_for(cards: int) -> int:
    """Return how many phases so many cards are read in: a small estate in few, each worth a commit of its own."""
    return min(PHASES, -(-max(cards, 1) // CARDS_A_ROUND))


def spread(name: str, phases: int = PHASES) -> float:
    """Return a phase, 0 to 1, that is always the same for a name and even over many names: the middle of one of `phases`."""
    return (crc32(name.encode()) * phases // 2**32 + 0.5) / phases


def first_turn(group: str, cadence: Cadence, now_s: float, phases: int = PHASES) -> Turn:
    """Return the first turn of a card after the daemon's start, within a period; cards of one `group` go together."""
    phase = spread(group, phases)
    return Turn(due_after(now_s, cadence.every_s, phase), phase)


def due_after(now_s: float, period_s: float, phase: float) -> float:
    """Return the first due time after `now_s`, at most a period away."""
    passed = math.floor(now_s / period_s - phase + _ON_THE_GRID)
    return (passed + 1 + phase) * period_s


def parts_due(turn: Turn, cadence: Cadence, now_s: float) -> frozenset[TablePart]:
    """Return what to ask for now; the live part always."""
    slow_s = {TablePart.SLOW: cadence.slow_every_s, TablePart.NAMEPLATE: cadence.nameplate_every_s}
    # Half a period of grace keeps a slow part on the poll it belongs to, rather than one later.
    grace_s = cadence.every_s / 2
    due = {
        part
        for part, every_s in slow_s.items()
        if part not in turn.part_read_s or now_s - turn.part_read_s[part] >= every_s - grace_s
    }
    return frozenset(due | {TablePart.LIVE})


def paced(turn: Turn, cadence: Cadence, now_s: float, *, urgent: bool) -> Turn:
    """Return the turn at the pace that is wanted now; a due time that lies beyond one period of it moves here.

    What is read more rarely is read at once when the hurry is over: a bypass was last read while its supply was gone.
    """
    if urgent == turn.urgent:
        return turn
    if not urgent:
        read_s = dict(turn.part_read_s)
        read_s.pop(TablePart.SLOW, None)
        turn = replace(turn, part_read_s=read_s)
    due_s = min(turn.due_s, due_after(now_s, cadence.period_s(urgent=urgent), turn.phase))
    return replace(turn, due_s=due_s, urgent=urgent)


def early_s(turn: Turn) -> float:
    """Return when a poll may start that somebody asked for before it is due."""
    return turn.early_from_s - (EARLY_AT_ONCE - 1) * EARLY_EVERY_S


def after_early(turn: Turn, started_s: float) -> Turn:
    """Return the turn with one early poll counted."""
    return replace(turn, early_from_s=max(turn.early_from_s, started_s) + EARLY_EVERY_S)


def after_answer(turn: Turn, parts: frozenset[TablePart], read_s: float) -> Turn:
    """Return the turn after a card answered; the next due time is set by `following`."""
    part_read_s = {**turn.part_read_s, **dict.fromkeys(parts, read_s)}
    return Turn(turn.due_s, turn.phase, turn.urgent, turn.early_from_s, part_read_s)


def after_silence(turn: Turn) -> Turn:
    """Return the turn after a card did not answer. What it is must be asked again when it returns."""
    return replace(turn, part_read_s={})


def following(turn: Turn, cadence: Cadence, now_s: float) -> Turn:
    """Return the turn after a read that ended at `now_s`: a due time still to come stays, else the next on the grid."""
    if now_s < turn.due_s:
        return turn
    due_s = due_after(now_s, cadence.period_s(urgent=turn.urgent), turn.phase)
    return Turn(due_s, turn.phase, turn.urgent, turn.early_from_s, turn.part_read_s)
