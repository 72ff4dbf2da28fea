"""Keeps one card being read: on its grid, early where somebody asks for it, its surprises kept to itself.

Cancellation passes through; a silent card is an answer like any other; an unexpected fault while reading
stops at this card and is told as such. What comes goes into one queue, which is bounded, so that a
reader of cards never runs ahead of the keeper of readings.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final, Protocol

from collector.cards.mib.upsmib import TablePart
from collector.cards.mib.wire_values import CardRead
from collector.cards.polling.schedule import (
    PHASES,
    Cadence,
    Turn,
    after_answer,
    after_early,
    after_silence,
    early_s,
    first_turn,
    following,
    paced,
    parts_due,
)
from collector.cards.polling.trace import Trace
from collector.cards.snmp.errors import SnmpError
from collector.process.clock import Clock, stamp
from rules.plant.reading import Stamp

LONGEST_READ_S: Final = 60.0
LONGEST_FAULT: Final = 160
"""Characters of a fault's sentence. The history keeps every text that it meets for ever."""
_log = logging.getLogger(__name__)


class ReadsCard(Protocol):
    """Something that reads one card (`collector.cards.polling.reader.CardReader`)."""

    def read(self, parts: frozenset[TablePart]) -> Awaitable[CardRead]:
        """Read some parts. Raises SnmpError."""
        ...


@dataclass(frozen=True, slots=True)
class Answer:
    """What one poll of one card brought: the wire values, or why there are none.

    `stamp` is when the reply was complete. `late_s` is how long after its due time the poll started. `fault` is an
    unexpected error in a sentence. `early`: somebody asked for it before it was due.
    """

    card: str
    stamp: Stamp
    period_s: float
    late_s: float
    took_s: float
    wire: CardRead | None = None
    silence: str | None = None
    fault: str | None = None
    early: bool = False


@dataclass(slots=True)
class PollFigures:
    """How a card has kept up since the daemon started."""

    polls: int = 0
    answered: int = 0
    restarts: int = 0
    answered_s: float | None = None
    """When it last answered, by the collector's monotonic seconds."""
    asking_since_s: float | None = None
    """Since when it is being asked, None between two polls."""
    silent_since: datetime | None = None
    why_silent: str | None = None
    trace: Trace = field(default_factory=Trace)


class Poller:
    """Reads one card for ever. `urgent` asks for the fast cadence; `poke` for a poll before it is due.

    Cards of one `group` (the units of a system) are due at the same moments, of which there are `phases` in a period.
    """

    def __init__(  # noqa: PLR0917 - a card, what reads it, how often, by what clock, whereto
        self,
        card: str,
        reader: ReadsCard,
        cadence: Cadence,
        clock: Clock,
        out: asyncio.Queue[Answer],
        group: str | None = None,
        phases: int = PHASES,
    ) -> None:
        self.card = card
        self.cadence = cadence
        self.figures = PollFigures()
        self._group = group or card
        self._phases = phases
        self._reader = reader
        self._clock = clock
        self._out = out
        self._urgent = False
        self._poked = False
        self._waking: asyncio.Future[None] | None = None
        self._surprised = False

    @property
    def urgent(self) -> bool:
        """Return whether the fast cadence is wanted."""
        return self._urgent

    @urgent.setter
    def urgent(self, wanted: bool) -> None:
        self._urgent = wanted
        self._wake()

    def poke(self) -> None:
        """Ask for a poll at once, or as soon as the polls asked for before allow it; no due time moves for it."""
        self._poked = True
        self._wake()

    @property
    def period_s(self) -> float:
        """Return the cadence in force, in s."""
        return self.cadence.period_s(urgent=self._urgent)

    async def run(self) -> None:
        """Poll until cancelled."""
        turn = first_turn(self._group, self.cadence, self._clock.monotonic_s(), self._phases)
        while True:
            turn, early = await self._until_due(turn)
            started_s = self._clock.monotonic_s()
            late_s = None if early else started_s - turn.due_s
            parts = parts_due(turn, self.cadence, started_s)
            self.figures.asking_since_s = started_s
            answer = await self._poll(parts, late_s)
            self.figures.asking_since_s = None
            self._count(answer)
            turn = after_silence(turn) if answer.wire is None else after_answer(turn, parts, started_s)
            turn = following(turn, self.cadence, answer.stamp.monotonic_s)
            await self._out.put(answer)  # where it waits for room, the next poll is late, and counts as that

    async def _until_due(self, turn: Turn) -> tuple[Turn, bool]:
        """Wait until a poll is due, or may come early; return the turn at the pace now wanted, and whether it is early."""
        while True:
            now_s = self._clock.monotonic_s()
            turn = paced(turn, self.cadence, now_s, urgent=self._urgent)
            next_s = min(turn.due_s, early_s(turn)) if self._poked else turn.due_s
            if now_s < next_s:
                await self._woken(next_s)
                continue
            self._poked = False
            early = now_s < turn.due_s
            return after_early(turn, now_s) if early else turn, early

    async def _woken(self, at_s: float) -> None:
        """Wait for a moment, or until the pace changes or somebody asks for a poll."""
        self._waking = asyncio.get_running_loop().create_future()
        call_off = self._clock.call_at(at_s, self._wake)
        try:
            await self._waking
        finally:
            call_off()
            self._waking = None

    def _wake(self) -> None:
        if self._waking is not None and not self._waking.done():
            self._waking.set_result(None)

    async def _poll(self, parts: frozenset[TablePart], late_s: float | None) -> Answer:
        """Read some parts now, `late_s` after they were due; None: they are not yet."""
        started_s, period_s = self._clock.monotonic_s(), self.period_s
        wire, silence, fault = None, None, None
        try:
            async with asyncio.timeout(LONGEST_READ_S):
                wire = await self._reader.read(parts)
            self._surprised = False
        except TimeoutError:
            silence = f"reading took longer than {LONGEST_READ_S:g} s"
        except SnmpError as error:
            silence = str(error)
        except Exception as error:  # noqa: BLE001 - the boundary: one card's surprise must not blind the site
            fault = self._told(error)
        took_s = self._clock.monotonic_s() - started_s
        return Answer(
            self.card,
            stamp(self._clock),
            period_s,
            late_s or 0.0,
            took_s,
            wire,
            silence,
            fault,
            late_s is None,
        )

    def _told(self, error: Exception) -> str:
        """Return a surprise as a sentence of a bounded length.

        The log gets the whole of it, with the datagram, when it begins: nobody called at night can use that.
        """
        what = f"{type(error).__name__}: {error}"
        if len(what) > LONGEST_FAULT:
            what = what[: LONGEST_FAULT - 3] + "..."
        if not self._surprised:
            self._surprised = True
            _log.error("card %s", self.card, exc_info=error)
        return what

    def _count(self, answer: Answer) -> None:
        figures = self.figures
        figures.polls += 1
        if answer.wire is not None:
            cost = answer.wire.cost
            figures.answered += 1
            figures.answered_s = answer.stamp.monotonic_s
            figures.silent_since = figures.why_silent = None
            figures.trace.answered(
                answer.stamp.at,
                answer.took_s,
                objects=len(answer.wire.values),
                retries=cost.retries,
                octets=cost.octets_in + cost.octets_out,
            )
        else:
            figures.silent_since = figures.silent_since or answer.stamp.at
            figures.why_silent = answer.silence or answer.fault
            figures.trace.silent(answer.stamp.at, figures.why_silent)
