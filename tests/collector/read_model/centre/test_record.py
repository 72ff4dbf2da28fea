"""The journals of several sites in one ledger: each line once, by its time, whatever comes twice, late or anew."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from collector.messaging.centre.parts import HadPart, RecordPart
from collector.read_model.centre.naming import SiteNames
from collector.read_model.centre.record import CentreRecord
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import IncidentLine, JournalLine
from tests.rules.sample_plant import estate

AT = datetime(2026, 11, 24, 10, tzinfo=UTC)
NORTH, DEPOT = SiteNames("north", estate()), SiteNames("depot", estate())


def bundle(after: int, *numbers: int, book: str = "b", step_s: float = 1.0) -> RecordPart:
    lines = tuple(
        JournalLine(AT + timedelta(seconds=n * step_s), "note", "W1", f"line {n}", seq=n) for n in numbers
    )
    return RecordPart(book, after, max(numbers), lines)


async def journal(ledger: Ledger) -> list[tuple[str | None, str]]:
    """Return what the journal holds, oldest first, by pages of three as a reader would turn them."""
    found: list[tuple[str | None, str]] = []
    before: int | None = None
    while True:
        page = await ledger.events(before=before, limit=3)
        found += [(line.about, line.text) for line in page.items]
        if page.next is None:
            return found[::-1]
        before = page.next


async def test_lines_of_two_sites_stand_by_their_times_whenever_they_came(tmp_path: Path) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        record = CentreRecord(ledger)
        await record.take(NORTH, bundle(0, 1, 3, 5), AT)
        await record.take(DEPOT, bundle(0, 2, 3, 4), AT)  # it had been cut off
        assert await journal(ledger) == [
            ("north:W1", "line 1"), ("depot:W1", "line 2"), ("north:W1", "line 3"),
            ("depot:W1", "line 3"), ("depot:W1", "line 4"), ("north:W1", "line 5"),
        ]  # fmt: skip


async def test_what_is_told_again_changes_nothing(tmp_path: Path) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        record = CentreRecord(ledger)
        assert await record.take(NORTH, bundle(0, 1, 2), AT) == HadPart("b", 2)
        assert await record.take(NORTH, bundle(0, 1, 2), AT) == HadPart("b", 2)
        assert await record.take(NORTH, bundle(0, 1, 2, 3), AT) == HadPart("b", 3)
        assert await record.take(NORTH, bundle(1, 2), AT) == HadPart("b", 3)
        # a journal put back from an older copy is told whole, and goes on otherwise
        assert await record.take(NORTH, bundle(0, 1, 2, 4, book="c"), AT) == HadPart("c", 4)
        assert [text for _, text in await journal(ledger)] == ["line 1", "line 2", "line 3", "line 4"]


async def test_where_lines_are_missing_before_a_bundle_it_is_not_taken(tmp_path: Path) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        record = CentreRecord(ledger)
        await record.take(NORTH, bundle(0, 1), AT)
        assert await record.take(NORTH, bundle(3, 4), AT) == HadPart("b", 1)
        assert await record.take(NORTH, bundle(3, 4, book="c"), AT) == HadPart("c", 0)
        assert [text for _, text in await journal(ledger)] == ["line 1"]


async def test_what_is_had_outlives_a_restart(tmp_path: Path) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        await CentreRecord(ledger).take(NORTH, bundle(0, 1, 2), AT)
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        record = CentreRecord(ledger)
        await record.restore()
        assert record.had("north") == HadPart("b", 2)
        assert record.had("depot") is None


async def test_a_flood_of_one_moment_keeps_its_order(tmp_path: Path) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        await CentreRecord(ledger).take(NORTH, bundle(0, *range(1, 40), step_s=0.0), AT)
        assert [text for _, text in await journal(ledger)] == [f"line {n}" for n in range(1, 40)]


async def test_what_was_learnt_late_stands_where_its_site_has_it_and_not_where_a_clock_was_wrong(
    tmp_path: Path,
) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        record = CentreRecord(ledger)
        await record.take(DEPOT, bundle(0, 4, 5, 6), AT)
        told = bundle(0, 5, 3, 4, 9000, 8)
        await record.take(NORTH, replace(told, until=5), AT)
        await record.take(NORTH, replace(bundle(5, 9), until=6), AT)
        assert [text for about, text in await journal(ledger) if about == "north:W1"] == [
            "line 5", "line 3", "line 4", "line 8", "line 9", "line 9000",
        ]  # fmt: skip


async def test_a_line_about_nothing_is_about_its_site(tmp_path: Path) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        nothing = replace(bundle(0, 1).lines[0], about=None)
        await CentreRecord(ledger).take(NORTH, RecordPart("b", 0, 1, (nothing,)), AT)
        assert await journal(ledger) == [("north", "line 1")]


async def test_an_incident_that_is_closed_stays_closed_whatever_older_word_comes(tmp_path: Path) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        record = CentreRecord(ledger)
        going_on = IncidentLine("power-1", "main", "major", AT)
        closed = replace(going_on, severity="critical", closed=AT + timedelta(hours=1))
        await record.keep_open(NORTH, (going_on,))
        await record.take(NORTH, replace(bundle(0, 1), incidents=(closed,)), AT)
        await record.keep_open(NORTH, (going_on,))
        kept = await ledger.incident("north:power-1")
        assert kept is not None
        assert (kept.severity, kept.closed) == ("critical", closed.closed)
        assert await ledger.open_incidents() == ()
