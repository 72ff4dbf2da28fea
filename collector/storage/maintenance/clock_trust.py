"""Whether the clock can be believed, before what is old is let go for good.

A machine may start with its clock years ahead, and have it set right minutes later. Whatever it judges meanwhile
can be judged again; what it lets go of as years old is gone. So a clock is believed only while it stands where
it may: not far beyond the moment it was last believed, counted on in seconds that do not jump. After a stop
nobody knows how long that was, and a clock far beyond is believed once it has run steadily for a day.

A clock that stands behind lets go of less than it might, and is believed at once: so a later jump forward, be it
to the right time, is doubted again.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from collector.process.clock import Clock
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import Snapshot
from rules.phrasing.text import lasted

BEYOND: Final = timedelta(days=2)
"""How far beyond the last moment believed a clock may stand and be believed at once."""
BACK: Final = timedelta(hours=1)
"""How far a clock in doubt may be set back and still run steadily."""
STEADY: Final = timedelta(days=1)
"""How long a clock in doubt has to run steadily."""
SNAPSHOT: Final = "letting_go"
SCHEMA: Final = "letting-go/1"
_SAVE_EVERY_S: Final = 3600.0
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Belief:
    """What is known of the clock: the last moment believed, and of a clock in doubt where it stood and how long it ran.

    `believed` None: no clock ever was. `doubted` None: there is no doubt.
    """

    believed: datetime | None = None
    doubted: datetime | None = None
    steady: timedelta = timedelta()


def looked(before: Belief, now: datetime, passed: timedelta) -> Belief:
    """Return what is known of a clock that shows `now`, `passed` after the last look by seconds that cannot jump."""
    counted = None if before.believed is None else before.believed + passed
    if counted is not None and now - counted <= BEYOND:
        return Belief(now)
    steady = timedelta()
    if before.doubted is not None and -BACK <= now - (before.doubted + passed) <= BEYOND:
        steady = before.steady + passed
    return Belief(now) if steady >= STEADY else Belief(counted, now, steady)


class LettingGo:
    """Says whether anything may be let go now. Goes on from the ledger after a restart."""

    def __init__(self, ledger: Ledger, clock: Clock) -> None:
        self._ledger = ledger
        self._clock = clock
        self._belief: Belief | None = None
        self._looked_s = self._saved_s = 0.0

    async def may(self) -> bool:
        """Look at the clock, and return whether what is too old by it may be let go. Raises StoreError.

        To be called every minute or so: the time between the last call and a stop counts as part of the stop.
        """
        now, now_s = self._clock.now(), self._clock.monotonic_s()
        first = self._belief is None
        before = self._belief or await self._restored()
        passed = timedelta() if first else timedelta(seconds=now_s - self._looked_s)
        belief = looked(before, now, passed)
        turned = (belief.doubted is None) != (before.doubted is None)
        if turned or (first and belief.doubted is not None):
            _say(belief)
        if first or turned or now_s - self._saved_s >= _SAVE_EVERY_S:
            await self._save(belief, now)
            self._saved_s = now_s
        self._belief, self._looked_s = belief, now_s
        return belief.doubted is None

    async def _restored(self) -> Belief:
        kept = await self._ledger.snapshot(SNAPSHOT)
        body: Any = {} if kept is None else kept.body
        believed, doubted = body.get("believed"), body.get("doubted")
        return Belief(
            None if believed is None else datetime.fromisoformat(believed),
            None if doubted is None else datetime.fromisoformat(doubted),
            timedelta(seconds=body.get("steady_s", 0.0)),
        )

    async def _save(self, belief: Belief, now: datetime) -> None:
        body = {
            "believed": None if belief.believed is None else belief.believed.isoformat(),
            "doubted": None if belief.doubted is None else belief.doubted.isoformat(),
            "steady_s": belief.steady.total_seconds(),
        }
        async with self._ledger.transaction() as tx:
            tx.save_snapshot(Snapshot(SNAPSHOT, now, SCHEMA, body))


def _say(belief: Belief) -> None:
    if belief.doubted is None:
        _log.info("clock: it runs steadily; what is old enough is let go")
    elif belief.believed is not None:
        _log.warning(
            "clock: it shows %s, %s beyond the last moment known; until it has run steadily for a day, or is set "
            "back, nothing stored is let go. See that the time service runs",
            belief.doubted.isoformat(timespec="seconds"),
            lasted((belief.doubted - belief.believed).total_seconds()),
        )
