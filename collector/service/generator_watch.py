"""Puts to the watch, now and then, how the standby sets stand with their tests, and whether their word comes in."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Final

from collector.messaging.mqtt.generator_status import SetWords
from collector.process.clock import Clock, stamp
from collector.recorder.trackers.outages import OutageTracker
from rules.alarms.conditions.generators import SetFigures
from rules.monitor.inputs import Input, SetsLooked
from rules.plant.estate import Estate

LOOK_EVERY_S: Final = 60.0


class SetWatch:
    """The looks. `words`: who listens to the site's broker, None where none is named."""

    def __init__(
        self,
        estate: Estate,
        clock: Clock,
        outages: OutageTracker,
        words: SetWords | None,
        give: Callable[[Input], Awaitable[None]],
    ) -> None:
        self._estate = estate
        self._clock = clock
        self._outages = outages
        self._words = words
        self._give = give

    async def run(self) -> None:
        """Look until cancelled."""
        due_s = self._clock.monotonic_s()
        while True:
            await self._give(SetsLooked(stamp(self._clock), self.look()))
            due_s = max(due_s + LOOK_EVERY_S, self._clock.monotonic_s())
            await self._clock.sleep_until(due_s)

    def look(self) -> SetFigures:
        """Return how the sets behind a supply stand now."""
        now = self._clock.now()
        sets = {s.generator for s in self._estate.supplies.values() if s.generator is not None}
        return SetFigures(
            tests={name: self._outages.set_test(name, now) for name in sets},
            listens=self._words is not None,
            deaf=None if self._words is None else self._words.trouble,
        )
