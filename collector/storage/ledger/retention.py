"""What the ledger lets go of, so that ten years of it stay small.

For ever: events, alarms, incidents, what operators did, equipment, evidence of banks, what was learnt of cards,
signed plans. A message that was sent or given up keeps its line for ever (to whom, by what, when, what came
back, what it was about, in one line of the journal), its content for a set time. Judgements are all kept for
`JUDGED_DAYS`, then the last of each day and subject: each can be reckoned again from its own line.

Works in short transactions, each of which leaves a whole ledger; killed in between, the next pass does the rest.
"""

from __future__ import annotations

import asyncio
import sqlite3
from datetime import datetime, timedelta
from typing import Final

from collector.storage.ledger.ledger import Ledger
from collector.storage.ledger.rows import CHECK, check_sum, microseconds

STEP_ROWS: Final = 500
JUDGED_DAYS: Final = 400
LET_GO: Final = "content-let-go/1"
"""The schema of a message whose content was let go; its body is empty."""
_DAY_US: Final = 86_400_000_000


async def let_go(ledger: Ledger, now: datetime, *, message_days: int) -> int:
    """Let go of what is older than is asked for; return how many lines that touched. Raises StoreError."""
    messages_us = microseconds(now - timedelta(days=message_days))
    judged_us = microseconds(now - timedelta(days=JUDGED_DAYS))
    touched = 0
    after: int | None = 0
    while after is not None:
        after, count = await ledger.database.write(lambda c, a=after: _empty_messages(c, a, messages_us))  # type: ignore[misc]
        touched += count
        await asyncio.sleep(0)
    after = 0
    while after is not None:
        after, count = await ledger.database.write(lambda c, a=after: _thin_judgements(c, a, judged_us))  # type: ignore[misc]
        touched += count
        await asyncio.sleep(0)
    return touched


def _empty_messages(connection: sqlite3.Connection, after: int, before_us: int) -> tuple[int | None, int]:
    """Empty the next messages that are old enough; return where to go on (None: done), and how many those were."""
    cursor = connection.execute(
        "SELECT * FROM outbox WHERE seq > ? AND created < ? ORDER BY seq LIMIT ?",
        (after, before_us, STEP_ROWS),
    )
    names = [column[0] for column in cursor.description]
    rows = [dict(zip(names, row, strict=True)) for row in cursor]
    touched = 0
    for row in rows:
        stored = row.pop(CHECK)
        if row["sending"] == "waiting" or row["schema"] == LET_GO or stored != check_sum("outbox", row):
            continue  # what is damaged is left for `verify` to find
        row |= {"schema": LET_GO, "body": "{}"}
        connection.execute(
            f"UPDATE outbox SET schema = ?, body = ?, {CHECK} = ? WHERE seq = ?",  # noqa: S608
            (row["schema"], row["body"], check_sum("outbox", row), row["seq"]),
        )
        touched += 1
    return (rows[-1]["seq"] if len(rows) == STEP_ROWS else None), touched


def _thin_judgements(connection: sqlite3.Connection, after: int, before_us: int) -> tuple[int | None, int]:
    """Delete the next judgements that are old enough and have a later one of the same day and subject."""
    rows = connection.execute(
        "SELECT seq, about, as_of FROM judgements WHERE seq > ? AND as_of < ? ORDER BY seq LIMIT ?",
        (after, before_us, STEP_ROWS),
    ).fetchall()
    gone = [
        (seq,)
        for seq, about, as_of in rows
        if connection.execute(
            "SELECT 1 FROM judgements WHERE about = ? AND seq > ? AND as_of >= ? AND as_of < ? LIMIT 1",
            (about, seq, as_of // _DAY_US * _DAY_US, (as_of // _DAY_US + 1) * _DAY_US),
        ).fetchone()
    ]
    connection.executemany("DELETE FROM judgements WHERE seq = ?", gone)
    return (rows[-1][0] if len(rows) == STEP_ROWS else None), len(gone)
