"""The service's own lateness, measured where it counts: when a reading has been judged, kept and shown.

A poll is late by what its card was asked too late plus what its answer waited for the judge; what the card itself took
is the card's. Due times are not believed here: what was asked when is held against when the card was read before.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from collector.cards.polling.poller import Answer, Poller
from collector.cards.polling.schedule import LATE_AFTER_S
from collector.process.clock import Clock
from collector.recorder.batch import InputQueue
from collector.recorder.current_state import Present
from rules.plant.estate import Estate
from rules.plant.unread import Unread

WAITED_SHARE: Final = 0.5
"""Part of a reading's age from which its waiting for the judge is what made it old."""


@dataclass(slots=True)
class _Last:
    """What is known of the last answer of a card: until when the next is in time, and how long it waited."""

    next_by_s: float | None = None
    waited_s: float = 0.0


class Punctuality:
    """Counts polls as they are done with. `polls` in all, `late` of them, `missed` due times nothing was asked at."""

    def __init__(self, estate: Estate, pollers: Mapping[str, Poller], clock: Clock, line: InputQueue) -> None:
        self.polls = 0
        self.late = 0
        self.missed = 0
        self.busy_s = 0.0
        """Seconds that batches took, from their first part to their being shown."""
        self._estate = estate
        self._pollers = pollers
        self._clock = clock
        self._line = line
        self._last: dict[str, _Last] = {}

    @property
    def cards(self) -> int:
        """Return how many cards are read."""
        return len(self._pollers)

    @property
    def waits_s(self) -> float:
        """Return how long the oldest of what is not judged yet has waited, in s; 0 for nothing."""
        return self._line.age_s

    def longest_wait_s(self) -> float:
        """Return the longest that anything waited since this was last asked, in s."""
        return self._line.longest_s()

    def takes(self, answer: Answer) -> None:
        """Note that an answer's turn has come, after it waited."""
        last = self._last.setdefault(answer.card, _Last())
        last.waited_s = self._clock.monotonic_s() - answer.stamp.monotonic_s

    def shown(self, answers: Iterable[Answer], began_s: float) -> None:
        """Count the answers of a batch that began at `began_s` and has been shown now."""
        now_s = self._clock.monotonic_s()
        self.busy_s += now_s - began_s
        for answer in answers:
            last = self._last.setdefault(answer.card, _Last())
            ended_s = answer.stamp.monotonic_s
            asked_late_s = answer.late_s
            if last.next_by_s is not None:
                asked_late_s = max(asked_late_s, ended_s - answer.took_s - last.next_by_s)
            self.polls += 1
            self.late += asked_late_s + now_s - ended_s > LATE_AFTER_S
            self.missed += int(max(asked_late_s, 0.0) / answer.period_s)
            last.next_by_s = ended_s + answer.period_s

    def why(self, unit: str, present: Present) -> Unread | None:
        """Return why there is no newer reading of a unit than the present one, None where nobody reads it here."""
        card = self._estate.card_of(unit)
        poller = None if card is None else self._pollers.get(card.id)
        if card is None or poller is None:
            return None
        speaks_for = card.covers[0]
        if speaks_for in present.silences:
            return Unread.NO_ANSWER
        if speaks_for in present.faults:
            return Unread.CANNOT_BE_JUDGED
        reading = present.readings.get(speaks_for)
        if reading is None or reading.stamp.start_id != self._clock.start_id:
            return self._why(poller, None)
        return self._why(poller, reading.stamp.monotonic_s)

    def _why(self, poller: Poller, read_s: float | None) -> Unread:
        """Return why nothing newer is known than was said at `read_s`, None for nothing since the start."""
        figures, now_s = poller.figures, self._clock.monotonic_s()
        last = self._last.get(poller.card, _Last())
        if figures.answered_s is not None and (read_s is None or figures.answered_s > read_s):
            return Unread.NOT_JUDGED
        if read_s is not None and last.waited_s >= WAITED_SHARE * (now_s - read_s):
            return Unread.NOT_JUDGED
        if figures.silent_since is not None:
            return Unread.NO_ANSWER
        asking_s = figures.asking_since_s
        in_time_s = now_s if last.next_by_s is None else last.next_by_s + LATE_AFTER_S
        return Unread.NO_ANSWER if asking_s is not None and asking_s <= in_time_s else Unread.NOT_ASKED
