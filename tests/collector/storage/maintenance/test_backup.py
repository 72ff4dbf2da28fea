"""Backups are whole while the service writes, damage is found and named, and the rest is saved."""

import asyncio
import json
import random
import shutil
import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.storage.data_folder import HISTORY_FILE, LEDGER_FILE
from collector.storage.database import StoreError, StoreFault
from collector.storage.history.codec.run_bundle import opened_bytes
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import Meaning, Wire, WireReading
from collector.storage.history.tables.schema import key_of
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import Evidence, JournalLine, Outgoing
from collector.storage.maintenance.backup import backup, rescue, restore, verify
from collector.storage.maintenance.export import export_ledger
from collector.storage.store_files import STEPS
from rules.plant.reading import Reading, Silence, Stamp

START = datetime(2026, 3, 1, tzinfo=UTC)
DAY = timedelta(days=1)


class Plain:
    """Takes every integer as it comes."""

    def object_of(self, quantity: str, line: int | None) -> str | None:
        return {"output_power_w": "upsOutputPower.1", "battery_voltage_v": "upsBatteryVoltage"}.get(quantity)

    def value(self, object_name: str, raw: Wire, corrections: str) -> float | None:
        return float(raw) if isinstance(raw, int) else None

    def reading(self, record: WireReading) -> Reading | Silence:
        return Reading(record.unit, record.stamp)


def tick(number: int, unit: str) -> WireReading:
    wire: dict[str, Wire] = {
        "upsOutputPower.1": 5000 + number * 7 % 13,
        "upsBatteryVoltage": 545,
        "upsIdentName": unit,
    }
    return WireReading(unit, Stamp(START + timedelta(minutes=number), 60.0 * number, "s"), 60.0, "none", wire)


@pytest.fixture
def meaning() -> Meaning:
    return Plain()


async def fill(data: Path) -> None:
    """Two days folded by way of hours, part of a third in hours, some hot rows; and a ledger."""
    async with SqliteHistory(data / HISTORY_FILE, Plain()) as history, Ledger(data / LEDGER_FILE) as ledger:
        for day in (0, 1, 2):
            for unit in ("A1", "A2"):
                await history.append([tick(n, unit) for n in range(day * 1440, min(day * 1440 + 1440, 3700))])
            await history.tend(START + day * DAY + timedelta(hours=13))
        await history.tend(START + timedelta(minutes=3700))
        async with ledger.transaction() as tx:
            for n in range(200):
                tx.add_event(JournalLine(START, "k", "A1", f"line {n}" * 5))
                tx.enqueue(Outgoing(f"m{n}", "mail", "x", "i", START, START))
            tx.save_evidence(Evidence("e", "B1", "outage", START, None, content=bytes(5000)))
            tx.sent("m3", "250 ok")


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    data = tmp_path_factory.mktemp("filled") / "data"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("collector.storage.history.compaction.due.HELD_ROWS", 1)
        patch.setattr("collector.storage.history.compaction.due.WAITING_ROWS", 0)
        asyncio.run(fill(data))
    return data


@pytest.fixture
def folder(filled: Path, tmp_path: Path) -> Path:
    return shutil.copytree(filled, tmp_path / "data")


async def all_of(folder: Path, meaning: Meaning, unit: str) -> list[WireReading]:
    async with SqliteHistory(folder / HISTORY_FILE, meaning) as history:
        return [r async for r in history.readings(unit, START - DAY, START + 5 * DAY)]


def test_a_sound_folder_verifies(folder: Path) -> None:
    found = verify(folder)
    assert found.findings == ()
    assert found.files == (HISTORY_FILE, LEDGER_FILE)
    assert found.chunks > 20
    assert found.rows > 400


