"""A spool is backed up, looked over and saved from damage as every store; what was refused can be taken out."""

import sqlite3
import zlib
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from api.commands.main import main
from collector.storage.data_folder import SPOOL_FILE
from collector.storage.history.influx.access import InfluxPlace
from collector.storage.history.influx.lines import line_of
from collector.storage.history.influx.spool import STEPS
from collector.storage.history.influx.store import InfluxHistory
from collector.storage.history.store import Meaning, WireReading
from collector.storage.maintenance.backup import backup, rescue, restore, verify
from tests.collector.storage.history.influx_stub import StubServer

Make = Callable[..., WireReading]
CONFLICT = b'{"code":"invalid","message":"field type\\nconflict"}'


@pytest.fixture
async def folder(
    stub: StubServer, stub_place: InfluxPlace, tmp_path: Path, meaning: Meaning, reading: Make
) -> Path:
    """A data folder with a reading that was refused, and three rows that wait."""
    store = InfluxHistory(tmp_path / "data" / SPOOL_FILE, stub_place, meaning)
    stub.reply = (400, "application/json", CONFLICT)
    await store.append([reading(0)])
    await store.send()
    for n in range(1, 4):
        await store.append([reading(10 * n)])
    await store.close()
    return tmp_path / "data"


async def waiting(folder: Path, stub: StubServer, place: InfluxPlace, meaning: Meaning) -> list[bytes]:
    """Return the lines that a start on this folder sends."""
    stub.reply = (204, "application/json", b"")
    store = InfluxHistory(folder / SPOOL_FILE, place, meaning)
    await store.send()
    await store.close()
    return b"\n".join(stub.taken).splitlines()


def spoil(folder: Path, table: str, seq: int) -> None:
    with sqlite3.connect(folder / SPOOL_FILE) as file:
        file.execute(f"UPDATE {table} SET lines = x'00' WHERE seq = ?", (seq,))


async def test_a_backup_holds_what_waits_and_what_was_refused(
    folder: Path,
    tmp_path: Path,
    stub: StubServer,
    stub_place: InfluxPlace,
    meaning: Meaning,
    *,
    reading: Make,
) -> None:
    assert set(backup(folder, tmp_path / "copy").files) == {SPOOL_FILE}
    found = restore(tmp_path / "copy", tmp_path / "again")
    assert (found.files, found.rows, found.findings) == ((SPOOL_FILE,), 4, ())
    sent = await waiting(tmp_path / "again", stub, stub_place, meaning)
    assert sent == [line_of(reading(10 * n), meaning).encode() for n in range(1, 4)]
    with sqlite3.connect(tmp_path / "again" / SPOOL_FILE) as file:
        assert file.execute("SELECT count(*) FROM refused").fetchone() == (1,)


async def test_damage_in_a_spool_is_named_and_the_rest_is_saved(
    folder: Path,
    tmp_path: Path,
    stub: StubServer,
    stub_place: InfluxPlace,
    meaning: Meaning,
    *,
    reading: Make,
) -> None:
    spoil(folder, "waiting", 3)
    spoil(folder, "refused", 1)
    found = verify(folder).findings
    assert [f.where for f in found] == ["spool.sqlite, row 3 of waiting", "spool.sqlite, row 1 of refused"]
    assert all("cannot be unpacked" in f.what for f in found)
    assert [f.where for f in rescue(folder, tmp_path / "saved")] == ["a row of waiting", "a row of refused"]
    assert verify(tmp_path / "saved").findings == ()
    again = InfluxHistory(tmp_path / "saved" / SPOOL_FILE, stub_place, meaning)
    assert await again.last("A1") == reading(30)
    await again.close()
    sent = await waiting(tmp_path / "saved", stub, stub_place, meaning)
    assert sent == [line_of(reading(10 * n), meaning).encode() for n in (1, 3)]


