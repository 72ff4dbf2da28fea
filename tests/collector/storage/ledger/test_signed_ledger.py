"""Signed plans in the ledger: as they were signed, for good; through kills, and from an earlier program's file."""

from __future__ import annotations

import json
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.storage.data_folder import LEDGER_FILE
from collector.storage.database import StoreError
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import CourseLine, JournalLine, Outgoing, Sending, SignedLine
from collector.storage.ledger.rows import TABLES
from collector.storage.ledger.schema import STEPS, tables_at
from collector.storage.maintenance.backup import verify
from collector.storage.maintenance.export import export_ledger

NOW = datetime(2026, 3, 1, 2, 14, 7, tzinfo=UTC)
ROOT = Path(__file__).resolve().parents[4]

WRITER = """
import asyncio, sys
from datetime import UTC, datetime
from pathlib import Path
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import CourseLine, JournalLine, Outgoing, Sending, SignedLine

NOW = datetime(2026, 3, 1, tzinfo=UTC)

async def sign() -> None:
    async with Ledger(Path(sys.argv[1])) as ledger:
        n = len(await ledger.signed())
        print("ready", flush=True)
        while True:
            async with ledger.transaction() as tx:
                tx.add_signed(SignedLine(f"p{n}", "A", NOW, NOW, "R. Haugen", body={"n": n}))
                tx.save_course(CourseLine(f"p{n}", NOW, True, body={"n": n}))
                tx.add_event(JournalLine(NOW, "plan_signed", "A", f"p{n}"))
            n += 1

asyncio.run(sign())
"""


def line(name: str, hours: float = 1.0) -> SignedLine:
    return SignedLine(name, "A", NOW + timedelta(hours=hours), NOW, "R. Haugen", body={"load_w": 18_000.0})


async def test_a_plan_is_kept_as_signed_and_only_its_course_moves(tmp_path: Path) -> None:
    async with Ledger(tmp_path / LEDGER_FILE) as ledger:
        async with ledger.transaction() as tx:
            tx.add_signed(line("late", 5.0))
            tx.add_signed(line("soon"))
            tx.save_course(CourseLine("soon", NOW, open=True))
        async with ledger.transaction() as tx:
            tx.save_course(CourseLine("soon", NOW, open=False, body={"why": "rain"}))
        found = await ledger.signed()
        assert found == (
            (line("soon"), CourseLine("soon", NOW, open=False, body={"why": "rain"})),
            (line("late", 5.0), None),
        )
        with pytest.raises(StoreError):
            async with ledger.transaction() as tx:
                tx.add_signed(line("soon", 9.0))
        assert [plan for plan, _ in await ledger.signed()] == [line("soon"), line("late", 5.0)]


def test_signing_is_whole_or_not_at_all_through_kills(tmp_path: Path) -> None:
    path = tmp_path / LEDGER_FILE
    for wait_s in (0.0, 0.03, 0.1, 0.2):
        with subprocess.Popen(
            [sys.executable, "-c", WRITER, str(path)], cwd=ROOT, stdout=subprocess.PIPE, text=True
        ) as writer:
            assert writer.stdout is not None
            assert writer.stdout.readline() == "ready\n"
            time.sleep(wait_s)  # a kill at another moment of the writing each time
            writer.send_signal(signal.SIGKILL)
    connection = sqlite3.connect(path)
    plans, courses, events = (
        {row[0] for row in connection.execute(query)}
        for query in (
            "SELECT id FROM signed_plans",
            "SELECT plan FROM plan_courses",
            "SELECT text FROM journal",
        )
    )
    connection.close()
    assert plans
    assert plans == courses == events
    assert not verify(tmp_path).findings


def earlier(path: Path) -> None:
    """Make a ledger as the program before signed plans left it."""
    connection = sqlite3.connect(path)
    for statement in STEPS[0]:
        connection.execute(statement)
    connection.execute("PRAGMA user_version=1")
    connection.commit()
    connection.close()


async def test_an_earlier_programs_ledger_is_sound_and_brought_up_when_it_is_opened(tmp_path: Path) -> None:
    earlier(tmp_path / LEDGER_FILE)
    assert not verify(tmp_path).findings
    assert export_ledger(tmp_path, tmp_path / "out.jsonl") == 0
    async with Ledger(tmp_path / LEDGER_FILE) as ledger:
        async with ledger.transaction() as tx:
            tx.add_signed(line("soon"))
            tx.add_event(JournalLine(NOW, "plan_signed", "A", "signed"))
        assert [plan for plan, _ in await ledger.signed()] == [line("soon")]
    assert export_ledger(tmp_path, tmp_path / "out.jsonl") == 2
    rows = [json.loads(row) for row in (tmp_path / "out.jsonl").read_text("utf-8").splitlines()]
    assert {row["table"] for row in rows} == {"signed_plans", "journal"}


async def test_a_message_that_was_not_needed_in_an_earlier_programs_ledger_stands_as_that(
    tmp_path: Path,
) -> None:
    path = tmp_path / LEDGER_FILE
    messages = [Outgoing(name, "post", "a@b", "i", NOW, NOW) for name in ("over", "gone")]
    async with Ledger(path) as ledger, ledger.transaction() as tx:
        for message in messages:
            tx.enqueue(message)
        tx.sent("over", "not needed: over meanwhile")
        tx.sent("gone", "250 not needed: so the server said")
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version=5")
    async with Ledger(path) as ledger:
        found = {one.id: (one.sending, one.result) for one in (await ledger.messages()).items}
    assert found == {
        "over": (Sending.UNNEEDED, "over meanwhile"),
        "gone": (Sending.SENT, "250 not needed: so the server said"),
    }
    assert not verify(tmp_path).findings


def test_every_kind_of_line_has_its_table() -> None:
    assert tables_at(len(STEPS)) == sorted(TABLES.values())
