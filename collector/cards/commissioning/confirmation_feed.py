"""What people prove at the cabinets while the service runs: `ridethrough confirm` writes it into the same ledger.

The command is a process of its own and tells nobody, so the ledger is looked at every now and then; a look
reads only facts newer than the last one seen.
"""

from __future__ import annotations

from typing import Final

from collector.cards.corrections.learning import Learning
from collector.process.clock import Clock
from collector.storage.database import PASSING, StoreError
from collector.storage.ledger import Ledger

LOOK_EVERY_S: Final = 10.0


class Teaching:
    """Hands confirmations to the learning about cards as they are written. `seen`: the newest fact known before."""

    def __init__(self, ledger: Ledger, learning: Learning, clock: Clock, *, seen: int) -> None:
        self._ledger = ledger
        self._learning = learning
        self._clock = clock
        self._seen = seen

    async def run(self) -> None:
        """Look every ten seconds, until cancelled."""
        while True:
            await self._clock.sleep_until(self._clock.monotonic_s() + LOOK_EVERY_S)
            await self.look()

    async def look(self) -> None:
        """Take in what was proved since the last look; while the disk ails, at a later one."""
        try:
            fresh = await self._ledger.facts_after(self._seen)
        except StoreError as error:
            if error.fault not in PASSING:
                raise
            return
        if fresh:
            self._seen = fresh[-1].seq
            self._learning.take_confirmations(fresh)
