"""A file of past readings is taken on: into the history as imported, beside what was measured, once."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar

import pytest

from collector.assessment.past import taking
from collector.assessment.past.prepared import prepared_path, waiting
from collector.cards.mib.correction_set import GIVEN, STANDARD
from collector.cards.mib.interpretation import CardMeaning
from collector.read_model.history.imported import imported_of
from collector.storage.history.export.files import Form
from collector.storage.history.store import IMPORTED, WireReading
from collector.storage.ledger.discharge_record import from_evidence
from collector.storage.maintenance.export import export
from rules.plant.reading import Reading
from tests.collector.assessment.past.brought import (
    all_of,
    measured,
    ready,
    stores,
    written,
)
from tests.collector.assessment.past.own_record import own_record

T = TypeVar("T")
DAY = datetime(2026, 3, 2, tzinfo=UTC)
HEADER = "unit,at,output_power_w_1,output_power_w_2,output_power_w_3,battery_voltage_v,on_battery"


def quarters(unit: str, day: datetime = DAY, count: int = 96, watts: float = 3000.0) -> list[str]:
    return [
        f"{unit},{day + n * timedelta(minutes=15):%Y-%m-%dT%H:%M:%SZ},{watts + n},{watts},{watts},545.2,0"
        for n in range(count)
    ]


async def test_what_is_brought_is_in_the_history_as_imported_and_counts_for_the_peaks(tmp_path: Path) -> None:
    path = written(tmp_path / "past.csv", HEADER, [*quarters("A1"), *quarters("A2")])
    made = ready(tmp_path, path)
    async with stores(tmp_path) as kept:
        await kept.takes.once()
        rows = await all_of(kept.history, "A1")
        assert [row.corrections for row in rows] == [IMPORTED] * 96
        (peak,) = kept.record.days()
        (event,) = (await kept.ledger.events(kinds=(taking.KIND,))).items
        assert await kept.history.last("A1") is None  # it tells nothing of now
        (said,) = await imported_of(kept.ledger, "A2")
        assert await imported_of(kept.ledger, "A3") == ()
    assert (said.file, said.by, said.first, said.last - DAY) == (
        "past.csv", "R. Haugen", DAY, timedelta(hours=23, minutes=45)
    )  # fmt: skip
    assert waiting(tmp_path) == []
    assert peak.day == DAY.date()
    assert peak.lines[0].power_w == pytest.approx(2 * 3095.0, rel=0.001)  # both units, the highest quarter
    assert event.text == (
        "R. Haugen imported 192 readings of A1, A2 from past.csv, 02 March 2026 to 02 March 2026."
        f" Import {made.about.id}."
    )


async def test_nothing_measured_is_overwritten_and_gaps_are_filled(tmp_path: Path) -> None:
    path = written(tmp_path / "past.csv", HEADER, quarters("A1"))
    ready(tmp_path, path)
    async with stores(tmp_path) as kept:
        own = [measured("A1", DAY + timedelta(hours=6, seconds=10 * n)) for n in range(360)]  # 06:00 to 07:00
        await kept.history.append(own)
        await kept.takes.once()
        rows = await all_of(kept.history, "A1")
        (event,) = (await kept.ledger.events(kinds=(taking.KIND,))).items
    assert [row for row in rows if row.corrections != IMPORTED] == own
    brought = [row.at for row in rows if row.corrections == IMPORTED]
    between = [
        at
        for at in brought
        if DAY + timedelta(hours=5, minutes=46) < at < DAY + timedelta(hours=7, minutes=14)
    ]
    assert between == []
    assert event.body["measured"] == 96 - len(brought) == 5
    assert "5 were left out, since readings of our own stand there" in event.text


async def test_the_same_again_and_a_file_that_overlaps_add_only_what_is_new(tmp_path: Path) -> None:
    async with stores(tmp_path) as kept:
        ready(tmp_path, written(tmp_path / "a.csv", HEADER, quarters("A1")))
        await kept.takes.once()
        first = await all_of(kept.history, "A1")
        ready(tmp_path, tmp_path / "a.csv")
        await kept.takes.once()
        assert await all_of(kept.history, "A1") == first
        ready(tmp_path, written(tmp_path / "b.csv", HEADER, quarters("A1", DAY, 120, 9000.0)))
        await kept.takes.once()
        rows = await all_of(kept.history, "A1")
        told = (await kept.ledger.events(kinds=(taking.KIND,))).items
    assert rows[:96] == first
    assert len(rows) == 120
    assert [(one.body["taken"], one.body["there"]) for one in told] == [(24, 96), (96, 0)]


class CutOffError(Exception):
    """The process was killed here."""


async def test_cut_off_anywhere_it_goes_on_and_nothing_is_half(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each write to the stores is made the last one before a kill, in turn; then the service starts again."""
    monkeypatch.setattr(taking, "CHUNK_ROWS", 10)
    path = written(tmp_path / "past.csv", HEADER, [*quarters("A1", count=15), *quarters("A2", count=15)])
    want: list[list[WireReading]] = []
    cuts = 0
    for writes in range(10):
        folder = tmp_path / str(writes)
        folder.mkdir(mode=0o700)
        ready(folder, path)
        left = writes

        def write(work: Callable[..., T]) -> Callable[..., T]:
            def counted(*given: Any, **named: Any) -> T:
                nonlocal left
                left -= 1
                if left < 0:
                    raise CutOffError
                return work(*given, **named)

            return counted

        async with stores(folder) as kept:
            monkeypatch.setattr(kept.history, "append", write(kept.history.append))
            monkeypatch.setattr(kept.ledger, "transaction", write(kept.ledger.transaction))
            try:
                await kept.takes.once()
            except CutOffError:
                cuts += 1
        async with stores(folder) as kept:
            await kept.takes.once()
            rows = [await all_of(kept.history, unit) for unit in ("A1", "A2")]
            told = (await kept.ledger.events(kinds=(taking.KIND,))).items
        want = want or rows
        assert (waiting(folder), rows, len(told)) == ([], want, 1)
        if left >= 0:
            break
    assert [len(one) for one in want] == [15, 15]
    assert cuts == writes == 5  # four pieces of readings, and what is said of them


