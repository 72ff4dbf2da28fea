"""What is sound of a damaged history is saved, and of what is lost only the lost is missing."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from collector.storage.data_folder import HISTORY_FILE, LEDGER_FILE
from collector.storage.database import Database, StoreError, StoreFault
from collector.storage.history.codec.hour_chunk import sealed
from collector.storage.history.codec.run_bundle import opened_bytes
from collector.storage.history.export.files import Form
from collector.storage.history.repair.sound_rows import FEW, rows_of
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import Bucket, Meaning, WireReading
from collector.storage.history.tables import recent_rows as hot
from collector.storage.history.tables.schema import STEPS
from collector.storage.ledger import Ledger
from collector.storage.maintenance.backup import rescue, verify
from collector.storage.maintenance.export import export

Make = Callable[..., WireReading]
UNITS = ("A1", "A2")
DAYS = 33


async def series(folder: Path, meaning: Meaning, start: datetime, points: int) -> tuple[Bucket, ...]:
    async with SqliteHistory(folder / HISTORY_FILE, meaning) as store:
        return await store.series(
            "A1",
            "output_power_w",
            line=1,
            start=start - timedelta(days=24),
            end=start + timedelta(days=9),
            points=points,
        )


async def let_go(folder: Path, meaning: Meaning, start: datetime, reading: Make) -> None:
    """Keep 33 days of two readings every six minutes, of which the exact ones of all but the last were let go."""
    async with SqliteHistory(folder / HISTORY_FILE, meaning, exact_days=1) as store:
        begin = -24 * 86_400  # 23 days of one stretch, and ten of the next
        for day in range(DAYS):
            await store.append(
                [
                    reading(begin + day * 86_400 + n // 2 * 360 + n % 2 * 20, {"upsOutputPower.1": 5000 + n % 7, "upsBatteryVoltage": 5450}, period_s=180.0)
                    for n in range(480)
                ]
            )  # fmt: skip
        await store.tend(start + timedelta(days=DAYS - 24, hours=1))


def changed(folder: Path, statement: str, *values: object) -> None:
    with closing(sqlite3.connect(folder / HISTORY_FILE)) as connection, connection:
        connection.execute(statement, values)


async def test_hours_of_days_let_go_are_made_again_from_their_minutes(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make
) -> None:
    data = tmp_path / "data"
    await let_go(data, meaning, start, reading)
    with closing(sqlite3.connect(data / HISTORY_FILE)) as connection:
        assert connection.execute("SELECT count(*) FROM folded WHERE retired = 1").fetchone()[0] > 20
        ((key, stored),) = connection.execute("SELECT key, chunk FROM hour_sums").fetchall()
    before = await series(data, meaning, start, DAYS * 24)
    assert sum(b.good_count for b in before) == DAYS * 480
    segment = next(s for s in opened_bytes(stored).segments if any("upsOutputPower" in n for n in s.names))
    spoilt = bytearray(stored)
    spoilt[segment.place + segment.size // 2] ^= 1
    changed(data, "UPDATE hour_sums SET chunk = ? WHERE key = ?", bytes(spoilt), key)
    assert verify(data).findings
    assert rescue(data, tmp_path / "saved") == ()
    assert verify(tmp_path / "saved").findings == ()
    assert await series(tmp_path / "saved", meaning, start, DAYS * 24) == before


async def test_a_bundle_of_summaries_that_cannot_be_opened_is_told_in_words(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make
) -> None:
    await let_go(tmp_path, meaning, start, reading)
    changed(tmp_path, "UPDATE hour_sums SET chunk = x'00'")
    found = [finding.what for finding in verify(tmp_path).findings]
    assert found == ["summary by the hour of all objects: torn: shorter than a chunk's head"]


def flipped_heads(folder: Path, *statements: str) -> None:
    """Change rows as a bit that flips in their heads does: to what their tables, which are strict, do not take."""
    with closing(sqlite3.connect(folder / HISTORY_FILE, isolation_level=None)) as connection:
        strict = connection.execute(
            "SELECT sql, name FROM sqlite_master WHERE sql LIKE '%STRICT%'"
        ).fetchall()
        loose = [(sql.replace("STRICT, ", "").replace("STRICT", ""), name) for sql, name in strict]
        connection.execute("PRAGMA writable_schema=ON")
        connection.executemany("UPDATE sqlite_master SET sql = ? WHERE name = ?", loose)
    with closing(sqlite3.connect(folder / HISTORY_FILE, isolation_level=None)) as connection:
        for statement in statements:
            assert connection.execute(statement).rowcount == 1, statement
        connection.execute("PRAGMA writable_schema=ON")
        connection.executemany("UPDATE sqlite_master SET sql = ? WHERE name = ?", strict)


async def test_a_row_with_something_else_in_the_place_of_a_number_or_of_bytes_costs_no_other(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make
) -> None:
    data, out = tmp_path / "data", tmp_path / "saved"
    async with SqliteHistory(data / HISTORY_FILE, meaning) as store:
        for unit in UNITS:
            await store.append(
                [reading(200.0 * n, {"upsIdentModel": "Heron"}, unit=unit) for n in range(9000)]
            )
        await store.tend(start + timedelta(days=70))
        for unit in UNITS:
            await store.append([reading(86_400.0 * 70 + 10 * n, unit=unit) for n in range(10)])
    hot_row = "WHERE (at, unit) IN (SELECT at, unit FROM hot WHERE unit = {} ORDER BY at LIMIT 1 OFFSET {})"
    flipped_heads(
        data,
        "UPDATE hot SET at = 'x' " + hot_row.format(1, 0),
        "UPDATE hot SET cells = cast(x'ff' AS TEXT) " + hot_row.format(1, 1),
        "UPDATE hot SET unit = x'01' " + hot_row.format(1, 2),
        "UPDATE hot SET layout = 'x' " + hot_row.format(1, 3),
        "UPDATE runs SET end_day = 'x' WHERE key = (SELECT min(key) FROM runs)",
        "UPDATE runs SET chunk = cast(chunk AS TEXT) WHERE key = (SELECT max(key) FROM runs)",
        "UPDATE hour_sums SET chunk = 5 WHERE key = (SELECT min(key) FROM hour_sums)",
        "UPDATE units SET first_at = x'01' WHERE id = 2",
        "UPDATE folded SET day = 'x' WHERE unit = 1 AND day = (SELECT min(day) FROM folded)",
        "UPDATE folded SET retired = x'00' WHERE unit = 2 AND day = (SELECT min(day) FROM folded)",
        "INSERT INTO hours VALUES (1, 'x', x'00')",
        "INSERT INTO hours VALUES (1, 5, 7)",
    )
    found = "\n".join(map(str, verify(data).findings))
    for what in (
        "unit A1, the reading of moment 'x' UTC: checksum does not fit",
        "its last day is no number",
        "table hours: a row of unit A1 has something else in the place of a number",
        "table folded: a row of unit A1 has something else",
        "summary by the hour of all objects: damaged: not stored as bytes",
    ):
        assert what in found, found
    assert "part of it cannot be read" not in found
    left = "\n".join(map(str, rescue(data, out)))
    for what in (
        "table hot: of 1 row, at is no number",
        "table hot: of 1 row, unit is no number",
        "table units, row 2: damaged",
        "its last day is no number; taken as the last of its 32 days",
    ):
        assert what in left, left
    assert verify(out).findings == ()
    async with SqliteHistory(out / HISTORY_FILE, meaning) as store:
        for unit, count in (("A1", 9006), ("unit number 2 of a damaged store", 9010)):
            there = [r async for r in store.readings(unit, start, start + timedelta(days=80))]
            assert len(there) == count


def test_more_correction_sets_of_one_day_than_are_read_at_once_are_all_saved(tmp_path: Path) -> None:
    data, out = tmp_path / "data", tmp_path / "saved"
    stored = sealed(bytes((0, 4)) + bytes(28))
    database = Database(data / HISTORY_FILE, STEPS[:1])
    rows = [(n, stored) for n in range(FEW + 30)]
    database.write_now(lambda c: c.executemany("INSERT INTO hourly VALUES (1, 1, 20513, ?, ?)", rows))
    database.close_now()
    rescue(data, out)
    with closing(sqlite3.connect(out / HISTORY_FILE)) as connection:
        assert connection.execute("SELECT count(*) FROM hourly").fetchone()[0] == FEW + 30


async def test_readings_whose_texts_are_lost_are_saved_with_a_sentence_in_their_place(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make
) -> None:
    data = tmp_path / "data"
    async with SqliteHistory(data / HISTORY_FILE, meaning) as store:
        await store.append(
            [
                reading(60.0 * n, {"upsIdentModel": "Heron 30", "upsOutputPower.1": n % 9}, unit=unit)
                for unit in UNITS
                for n in range(3000)
            ]
        )
        await store.tend(start + timedelta(days=40))  # everything in runs
        await store.append([reading(86_400.0 * 40, {"upsIdentModel": "Wren 10", "upsOutputPower.1": 1})])
    changed(data, "DELETE FROM texts WHERE value IN (CAST('Heron 30' AS BLOB), CAST('Wren 10' AS BLOB))")
    changed(data, "DELETE FROM units WHERE name = 'A2'")
    found = [str(finding) for finding in verify(data).findings]
    assert sum("is missing from the side table" in what for what in found) >= 3, found
    assert "history.sqlite, unit number 2: its name is missing" in found
    left = "\n".join(map(str, rescue(data, tmp_path / "saved")))
    assert "are missing from the side table; a sentence that says so stands in the place of each" in left
    assert "unit number 2: its name is lost" in left
    assert verify(tmp_path / "saved").findings == ()
    async with SqliteHistory(tmp_path / "saved" / HISTORY_FILE, meaning) as store:
        await store.append([reading(86_400.0 * 41, {"upsIdentModel": "Kite 20"})])
        kept = [r async for r in store.readings("A1", start, start + timedelta(days=50))]
        other = "unit number 2 of a damaged store"
        assert len([r async for r in store.readings(other, start, start + timedelta(days=50))]) == 3000
    assert [r.wire["upsOutputPower.1"] for r in kept[:3000]] == [n % 9 for n in range(3000)]
    models = [r.wire["upsIdentModel"] for r in kept]
    assert len({*models[:3000]}) == 1
    assert all("was lost with a damaged store" in str(model) for model in models[:-1])
    assert models[-1] == "Kite 20"


def big_table(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE runs (key INTEGER PRIMARY KEY, chunk BLOB NOT NULL)")
    connection.executemany("INSERT INTO runs VALUES (?, randomblob(900))", [(n * 1000,) for n in range(2000)])
    connection.commit()
    return connection


def test_rows_are_read_a_few_at_a_time(tmp_path: Path) -> None:
    read = 0

    def count(_: sqlite3.Cursor, row: tuple[object, ...]) -> tuple[object, ...]:
        nonlocal read
        read += 1
        return row

    with closing(big_table(tmp_path / "a.sqlite")) as connection:
        connection.row_factory = count
        for given, (key, _) in enumerate(rows_of(connection, "runs", "key, chunk", ("key",), []), start=1):
            assert key == (given - 1) * 1000
            assert read <= given * 1.1 + FEW + 3
        assert given == 2000


@pytest.mark.parametrize(("first", "after", "saved"), [(300, 310, range(1700, 2000)), (2, 3, range(1))])
def test_all_is_read_but_what_stands_on_lost_pages(
    tmp_path: Path, first: int, after: int, saved: range, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.storage.history.repair.sound_rows.MOST_FAILURES", 20_000)
    path = tmp_path / "a.sqlite"
    big_table(path).close()
    content = bytearray(path.read_bytes())
    content[(first - 1) * 4096 : (after - 1) * 4096] = b"\xff" * ((after - first) * 4096)
    path.write_bytes(content)
    lost: list[str] = []
    with closing(sqlite3.connect(path)) as connection:
        found = list(rows_of(connection, "runs", "key, chunk", ("key",), lost))
    assert len(found) in saved
    assert [key for key, _ in found] == sorted({key for key, _ in found})
    assert 0 < len(lost) < 60


def test_a_table_that_an_earlier_program_did_not_have_is_no_loss(tmp_path: Path) -> None:
    lost: list[str] = []
    with closing(sqlite3.connect(tmp_path / "a.sqlite")) as connection:
        assert list(rows_of(connection, "runs", "key, chunk", ("key",), lost)) == []
    assert lost == []


def test_a_history_of_an_earlier_program_is_verified_and_rescued_as_it_is(
    tmp_path: Path, meaning: Meaning, reading: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = tmp_path / "data"
    Ledger(data / LEDGER_FILE).database.close_now()
    monkeypatch.setattr(hot, "sign_name", lambda *_: None)  # it kept no checksums of names
    database = Database(data / HISTORY_FILE, STEPS[:1])
    batch = [reading(10.0 * n, {"upsIdentModel": "Heron 30"}) for n in range(200)]
    database.write_now(lambda connection: hot.insert(connection, hot.Names(), batch))
    database.close_now()
    assert verify(data).findings == ()
    with pytest.raises(StoreError, match="schema is version 1") as caught:
        export(data, tmp_path / "out.csv", Form.CSV, meaning)
    assert caught.value.fault is StoreFault.OLDER
    assert rescue(data, tmp_path / "saved") == ()
    assert export(tmp_path / "saved", tmp_path / "out.csv", Form.CSV, meaning) == 200
