"""Keeps the score of the demonstration: what was foretold just before each outage, beside the truth.

It looks at what the service shows, as a visitor would, and puts the score beside it for the page; what it
counted is kept in the play's folder. Nothing of the truth reaches a rule.
"""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import Final

from collector.process.clock import Clock
from collector.recorder.current_state import Present
from collector.simulation.estate import SimulatedEstate
from collector.simulation.plant.truth import TrueOutage
from collector.simulation.score_file import load_score, save_score
from rules.system.forecast_score import Outcome, Prediction, Score, score

LOOK_EVERY_S: Final = 2.0


class ScoreKeeper:
    """Predictions and outcomes so far, of the play beside what the service shows."""

    def __init__(self, play: SimulatedEstate, present: Present, clock: Clock) -> None:
        self._play = play
        self._present = present
        self._clock = clock
        self._newest: dict[str, Prediction] = {}
        self._foretold, self._outcomes = load_score(play.folder)
        present.foretold = self.score()
        self._done: set[tuple[str, float]] = set()

    def score(self) -> Score:
        """Return the score of every outage so far."""
        return score(self._foretold, self._outcomes)

    async def run(self) -> None:
        """Look every two seconds, until cancelled."""
        while True:
            await self.look()
            await self._clock.sleep_until(self._clock.monotonic_s() + LOOK_EVERY_S)

    async def look(self) -> None:
        """Note what is foretold now, and take in outages that have begun since."""
        for outage in self._play.outages:
            key = (outage.system, outage.began.timestamp())
            if key not in self._done:
                self._done.add(key)
                await self._take(outage)
        for name, state in self._present.systems.items():
            # Once on battery a hold-up is what is left, and no longer what was foretold.
            if state.on_battery is None and state.as_of is not None:
                now = state.hold_up.now
                self._newest[name] = Prediction(name, state.as_of, now.low_s, now.median_s, now.high_s)

    async def _take(self, outage: TrueOutage) -> None:
        foretold = self._newest.get(outage.system)
        if foretold is not None:
            # The play goes in whole seconds, so a reading before a failure may bear a later fraction.
            self._foretold.append(replace(foretold, at=min(foretold.at, outage.began)))
        seconds = (await asyncio.to_thread(lambda: outage.hold_up)).seconds
        self._outcomes.append(Outcome(outage.system, outage.began, seconds))
        save_score(self._play.folder, self._foretold, self._outcomes)
        self._present.foretold = self.score()
        self._present.changed()