async def test_a_past_outage_becomes_a_record_of_the_bank(tmp_path: Path) -> None:
    header = HEADER.replace("on_battery", "output_source,battery_current_a,battery_temperature_c")
    at = DAY - timedelta(hours=5)
    rows = [
        f"A1,{at + timedelta(minutes=n):%Y-%m-%dT%H:%M:%SZ},3000,3000,3000,545.2,normal,0,23"
        for n in range(300)
    ]
    rows += [
        f"A1,{DAY + timedelta(seconds=10 * n):%Y-%m-%dT%H:%M:%SZ},3000,3000,3000,{480 - n / 4:.1f},battery,20.1,23.4"
        for n in range(60)
    ]
    rows += [
        f"A1,{DAY + timedelta(minutes=10 + n):%Y-%m-%dT%H:%M:%SZ},3000,3000,3000,530,normal,-4,23"
        for n in range(300)
    ]
    made = ready(tmp_path, written(tmp_path / "past.csv", header, rows))
    assert made.findings.discharges == 1
    async with stores(tmp_path) as kept:
        await kept.takes.once()
        (line,) = await kept.ledger.evidence("bank A1")
    record = from_evidence(line)
    assert (line.author, line.kind) == ("R. Haugen", "outage")
    assert record.began == DAY
    on = [row for row in record.rows if row.on_battery]
    assert len(on) == 60
    assert (on[0].voltage_v, on[0].current_a, on[0].temperature_c) == (480.0, 20.1, 23.4)
    assert record.watched_s == pytest.approx(5 * 3600.0, abs=61.0)


async def test_a_record_of_our_own_is_not_doubled_by_a_file(tmp_path: Path) -> None:
    rows = [
        f"A1,{DAY + timedelta(seconds=10 * n):%Y-%m-%dT%H:%M:%SZ},3000,3000,3000,480,1" for n in range(60)
    ]
    ready(tmp_path, written(tmp_path / "past.csv", HEADER, rows))
    async with stores(tmp_path) as kept:
        async with kept.ledger.transaction() as tx:
            tx.save_evidence(own_record("bank A1", DAY + timedelta(minutes=2), minutes=5))
        await kept.takes.once()
        lines = await kept.ledger.evidence("bank A1")
    assert [line.author for line in lines] == [None]


