"""A sign of life at a set interval, so that others notice when it stops. Never queued: an old one says nothing."""

from __future__ import annotations

import logging
from collections.abc import Sequence

from collector.messaging.channels.channel import Channel, ChannelDown, NeverTaken, NotNow, why
from collector.messaging.delivery.letter import HEARTBEAT
from collector.process.clock import Clock
from collector.process.task_cancellation import heeded
from collector.storage.ledger.records import Outgoing

log = logging.getLogger(__name__)


class Heartbeat:
    """Sends a sign of life by each channel in turn."""

    def __init__(self, channels: Sequence[Channel], clock: Clock, *, every_s: float, collector: str) -> None:
        self._channels = tuple(channels)
        self._clock = clock
        self._every_s = every_s
        self._collector = collector

    async def run(self) -> None:
        """Send at the interval until cancelled."""
        due_s = self._clock.monotonic_s()
        while True:
            await self.beat()
            due_s = max(due_s + self._every_s, self._clock.monotonic_s())
            await self._clock.sleep_until(due_s)

    async def beat(self) -> None:
        """Send one sign of life; a channel that fails is its own alarm already."""
        now = self._clock.now()
        for channel in self._channels:
            message = Outgoing(
                id=f"heartbeat/{self._collector}/{now.isoformat()}",
                channel=channel.id,
                destination="",
                order_key="heartbeat",
                created=now,
                due=now,
                schema=HEARTBEAT,
                body={"collector": self._collector, "state": "running", "next_within_s": 3 * self._every_s},
            )
            try:
                await heeded(channel.send(message))
            except (ChannelDown, NotNow, NeverTaken) as error:
                log.info("heartbeat by %s: %s", channel.id, why(error))
