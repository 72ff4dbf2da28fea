"""The age of each unit's last reading, looked at once a second: no schedule can fool it.

The watch is told which units have none younger than three periods in force, and why: the card did not answer, was not
asked, or its answers wait. It is told again when that changes, and every ten seconds while it lasts.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Final

from collector.cards.polling.urgency import PollUrgency
from collector.process.clock import Clock, stamp
from collector.recorder.current_state import Present
from collector.recorder.punctuality import Punctuality
from rules.monitor.inputs import ReadingsLooked
from rules.plant.estate import Estate
from rules.plant.unread import OldReading, Unread

LOOK_EVERY_S: Final = 1.0
SAY_EVERY_S: Final = 10.0
PERIODS: Final = 3


class ReadingAges:
    """Looks at the ages, and gives the watch what it saw."""

    def __init__(  # noqa: PLR0917 - whose readings, by what clock, how fast they should come, and whom to tell
        self,
        estate: Estate,
        clock: Clock,
        present: Present,
        pace: PollUrgency,
        punctuality: Punctuality,
        give: Callable[[ReadingsLooked], Awaitable[None]],
    ) -> None:
        self._units = tuple(card.covers[0] for card in estate.cards.values())
        self._clock = clock
        self._present = present
        self._pace = pace
        self._punctuality = punctuality
        self._give = give
        self._began_s = clock.monotonic_s()
        self._said: dict[str, Unread] | None = None
        self._said_s = 0.0

    async def run(self) -> None:
        """Look until cancelled."""
        due_s = self._clock.monotonic_s()
        while True:
            due_s = max(due_s + LOOK_EVERY_S, self._clock.monotonic_s())
            await self._clock.sleep_until(due_s)
            looked = self.look()
            if looked is not None:
                await self._give(looked)

    def ages_s(self) -> dict[str, float]:
        """Return the age of each unit's last reading, in s; of a unit not read since the start, that of the start."""
        now_s, start, readings = self._clock.monotonic_s(), self._clock.start_id, self._present.readings
        return {
            unit: now_s
            - (
                reading.stamp.monotonic_s
                if (reading := readings.get(unit)) is not None and reading.stamp.start_id == start
                else self._began_s
            )
            for unit in self._units
        }

    def old(self) -> dict[str, OldReading]:
        """Return the units that are not being read: whose last reading is older than three periods, and why."""
        found, young_s = {}, PERIODS * self._pace.shortest_s()
        for unit, age_s in self.ages_s().items():
            if age_s > young_s and age_s > PERIODS * self._pace.period_s(unit):
                why = self._punctuality.why(unit, self._present)
                found[unit] = OldReading(unit, age_s, why or Unread.NOT_ASKED)
        return found

    def look(self) -> ReadingsLooked | None:
        """Return what there is to say of the ages, None where nothing is new."""
        old = self.old()
        whys = {unit: one.why for unit, one in old.items()}
        now = stamp(self._clock)
        if whys == self._said and not (whys and now.monotonic_s - self._said_s >= SAY_EVERY_S):
            return None
        # at the first look all units, since the watch may remember from before the start that one was unread
        before = self._units if self._said is None else self._said
        fresh = tuple(unit for unit in before if unit not in whys)
        self._said, self._said_s = whys, now.monotonic_s
        return ReadingsLooked(now, tuple(old.values()), fresh)