def test_an_empty_folder_has_nothing_to_verify(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no store"):
        verify(tmp_path)


async def test_a_backup_taken_while_the_service_writes_restores_whole(
    folder: Path, tmp_path: Path, meaning: Meaning
) -> None:
    async with (
        SqliteHistory(folder / HISTORY_FILE, meaning) as history,
        Ledger(folder / LEDGER_FILE) as ledger,
    ):
        stop = asyncio.Event()

        async def write() -> int:
            number = 3700
            while not stop.is_set():
                await history.append([tick(number, "A1"), tick(number, "A2")])
                async with ledger.transaction() as tx:
                    tx.add_event(JournalLine(START, "k", "A1", str(number)))
                number += 1
            return number

        writing = asyncio.create_task(write())
        await asyncio.sleep(0.05)
        made = await asyncio.to_thread(backup, folder, tmp_path / "backup")
        stop.set()
        written = await writing
    assert set(made.files) == {HISTORY_FILE, LEDGER_FILE}
    restored = await asyncio.to_thread(restore, tmp_path / "backup", tmp_path / "restored")
    assert restored.findings == ()
    one = await all_of(tmp_path / "restored", meaning, "A1")
    other = await all_of(tmp_path / "restored", meaning, "A2")
    assert 3700 < len(one) == len(other) <= written
    assert one == [tick(n, "A1") for n in range(len(one))]


def test_a_backup_that_was_changed_or_cut_off_is_not_restored(folder: Path, tmp_path: Path) -> None:
    backup(folder, tmp_path / "backup")
    with pytest.raises(StoreError, match="not empty") as caught:
        backup(folder, tmp_path / "backup")
    assert caught.value.fault is StoreFault.IN_THE_WAY
    with pytest.raises(StoreError, match="already has stores"):
        restore(tmp_path / "backup", folder)
    content = bytearray((tmp_path / "backup" / LEDGER_FILE).read_bytes())
    content[5000] ^= 1
    (tmp_path / "backup" / LEDGER_FILE).write_bytes(content)
    with pytest.raises(StoreError, match="differs from the backup's own list"):
        restore(tmp_path / "backup", tmp_path / "new")
    (tmp_path / "backup" / "backup.json").unlink()
    with pytest.raises(StoreError, match="not a whole backup"):
        restore(tmp_path / "backup", tmp_path / "new")
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("put", [restore, rescue])
async def test_nothing_is_put_beside_the_log_that_a_kill_left(
    folder: Path, tmp_path: Path, meaning: Meaning, put: Callable[[Path, Path], object]
) -> None:
    backup(folder, tmp_path / "backup")
    target = tmp_path / "target"
    target.mkdir()
    async with SqliteHistory(folder / HISTORY_FILE, meaning) as history:
        await history.append([tick(n, "A3") for n in range(3700, 3900)])
        # what a kill leaves: the log is not taken back into the file
        shutil.copy(folder / f"{HISTORY_FILE}-wal", target)
    assert (target / f"{HISTORY_FILE}-wal").stat().st_size > 0
    before = (target / f"{HISTORY_FILE}-wal").read_bytes()
    with pytest.raises(StoreError, match="-wal is left of a store") as caught:
        put(tmp_path / "backup", target)
    assert caught.value.fault is StoreFault.IN_THE_WAY
    assert [path.name for path in target.iterdir()] == [f"{HISTORY_FILE}-wal"]
    assert (target / f"{HISTORY_FILE}-wal").read_bytes() == before


def test_the_list_in_a_backup_says_what_it_holds(folder: Path, tmp_path: Path) -> None:
    connection = sqlite3.connect(folder / LEDGER_FILE)
    connection.execute("PRAGMA user_version=1")  # as an earlier program left it
    connection.close()
    made = backup(folder, tmp_path / "backup")
    listed = json.loads((tmp_path / "backup" / "backup.json").read_text(encoding="utf-8"))
    assert listed["files"][HISTORY_FILE]["sha256"] == made.files[HISTORY_FILE][1]
    assert listed["schemas"] == {HISTORY_FILE: len(STEPS[HISTORY_FILE]), LEDGER_FILE: 1}
    assert listed["files"][LEDGER_FILE]["bytes"] == (tmp_path / "backup" / LEDGER_FILE).stat().st_size


Change = Callable[[sqlite3.Connection], object]
FIRST_RUN = key_of(1, 20513)


def spoil_entry(connection: sqlite3.Connection, name: str) -> None:
    """Flip a bit of the one entry of a run: of unit A1 on the first day."""
    (stored,) = connection.execute("SELECT chunk FROM runs WHERE key = ?", (FIRST_RUN,)).fetchone()
    (segment,) = [s for s in opened_bytes(stored).segments if name in s.names]
    spoilt = bytearray(stored)
    spoilt[segment.place + segment.size // 2] ^= 1
    connection.execute("UPDATE runs SET chunk = ? WHERE key = ?", (bytes(spoilt), FIRST_RUN))


@pytest.mark.parametrize(
    ("file", "change", "where", "what"),
    [
        (
            HISTORY_FILE,
            lambda c: spoil_entry(c, "upsOutputPower.1"),
            "history.sqlite, unit A1, 2026-03-01 00:00 to 2026-03-02 00:00 UTC",
            "upsOutputPower.1: ",
        ),
        (
            HISTORY_FILE,
            lambda c: c.execute(f"UPDATE runs SET chunk = substr(chunk, 1, 20) WHERE key = {FIRST_RUN}"),
            "history.sqlite, unit A1, 2026-03-01 00:00 to 2026-03-02 00:00 UTC",
            "all readings: torn",
        ),
        (
            HISTORY_FILE,
            lambda c: c.execute("UPDATE hours SET chunk = x'00' WHERE unit = 2 AND hour % 24 = 3"),
            "history.sqlite, unit A2, 2026-03-03 03:00 to 2026-03-03 04:00 UTC",
            "all readings: torn",
        ),
        (
            HISTORY_FILE,
            lambda c: c.execute(
                "UPDATE hot SET period = period + 1 WHERE unit = 1 AND at % 3600000 = 2340000"
            ),
            "history.sqlite, unit A1, the reading of 2026-03-03 13:39 UTC",
            "checksum does not fit",
        ),
        (
            LEDGER_FILE,
            lambda c: c.execute("UPDATE journal SET text = 'lime 7' WHERE seq = 8"),
            "ledger.sqlite, line 8 of journal",
            "checksum does not fit",
        ),
    ],
)
def test_damage_is_named_by_what_it_affects(
    folder: Path, file: str, change: Change, where: str, what: str
) -> None:
    connection = sqlite3.connect(folder / file)
    change(connection)
    connection.commit()
    connection.close()
    (finding,) = verify(folder).findings
    assert finding.where == where
    assert finding.what.startswith(what)


async def test_the_rest_of_a_damaged_store_is_saved(folder: Path, tmp_path: Path, meaning: Meaning) -> None:
    connection = sqlite3.connect(folder / HISTORY_FILE)
    spoil_entry(connection, "upsOutputPower.1")
    connection.execute("UPDATE hour_sums SET chunk = x'00'")
    connection.commit()
    connection.close()
    before = await all_of(folder, meaning, "A2")
    left = rescue(folder, tmp_path / "saved")
    assert any("upsOutputPower.1" in finding.what for finding in left)
    assert verify(tmp_path / "saved").findings == ()
    assert await all_of(tmp_path / "saved", meaning, "A2") == before
    one = await all_of(tmp_path / "saved", meaning, "A1")
    assert len(one) == len(before)
    assert all("upsOutputPower.1" not in r.wire and r.wire["upsBatteryVoltage"] == 545 for r in one[:1440])
    assert all("upsOutputPower.1" in r.wire for r in one[1440:])
    async with SqliteHistory(tmp_path / "saved" / HISTORY_FILE, meaning) as history:
        hours = await history.series(
            "A2", "output_power_w", line=None, start=START, end=START + 2 * DAY, points=48
        )
    assert all(b.good_count == 60 for b in hours)
    async with Ledger(tmp_path / "saved" / LEDGER_FILE) as ledger:
        assert (await ledger.counts())["journal"] == 200


def test_a_message_of_whose_fate_nothing_can_be_told_costs_no_other_line(
    folder: Path, tmp_path: Path
) -> None:
    file = folder / LEDGER_FILE
    for changes in (
        ("UPDATE sqlite_master SET sql = replace(sql, 'STRICT', '') WHERE name = 'outbox'",),
        (
            "UPDATE outbox SET attempts = 'x' WHERE seq = (SELECT min(seq) FROM outbox)",
            "UPDATE sqlite_master SET sql = sql || ' STRICT' WHERE name = 'outbox'",
        ),
    ):
        connection = sqlite3.connect(file)
        connection.execute("PRAGMA writable_schema=ON")
        for change in changes:
            assert connection.execute(change).rowcount == 1
        connection.commit()
        connection.close()
    assert verify(folder).findings
    left = [str(finding) for finding in rescue(folder, tmp_path / "saved")]
    assert left == [
        "a line of outbox (1): damaged (cannot store TEXT value in INTEGER column outbox.attempts)"
    ]
    saved = verify(tmp_path / "saved")
    assert (saved.findings, saved.rows) == ((), verify(folder).rows - 1)


@pytest.mark.parametrize("seed", range(6))
async def test_any_flipped_bits_are_noticed_or_change_nothing(
    folder: Path, tmp_path: Path, meaning: Meaning, seed: int
) -> None:
    draw = random.Random(seed)
    whole = await all_of(folder, meaning, "A1")
    broken = tmp_path / "broken"
    shutil.copytree(folder, broken)
    path = broken / HISTORY_FILE
    content = bytearray(path.read_bytes())
    for _ in range(4):
        content[draw.randrange(100, len(content))] ^= 1 << draw.randrange(8)
    path.write_bytes(content)
    if not verify(broken).findings:
        assert await all_of(broken, meaning, "A1") == whole
        return
    rescue(broken, tmp_path / "saved")
    saved = await all_of(tmp_path / "saved", meaning, "A1")
    known = {reading.at: reading for reading in whole}
    for reading in saved:  # what was saved is true, if not always whole
        expected = known[reading.at]
        assert reading.wire.items() <= expected.wire.items()


def test_an_export_of_the_ledger_that_fails_leaves_what_stood_there(folder: Path, tmp_path: Path) -> None:
    connection = sqlite3.connect(folder / LEDGER_FILE)
    connection.execute("DROP TABLE engines")  # found missing when most is written
    connection.commit()
    connection.close()
    (tmp_path / "ledger.jsonl").write_text("kept", encoding="utf-8")
    with pytest.raises(StoreError, match="engines"):
        export_ledger(folder, tmp_path / "ledger.jsonl")
    assert (tmp_path / "ledger.jsonl").read_text(encoding="utf-8") == "kept"
    assert not list(tmp_path.glob("*.part"))


def test_every_line_of_the_ledger_can_be_taken_out(folder: Path, tmp_path: Path) -> None:
    assert export_ledger(folder, tmp_path / "ledger.jsonl") == 401
    lines = [
        json.loads(line) for line in (tmp_path / "ledger.jsonl").read_text(encoding="utf-8").splitlines()
    ]
    assert [line["text"] for line in lines if line["table"] == "journal"][7] == "line 7" * 5
    assert sum(line["table"] == "outbox" for line in lines) == 200