async def test_a_row_of_a_spool_with_something_else_in_the_place_of_bytes_or_of_a_number_costs_no_other(
    folder: Path,
    tmp_path: Path,
    stub: StubServer,
    stub_place: InfluxPlace,
    meaning: Meaning,
    *,
    reading: Make,
) -> None:
    for changes in (
        ["UPDATE sqlite_master SET sql = replace(sql, ' STRICT', '') WHERE name = 'waiting'"],
        [
            "UPDATE waiting SET lines = 'no bytes' WHERE seq = (SELECT min(seq) FROM waiting)",
            "UPDATE waiting SET readings = 'x' WHERE seq = (SELECT max(seq) FROM waiting)",
            "UPDATE sqlite_master SET sql = sql || ' STRICT' WHERE name = 'waiting'",
        ],
    ):
        with closing(sqlite3.connect(folder / SPOOL_FILE)) as file, file:
            file.execute("PRAGMA writable_schema=ON")
            for change in changes:
                assert file.execute(change).rowcount == 1
    assert any("cannot be unpacked" in finding.what for finding in verify(folder).findings)
    assert [f.where for f in rescue(folder, tmp_path / "saved")] == ["a row of waiting", "a row of waiting"]
    sent = await waiting(tmp_path / "saved", stub, stub_place, meaning)
    assert sent == [line_of(reading(20), meaning).encode()]


async def test_a_spool_of_the_first_form_is_saved_too(
    tmp_path: Path, stub: StubServer, stub_place: InfluxPlace, meaning: Meaning, *, reading: Make
) -> None:
    lines = [line_of(reading(10 * n), meaning).encode() for n in range(3)]
    with sqlite3.connect(tmp_path / SPOOL_FILE) as file:
        for statement in STEPS[0]:
            file.execute(statement)
        file.execute("PRAGMA user_version=1")
        file.executemany(
            "INSERT INTO spool (lines) VALUES (?)", [(zlib.compress(line),) for line in lines[:2]]
        )
        file.execute("INSERT INTO refused VALUES (9, ?, '400 bad')", (zlib.compress(lines[2]),))
    assert verify(tmp_path).rows == 3
    assert rescue(tmp_path, tmp_path / "saved") == ()
    assert await waiting(tmp_path / "saved", stub, stub_place, meaning) == lines[:2]
    assert verify(tmp_path / "saved").rows == 1


async def test_what_was_refused_is_taken_out_and_offered_no_more_only_when_asked(
    folder: Path, tmp_path: Path, meaning: Meaning, *, reading: Make, capsys: pytest.CaptureFixture[str]
) -> None:
    command = ["export", str(tmp_path / "refused.txt"), "--form", "refused", "--data", str(folder)]
    line = line_of(reading(0), meaning)
    for _ in range(2):
        assert main(command) == 0
        assert "1 rows" in capsys.readouterr().out
        reason, kept = (tmp_path / "refused.txt").read_text("utf-8").splitlines()
        assert reason.startswith("# 400 Bad Request: ")
        assert kept == line
    spoil(folder, "refused", 1)
    assert main([*command, "--let-go"]) == 0
    assert "in base64: AA==" in (tmp_path / "refused.txt").read_text("utf-8")
    assert main(command) == 0
    assert (tmp_path / "refused.txt").read_text("utf-8") == ""
    assert verify(folder).rows == 3


def test_a_wrong_question_about_an_influxdb_folder_is_a_sentence(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = str(tmp_path / "out.csv")
    assert main(["export", file, "--let-go", "--data", str(folder)]) == 2
    assert "--form refused" in capsys.readouterr().err
    assert main(["export", file, "--data", str(folder)]) == 3
    assert "at an InfluxDB server, whose own tools" in capsys.readouterr().err
    assert main(["export", file, "--form", "refused", "--data", str(tmp_path)]) == 3
    assert "nothing waits for an InfluxDB server" in capsys.readouterr().err
