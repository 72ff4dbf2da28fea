"""Everything kept can be taken out again, in forms that other programs read."""

import asyncio
import csv
import io
import json
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from api.commands.main import main
from collector.storage.data_folder import HISTORY_FILE
from collector.storage.history.columns import Block
from collector.storage.history.export.files import COLUMNS, Form, TableWriter, flat
from collector.storage.history.export.table_files import CsvTable, plain_cell
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import Meaning, Wire, WireReading
from collector.storage.history.tables import lookup
from collector.storage.maintenance.export import ExportWanted, export
from rules.plant.reading import (
    BatteryReading,
    BatteryStatus,
    Doubt,
    DoubtKind,
    Nameplate,
    OutputLine,
    OutputReading,
    Reading,
    Silence,
    Stamp,
)

Make = Callable[..., WireReading]
AT = datetime(2026, 3, 1, 2, 14, 7, 250_000, tzinfo=UTC)


@pytest.fixture
async def folder(tmp_path: Path, meaning: Meaning, start: datetime, reading: Make) -> Path:
    async with SqliteHistory(tmp_path / "data" / HISTORY_FILE, meaning) as store:
        for unit in ("A1", "A2"):
            await store.append(
                [reading(60 * n, {"upsBatteryVoltage": 5450 + n % 3}, unit=unit) for n in range(3000)]
            )
            await store.append([reading(180_000, silence="no answer", unit=unit)])
        await store.tend(start + timedelta(days=1, hours=5))
        await store.append([reading(180_060, {"upsIdentModel": b"\x00\xff", "upsAlarmsPresent": None})])
    return tmp_path / "data"


def test_csv_holds_every_poll_with_empty_cells_for_what_is_not_known(
    folder: Path, tmp_path: Path, meaning: Meaning
) -> None:
    count = export(folder, tmp_path / "out.csv", Form.CSV, meaning)
    assert count == 6003
    with (tmp_path / "out.csv").open(encoding="utf-8", newline="") as text:
        rows = list(csv.DictReader(text))
    assert len(rows) == 6003
    assert rows[1]["unit"] == "A1"
    assert rows[1]["at"] == "2026-03-01T00:01:00.000Z"
    assert rows[1]["battery_voltage_v"] == "545.1"
    assert rows[1]["output_power_w_1"] == ""
    assert [row["silence"] for row in rows if row["silence"]] == ["no answer"] * 2
    assert not list(tmp_path.glob("*.part"))


def test_parquet_holds_the_same_with_types(
    folder: Path, tmp_path: Path, meaning: Meaning, start: datetime
) -> None:
    pq = pytest.importorskip("pyarrow.parquet")
    end = start + timedelta(days=1)
    count = export(folder, tmp_path / "out.parquet", Form.PARQUET, meaning, ExportWanted(["A2"], start, end))
    table = pq.read_table(tmp_path / "out.parquet")
    assert count == table.num_rows == 1440
    assert table.column_names == list(COLUMNS)
    assert set(table["unit"].to_pylist()) == {"A2"}
    assert table["battery_voltage_v"].to_pylist()[:3] == [545.0, 545.1, 545.2]
    assert table["at"][0].as_py() == start
    assert table["output_power_w_1"].null_count == 1440


def test_json_lines_lose_nothing(folder: Path, tmp_path: Path, meaning: Meaning) -> None:
    export(folder, tmp_path / "out.jsonl", Form.WIRE, meaning, ExportWanted(["A1"]))
    lines = [json.loads(line) for line in (tmp_path / "out.jsonl").read_text(encoding="utf-8").splitlines()]
    assert len(lines) == 3002
    assert lines[0]["wire"] == {"upsBatteryVoltage": 5450}
    assert lines[0]["corrections"] == "plain"
    assert lines[-1]["wire"] == {"upsIdentModel": {"hex": "00ff"}, "upsAlarmsPresent": None}
    assert lines[-2]["silence"] == "no answer"


