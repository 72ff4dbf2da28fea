"""What outlives the exact readings can be taken out too, and the exact export says what it does not hold."""

import asyncio
import csv
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from api.commands.main import main
from collector.storage.data_folder import HISTORY_FILE
from collector.storage.history.export.files import Form
from collector.storage.history.export.sums import SUM_COLUMNS, By
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import Meaning, WireReading
from collector.storage.maintenance.export import ExportWanted, export, export_sums

Make = Callable[..., WireReading]
DAYS = 36
POLLS_A_DAY = 480


def polls(reading: Make, day: int) -> list[WireReading]:
    """Two polls every six minutes, 20 s apart; power climbs by a watt a poll, and every 40th poll has none."""
    begin = day * 86_400
    batch = []
    for n in range(POLLS_A_DAY):
        at = begin + n // 2 * 360 + n % 2 * 20
        watts = -1 if n % 40 == 39 else 5000 + n
        wire = {"upsOutputPower.1": watts, "upsBatteryVoltage": 5450 + n % 3, "upsIdentModel": "Heron 30"}
        # the second half of each day under a correction that halves
        batch.append(reading(at, wire, period_s=180.0, corrections="plain" if n < 250 else "halved"))
    batch[60] = reading(begin + 30 * 360, silence="no answer", period_s=180.0)
    return batch


async def filled(folder: Path, meaning: Meaning, start: datetime, reading: Make, keep: int | None) -> Path:
    async with SqliteHistory(folder / HISTORY_FILE, meaning, exact_days=keep) as store:
        for day in range(DAYS):
            await store.append(polls(reading, day))
        await store.tend(start + timedelta(days=DAYS, hours=2))
    return folder


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as text:
        return list(csv.DictReader(text))


@pytest.mark.parametrize("by", By)
async def test_summaries_are_the_same_before_and_after_exact_readings_are_let_go(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make, by: By
) -> None:
    whole = await filled(tmp_path / "whole", meaning, start, reading, None)
    rest = await filled(tmp_path / "rest", meaning, start, reading, 2)
    assert export(rest, tmp_path / "exact.csv", Form.CSV, meaning) < 10 * POLLS_A_DAY
    count = export_sums(whole, tmp_path / "whole.csv", by, meaning)
    assert export_sums(rest, tmp_path / "rest.csv", by, meaning) == count
    assert sorted(map(str, rows_of(tmp_path / "rest.csv"))) == sorted(
        map(str, rows_of(tmp_path / "whole.csv"))
    )
    asked = [row for row in rows_of(tmp_path / "rest.csv") if row["quantity"] == "polls"]
    assert sum(int(row["asked_count"]) for row in asked) == DAYS * POLLS_A_DAY


async def test_an_hour_tells_what_was_read_in_it(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make
) -> None:
    data = await filled(tmp_path / "data", meaning, start, reading, 2)
    first, after = start + timedelta(days=4, hours=1), start + timedelta(days=4, hours=14)
    export_sums(data, tmp_path / "hours.csv", By.HOUR, meaning, ExportWanted(["A1"], first, after))
    rows = rows_of(tmp_path / "hours.csv")
    assert list(rows[0]) == list(SUM_COLUMNS)
    assert {row["from"] for row in rows} == {f"2026-03-05T{hour:02}:00:00.000Z" for hour in range(1, 14)}
    power = {
        (row["from"][11:13], row["corrections"]): row for row in rows if row["quantity"] == "output_power_w"
    }
    # 01:00 holds polls 20 to 39, of which the last has no value
    assert {name: power["01", "plain"][name] for name in ("min", "mean", "max", "last", "line", "object")} == {
        "min": "5020", "mean": "5029", "max": "5038", "last": "5038", "line": "1", "object": "upsOutputPower.1",
    }  # fmt: skip
    assert (power["01", "plain"]["good_count"], power["01", "plain"]["asked_count"]) == ("19", "20")
    # 12:00 holds polls 240 to 259: ten taken as they come, ten halved
    assert [power["12", name]["min"] for name in ("plain", "halved")] == ["5240", "2625"]
    assert [power["12", name]["last"] for name in ("plain", "halved")] == ["5249", "2629.5"]
    told = {row["from"][11:13]: row for row in rows if row["quantity"] == "polls"}
    assert [told["02"][n] for n in ("asked_count", "good_count", "covered_s")] == ["20", "20", "3600"]
    assert [told["03"][n] for n in ("asked_count", "good_count", "covered_s")] == ["20", "19", "3600"]
    assert not any(row["object"] == "upsIdentModel" for row in rows)


async def test_parquet_holds_the_same_summaries_with_types(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make
) -> None:
    pq = pytest.importorskip("pyarrow.parquet")
    data = await filled(tmp_path / "data", meaning, start, reading, 2)
    wanted = ExportWanted(["A1"], start, start + timedelta(days=1))
    export_sums(data, tmp_path / "hours.csv", By.HOUR, meaning, wanted)
    export_sums(data, tmp_path / "hours.parquet", By.HOUR, meaning, wanted, parquet=True)
    found: list[dict[str, Any]] = pq.read_table(tmp_path / "hours.parquet").to_pylist()
    for typed, text in zip(found, rows_of(tmp_path / "hours.csv"), strict=True):
        assert typed["good_count"] == int(text["good_count"])
        assert typed["from"].isoformat() == text["from"].replace(".000Z", "+00:00")
        for name in ("min", "mean", "max", "last"):
            assert (typed[name] is None) == (text[name] == "")
            assert typed[name] is None or typed[name] == float(text[name])


async def run(*arguments: str) -> int:
    return await asyncio.to_thread(main, list(arguments))


async def test_the_command_says_which_days_an_exact_export_does_not_hold(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make, capsys: pytest.CaptureFixture[str]
) -> None:
    data = str(await filled(tmp_path / "data", meaning, start, reading, 2))
    out = str(tmp_path / "out.csv")
    assert (
        await run("export", out, "--data", data, "--from", "2026-03-03", "--to", "2026-03-09T12:00:00Z") == 0
    )
    told = capsys.readouterr()
    assert told.out == f"{out}: 0 rows\n"
    assert told.err.startswith("A1: exact readings of 2026-03-03 to 2026-03-09 were let go")
    assert await run("export", out, "--data", data, "--by", "hour", "--to", "2026-03-02") == 0
    told = capsys.readouterr()
    assert told.err == ""
    assert await run("export", out, "--data", data, "--by", "hour", "--form", "wire") == 2
    assert "csv or parquet" in capsys.readouterr().err
