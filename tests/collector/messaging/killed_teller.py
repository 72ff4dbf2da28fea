"""A process that watches a recorded day and tells of it, made to be killed: `killed_teller FOLDER URL MOST`.

It goes on from what it committed: the watch's state and how far in the day it was, in one transaction with
the changes and the messages. Prints "ready" once it works and "done" when everything has been delivered. MOST: messages
that a person may get within `WITHIN_S`; the rest comes in summaries.
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path
from unittest.mock import patch

from collector.configuration.channel_tables import WebhookSettings as Settings
from collector.messaging.channels.webhook import WebhookChannel
from collector.process.clock import SystemClock
from collector.recorder.journal_lines import save_change
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import Snapshot
from rules.monitor.state import Book, WatchState, restore, snapshot
from rules.monitor.step import step
from tests.collector.messaging.cases import office, person
from tests.rules.day import recorded_day
from tests.rules.sample_plant import estate

WITHIN_S = 10.0
PERSON = person("Night desk", reach=[{"channel": "desk"}], tell=[{"severity": "warning"}])


async def tell(folder: Path, url: str, most: int) -> None:
    """Go through the rest of the day, then wait until nothing waits."""
    clock = SystemClock()
    async with Ledger(folder / "ledger.db") as ledger:
        hook = WebhookChannel(Settings(id="desk", kind="webhook", url=url), None, clock)
        where = office(ledger, clock, {"desk": hook}, (PERSON,), most_messages=most, within_s=WITHIN_S)
        delivering = asyncio.create_task(where.run())
        kept, place = await ledger.snapshot("watch"), await ledger.snapshot("place")
        state = WatchState() if kept is None else restore(kept.body)
        start = 0 if place is None else int(place.body["next"])
        print("ready", flush=True)
        book = Book(estate())
        for number, given in enumerate(recorded_day()[start:], start=start):
            state, changes = step(state, given, book)
            if changes:
                async with ledger.transaction() as tx:
                    for change in changes:
                        save_change(tx, change)
                    where.enqueue(tx, changes)
                    tx.save_snapshot(Snapshot("watch", given.stamp.at, "watch/1", snapshot(state)))
                    tx.save_snapshot(Snapshot("place", given.stamp.at, "place/1", {"next": number + 1}))
                where.wake()
            await asyncio.sleep(0.0005)
        while (await ledger.waiting())[0]:  # noqa: ASYNC110 - the outbox has no event for being empty
            await asyncio.sleep(0.02)
        delivering.cancel()
    print("done", flush=True)


if __name__ == "__main__":
    # the recorded day is not today: by it everything would be told late
    patch("collector.messaging.delivery.late.LATE_S", float("inf")).start()
    asyncio.run(tell(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])))