def test_a_fold_that_commits_while_a_day_is_read_takes_no_row_from_the_export(
    folder: Path, tmp_path: Path, meaning: Meaning, start: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.storage.history.compaction.due.WAITING_ROWS", 0)
    hot_rows = lookup.hot_block
    folds: list[str] = []

    async def fold() -> None:
        async with SqliteHistory(folder / HISTORY_FILE, meaning) as store:
            folds.extend(await store.tend(start + timedelta(days=3)) or ["folded"])

    def meanwhile(connection: sqlite3.Connection, unit: int, start_ms: int, end_ms: int) -> Block:
        # the runs of this day have been read, its hot rows have not
        if not folds:
            thread = threading.Thread(target=lambda: asyncio.run(fold()))
            thread.start()
            thread.join()
        return hot_rows(connection, unit, start_ms, end_ms)

    monkeypatch.setattr(lookup, "hot_block", meanwhile)
    assert export(folder, tmp_path / "out.csv", Form.CSV, meaning) == 6003
    assert folds == ["folded"]
    with closing(sqlite3.connect(folder / HISTORY_FILE)) as connection:
        assert connection.execute("SELECT sum(readings) FROM runs").fetchone() == (5760,)


def test_a_unit_that_was_never_read_is_a_mistake_that_names_the_known_ones(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out.csv"
    out.write_text("kept", encoding="utf-8")
    assert main(["export", str(out), "--unit", "A1", "--unit", "B7", "--data", str(folder)]) == 2
    assert capsys.readouterr().err == f"{folder}: nothing was ever read of a unit 'B7'. Known: A1, A2\n"
    assert out.read_text(encoding="utf-8") == "kept"


def test_an_export_that_fails_leaves_no_half_file(folder: Path, tmp_path: Path, meaning: Meaning) -> None:
    class Broken:
        def __getattr__(self, name: str) -> object:
            raise RuntimeError("no meaning")

    with pytest.raises(RuntimeError, match="no meaning"):
        export(folder, tmp_path / "out.csv", Form.CSV, Broken())  # type: ignore[arg-type]
    assert not list(tmp_path.glob("out.*"))


def test_a_reading_lies_flat_under_documented_names() -> None:
    reading = Reading(
        unit="A1",
        stamp=Stamp(AT, 1.0, "s"),
        battery=BatteryReading(BatteryStatus.NORMAL, voltage_v=545.1),
        output=OutputReading(lines=(OutputLine(2, 230.0, None, 5100.0, 62.0),)),
        card_alarms=("upsAlarmFanFailure", "upsAlarmOnBypass"),
        nameplate=Nameplate(model="=HYPERLINK(1)"),
        doubts=(Doubt("upsOutputVoltage", DoubtKind.SCALE, "tenths", line=2),),
    )
    assert flat(reading) == {
        "unit": "A1",
        "at": AT,
        "battery_status": "normal",
        "battery_voltage_v": 545.1,
        "output_voltage_v_2": 230.0,
        "output_power_w_2": 5100.0,
        "output_load_pct_2": 62.0,
        "card_alarms": "upsAlarmFanFailure upsAlarmOnBypass",
        "nameplate_model": "=HYPERLINK(1)",
        "doubts": "upsOutputVoltage.2: tenths",
    }
    assert flat(Silence("A1", Stamp(AT, 1.0, "s"), "late")) == {"unit": "A1", "at": AT, "silence": "late"}


class OneModel:
    """Every reading is of a card with a hostile name."""

    def object_of(self, quantity: str, line: int | None) -> str | None:
        return None

    def value(self, object_name: str, raw: Wire, corrections: str) -> float | None:
        return None

    def reading(self, record: WireReading) -> Reading | Silence:
        return Reading(record.unit, record.stamp, nameplate=Nameplate(model='=1+1,"x"\n\udcff'))


def test_text_from_a_card_cannot_act_as_a_formula(reading: Make) -> None:
    out = io.StringIO()
    TableWriter(CsvTable(out, COLUMNS), OneModel()).write([reading(0)])
    (row,) = csv.DictReader(io.StringIO(out.getvalue()))
    assert row["nameplate_model"] == '\'=1+1,"x"\n?'


@pytest.mark.parametrize(
    ("value", "cell"),
    [
        (5100.0, "5100"),
        (-0.5, "-0.5"),
        ("-1", "'-1"),
        ("@x", "'@x"),
        ("plain", "plain"),
        (AT, "2026-03-01T02:14:07.250Z"),
    ],
)
def test_cells_are_plain(value: object, cell: str) -> None:
    assert plain_cell(value) == cell