def test_a_figure_comes_back_as_it_was_written() -> None:
    meaning = CardMeaning({STANDARD.id: STANDARD}.get)
    assert GIVEN.id == IMPORTED
    for key, raw, value in (
        ("upsOutputVoltage.1", 23042, 230.42),
        ("upsOutputVoltage.1", 1200, 12.0),  # no other scale is made of its size
        ("upsBatteryVoltage", 54517, 545.17),
        ("upsBatteryTemperature", -312, -3.12),
        ("upsBatteryTemperature", 0, 0.0),
        ("upsOutputPower.2", 31415, 3141.5),
        ("upsOutputFrequency", 4998, 49.98),
        ("upsEstimatedMinutesRemaining", 754, 754.0),
    ):
        assert meaning.value(key, raw, IMPORTED) == pytest.approx(value), key


async def test_an_export_of_ours_goes_in_and_comes_out_the_same(tmp_path: Path) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    for folder in (here, there):
        folder.mkdir(mode=0o700)
    meaning = CardMeaning({STANDARD.id: STANDARD}.get)
    async with stores(here) as kept:
        own = [measured("A1", DAY + timedelta(seconds=10 * n), 5000 + n) for n in range(50)]
        for n, one in enumerate(own):
            more = {"upsBatteryVoltage": 5452 - n, "upsBatteryCurrent": -12, "upsBatteryTemperature": 23}
            more |= {"upsOutputVoltage.1": 231, "upsInputLineBads": 7, "upsBatteryStatus": 2}
            one.wire.update(more)  # type: ignore[attr-defined]
        await kept.history.append(own)
    for form, name in ((Form.CSV, "a.csv"), (Form.PARQUET, "a.parquet")):
        export(here, tmp_path / name, form, meaning)
    ready(there, tmp_path / "a.parquet")
    async with stores(there) as kept:
        await kept.takes.once()
        back = [meaning.reading(row) for row in await all_of(kept.history, "A1")]
    assert (
        ready(there, tmp_path / "a.csv", keep=False).about.units
        == ready(there, tmp_path / "a.parquet", keep=False).about.units
    )
    want = [meaning.reading(row) for row in own]
    for before, other in zip(want, back, strict=True):
        assert isinstance(before, Reading)
        assert isinstance(other, Reading)
        assert (before.at, before.battery, before.output, before.input) == (
            other.at,
            other.battery,
            other.output,
            other.input,
        )


async def test_a_file_that_is_none_is_set_aside(tmp_path: Path) -> None:
    folder = tmp_path / "imports"
    folder.mkdir()
    (folder / "abc.sqlite").write_bytes(b"no database at all")
    async with stores(tmp_path) as kept:
        await kept.takes.once()
    assert [path.name for path in folder.iterdir()] == ["abc.unreadable"]


async def test_a_folder_that_lets_nothing_be_moved_ends_no_service(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """As where root made the folder, and the service's user may neither read nor move what is in it."""

    def refused(*_: object) -> None:
        raise PermissionError(13, "Permission denied", "imports")

    monkeypatch.setattr(taking, "waiting", refused)
    async with stores(tmp_path) as kept:
        running = asyncio.create_task(kept.takes.run())
        said = 0
        while said < 1:  # a thread looks at the folder, whose turn nobody knows
            await asyncio.sleep(0.01)
            said = sum(r.name == taking.__name__ for r in caplog.records)
        for _ in range(3):
            await kept.clock.advance(taking.LOOK_EVERY_S)
            await asyncio.to_thread(lambda: None)
        assert not running.done()
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
    assert [r.getMessage().partition(":")[0] for r in caplog.records if r.name == taking.__name__] == [
        f"the past that waits in {tmp_path} cannot be taken on"
    ], "said once"


@pytest.mark.skipif(os.geteuid() != 0, reason="only root makes files that are another's")
def test_what_root_makes_ready_belongs_to_whom_the_data_folder_does(tmp_path: Path) -> None:
    os.chown(tmp_path, 12345, 12346)
    made = ready(tmp_path, written(tmp_path / "a.csv", HEADER, quarters("A1", count=2)))
    for path in (tmp_path / "imports", prepared_path(tmp_path, made.about.id)):
        assert (path.stat().st_uid, path.stat().st_gid) == (12345, 12346)
