"""Keeps one card being read: on its grid, within its deadline, its surprises kept to itself.

Cancellation passes through; a silent card is an answer like any other; an unexpected fault while reading
stops at this card and is told as such. What comes goes into one queue, which is bounded, so that a
reader of cards never runs ahead of the keeper of readings.
"""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Awaitable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final, Protocol

from collector.clock import Clock, stamp
from collector.schedule import (
    LATE_AFTER_S,
    Cadence,
    after_answer,
    after_silence,
    first_turn,
    following,
    parts_due,
    period_s,
)
from collector.snmp.errors import SnmpError
from collector.snmp.upsmib import Part
from collector.snmp.wire import CardRead
from rules.reading import Stamp

LONGEST_READ_S: Final = 60.0
TRACED_READS: Final = 120
LONGEST_FAULT: Final = 160
"""Characters of a fault's sentence. The history keeps every text that it meets for ever."""
_log = logging.getLogger(__name__)


class ReadsCard(Protocol):
    """Something that reads one card (`collector.snmp.card.CardReader`)."""

    def read(self, parts: frozenset[Part]) -> Awaitable[CardRead]:
        """Read some parts. Raises SnmpError."""
        ...


@dataclass(frozen=True, slots=True)
class Answer:
    """What one poll of one card brought: the wire values, or why there are none.

    `stamp` is when the reply was complete. `late_s` is how long after its due time the poll started. `fault` is an
    unexpected error in a sentence.
    """

    card: str
    stamp: Stamp
    period_s: float
    late_s: float
    took_s: float
    wire: CardRead | None = None
    silence: str | None = None
    fault: str | None = None


@dataclass(frozen=True, slots=True)
class TracedRead:
    """One poll as a person may look at it. `took_s` None: no answer came."""

    at: datetime
    took_s: float | None
    objects: int | None
    retries: int | None
    octets: int | None
    why: str | None


@dataclass(slots=True)
class PollFigures:
    """How a card has kept up since the daemon started."""

    polls: int = 0
    answered: int = 0
    late: int = 0
    missed: int = 0
    restarts: int = 0
    silent_since: datetime | None = None
    why_silent: str | None = None
    trace: deque[TracedRead] = field(default_factory=lambda: deque(maxlen=TRACED_READS))


class Poller:
    """Reads one card for ever. `urgent` asks for the fast cadence; `poke` for a poll now."""

    def __init__(
        self, card: str, reader: ReadsCard, cadence: Cadence, clock: Clock, out: asyncio.Queue[Answer]
    ) -> None:
        self.card = card
        self.cadence = cadence
        self.urgent = False
        self.figures = PollFigures()
        self._reader = reader
        self._clock = clock
        self._out = out
        self._poked = asyncio.Event()
        self._surprised = False

    def poke(self) -> None:
        """Ask for a poll at once, whatever the schedule says."""
        self._poked.set()

    @property
    def period_s(self) -> float:
        """Return the cadence in force, in s."""
        return self.cadence.on_battery_every_s if self.urgent else self.cadence.every_s

    async def run(self) -> None:
        """Poll until cancelled."""
        turn = first_turn(self.card, self.cadence, self._clock.monotonic_s())
        while True:
            poked = await self._wait_until(turn.due_s)
            started_s = self._clock.monotonic_s()
            late_s = 0.0 if poked else max(0.0, started_s - turn.due_s)
            parts = parts_due(turn, self.cadence, started_s)
            answer = await self._poll(parts, late_s, period_s(turn, self.cadence, self.card))
            self._count(answer)
            await self._out.put(answer)
            if answer.wire is None:
                turn = after_silence(turn, urgent=self.urgent)
            else:
                turn = after_answer(turn, parts, urgent=self.urgent, read_s=started_s)
            turn, missed = following(turn, self.cadence, self.card, self._clock.monotonic_s())
            self.figures.missed += missed

    async def _wait_until(self, due_s: float) -> bool:
        """Wait for the due time or a poke; return whether it was a poke."""
        sleeping = asyncio.ensure_future(self._clock.sleep_until(due_s))
        poked = asyncio.ensure_future(self._poked.wait())
        try:
            await asyncio.wait({sleeping, poked}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for waiting in (sleeping, poked):
                waiting.cancel()
        was_poked = self._poked.is_set()
        self._poked.clear()
        return was_poked

    async def _poll(self, parts: frozenset[Part], late_s: float, period: float) -> Answer:
        started_s = self._clock.monotonic_s()
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
        return Answer(self.card, stamp(self._clock), period, late_s, took_s, wire, silence, fault)

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
        figures.late += answer.late_s > LATE_AFTER_S
        if answer.wire is not None:
            cost = answer.wire.cost
            figures.answered += 1
            figures.silent_since = figures.why_silent = None
            octets = cost.octets_in + cost.octets_out
            traced = TracedRead(
                answer.stamp.at, answer.took_s, len(answer.wire.values), cost.retries, octets, None
            )
        else:
            figures.silent_since = figures.silent_since or answer.stamp.at
            figures.why_silent = answer.silence or answer.fault
            traced = TracedRead(answer.stamp.at, None, None, None, None, figures.why_silent)
        figures.trace.append(traced)
