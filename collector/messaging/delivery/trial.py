"""Tries every way to the people of an estate once, with the channels running only for that."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from collector.configuration import Configuration
from collector.configuration.people.tables import PersonTable
from collector.messaging.delivery.office import (
    TestMessage,
    channels_of,
    collector_name,
    home_zone,
    test_delivery,
)
from collector.process.clock import SystemClock

CONNECT_S = 2.0


async def try_all(configuration: Configuration, people: Sequence[PersonTable]) -> tuple[TestMessage, ...]:
    """Return what came of one test message to each person by each way."""
    clock = SystemClock()
    channels = channels_of(configuration, clock, alive=False)
    running = [
        asyncio.create_task(channel.run(), name=f"channel {name}") for name, channel in channels.items()
    ]
    try:
        # A broker's connection takes a moment; what is not up by then is what the person wants to hear of.
        await asyncio.wait(
            running,
            timeout=CONNECT_S if any(c.kind == "mqtt" for c in configuration.channels.values()) else 0.05,
        )
        return await test_delivery(
            people,
            channels,
            clock,
            collector=collector_name(configuration),
            time_zone=home_zone(configuration),
        )
    finally:
        for task in running:
            task.cancel()
        await asyncio.gather(*running, return_exceptions=True)
