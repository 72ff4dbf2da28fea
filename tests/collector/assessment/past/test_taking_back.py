"""An import that was wrong goes again: readings, peaks and discharges, and nothing that a card gave."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar

import pytest

from collector.assessment.past import taking, taking_back
from collector.assessment.past.imports_known import imports_in
from collector.assessment.past.prepared import prepared_path
from collector.assessment.past.taking_back import ask_back, note_path
from collector.read_model.history.imported import imported_of
from collector.storage.data_folder import LEDGER_FILE
from collector.storage.ledger.discharge_record import shown_id
from collector.storage.ledger.records import Evidence
from tests.collector.assessment.past.brought import all_of, measured, ready, stores, written
from tests.collector.assessment.past.own_record import own_record
from tests.rules.sample_plants import NOON

T = TypeVar("T")
DAY = datetime(2026, 3, 2, tzinfo=UTC)
HEADER = "unit,at,output_power_w_1,output_power_w_2,output_power_w_3,battery_voltage_v,on_battery"


def quarters(unit: str, watts: float, count: int = 96, on: int = 0) -> list[str]:
    return [
        f"{unit},{DAY + n * timedelta(minutes=15):%Y-%m-%dT%H:%M:%SZ},{watts},{watts},{watts},545.2,{on}"
        for n in range(count)
    ]


def past(folder: Path, name: str, watts: float) -> Path:
    return written(folder / name, HEADER, [*quarters("A1", watts), *quarters("A2", watts)])


async def test_a_wrong_file_goes_with_its_peaks_and_the_one_put_right_takes_its_place(tmp_path: Path) -> None:
    async with stores(tmp_path) as kept:
        own = [
            measured(unit, DAY + timedelta(hours=6, seconds=60 * n))
            for n in range(60)
            for unit in ("A1", "A2")
        ]
        await kept.history.append(own)
        made = ready(tmp_path, past(tmp_path, "wrong.csv", 9000.0))
        await kept.takes.once()
        assert kept.record.days()[0].lines[0].power_w == pytest.approx(18_000.0, rel=0.001)

        assert ask_back(tmp_path, made.about.id, "K. Lindqvist", NOON)
        assert not ask_back(tmp_path, made.about.id, "K. Lindqvist", NOON)
        await kept.takes.once()
        assert [row.corrections for row in await all_of(kept.history, "A1")] == ["standard"] * 60
        assert await imported_of(kept.ledger, "A1") == ()
        (peak,) = kept.record.days()  # what was measured on that day is still on record
        assert peak.lines[0].power_w == pytest.approx(10_000.0, rel=0.001)
        (event,) = (await kept.ledger.events(kinds=(taking_back.KIND,))).items
        assert not note_path(tmp_path, made.about.id).exists()

        ready(tmp_path, past(tmp_path, "right.csv", 3000.0))
        await kept.takes.once()
        (said,) = await imported_of(kept.ledger, "A1")
        rows = await all_of(kept.history, "A1")
        assert (await kept.ledger.events(kinds=(taking.KIND,))).items[0].body["there"] == 0
    assert said.file == "right.csv"
    assert {row.wire["upsOutputPower.1"] for row in rows if row.corrections != "standard"} == {30_000}
    assert event.text == (
        f"K. Lindqvist took back the import of wrong.csv, which R. Haugen had made: {event.body['taken']} readings of A1, A2 "
        "are gone. What the cards gave is untouched."
    )


async def test_discharges_that_were_found_in_it_go_and_their_bank_is_judged_anew(tmp_path: Path) -> None:
    rows = [
        f"A1,{DAY + timedelta(seconds=10 * n):%Y-%m-%dT%H:%M:%SZ},3000,3000,3000,480,{int(9 < n < 60)}"
        for n in range(100)
    ]
    made = ready(tmp_path, written(tmp_path / "past.csv", HEADER, rows))
    own = own_record("bank A1", DAY + timedelta(days=2), minutes=5)
    async with stores(tmp_path) as kept:
        async with kept.ledger.transaction() as tx:
            tx.save_evidence(own)
        await kept.takes.once()
        found = next(line for line in await kept.ledger.evidence("bank A1") if line.author is not None)
        async with kept.ledger.transaction() as tx:
            tx.save_evidence(
                Evidence(shown_id(found.id), found.bank, found.kind, found.at, found.until, None, "shown/1")
            )
        ask_back(tmp_path, made.about.id, "R. Haugen", NOON)
        await kept.takes.once()
        left = await kept.ledger.evidence("bank A1")
        (event,) = (await kept.ledger.events(kinds=(taking_back.KIND,))).items
        assert kept.asked == ["bank A1"]
    assert [line.id for line in left] == [own.id]
    assert "times on a bank found in them: 1." in event.text
    assert "had made" not in event.text


async def test_what_still_waits_is_not_taken_on(tmp_path: Path) -> None:
    made = ready(tmp_path, past(tmp_path, "wrong.csv", 9000.0))
    ask_back(tmp_path, made.about.id, "R. Haugen", NOON)
    async with stores(tmp_path) as kept:
        await kept.takes.once()
        assert await all_of(kept.history, "A1") == []
        (event,) = (await kept.ledger.events(kinds=(taking_back.KIND,))).items
        assert not (await kept.ledger.events(kinds=(taking.KIND,))).items
    assert event.text == "R. Haugen took back the import of wrong.csv, before all of it was taken on."
    assert not prepared_path(tmp_path, made.about.id).exists()


async def test_a_note_of_something_else_is_set_aside_and_one_of_nothing_is_let_go(tmp_path: Path) -> None:
    ask_back(tmp_path, "0" * 16, "R. Haugen", NOON)
    odd = note_path(tmp_path, "1" * 16)
    odd.write_text("[]", "utf-8")
    async with stores(tmp_path) as kept:
        await kept.takes.once()
        assert not (await kept.ledger.events(kinds=(taking_back.KIND,))).items
    assert [path.name for path in odd.parent.iterdir()] == [f"{'1' * 16}.unreadable"]


class CutOffError(Exception):
    """The process was killed here."""


async def test_cut_off_anywhere_it_is_done_from_the_note(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each step that writes is made the last one before a kill, in turn; then the service starts again."""
    path = past(tmp_path, "wrong.csv", 9000.0)
    for steps in range(12):
        folder = tmp_path / str(steps)
        folder.mkdir(mode=0o700)
        name = ready(folder, path).about.id
        left = steps

        def step(work: Callable[..., T]) -> Callable[..., T]:
            def counted(*given: Any, **named: Any) -> T:
                nonlocal left
                left -= 1
                if left < 0:
                    raise CutOffError
                return work(*given, **named)

            return counted

        async with stores(folder) as kept:
            await kept.history.append([measured("A1", DAY + timedelta(hours=30))])
            await kept.takes.once()
            ask_back(folder, name, "R. Haugen", NOON)
            with monkeypatch.context() as cut:
                cut.setattr(kept.history, "take_out", step(kept.history.take_out))
                cut.setattr(kept.ledger, "transaction", step(kept.ledger.transaction))
                cut.setattr(taking_back, "_write", step(taking_back._write))
                cut.setattr(taking_back, "_done", step(taking_back._done))
                with suppress(CutOffError):
                    await kept.takes.once()
            await kept.takes.once()
            assert [row.corrections for row in await all_of(kept.history, "A1")] == ["standard"]
            assert await all_of(kept.history, "A2") == []
            assert kept.record.days() == ()
            assert len((await kept.ledger.events(kinds=(taking_back.KIND,))).items) == 1
        assert imports_in(folder / LEDGER_FILE) == {}
        if left >= 0:
            break
    assert steps == 5  # the note, two units, what is said of them, the end
