"""Around every power event the exact readings stay for ever, wherever a kill or a full disk cut in."""

from datetime import datetime, timedelta
from pathlib import Path

import pytest

from collector.cards.mib.wire_values import WireValue
from collector.storage.database import StoreError, StoreFault
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.ledger.discharge_record import SCHEMA
from collector.storage.ledger.records import Evidence, JournalLine
from collector.storage.maintenance.exact_retention import POWER_ALARMS, ExactSpan, ExactSpans, merged
from rules.alarms.catalogue import CATALOGUE
from tests.collector.cards.sample_cards import GOOD
from tests.collector.restarting import DARK, Collector
from tests.rules.sample_plants import NOON, estate

MINUTE = timedelta(minutes=1)
DAY = timedelta(days=1)
OVERLOADED = GOOD | {"upsOutputPercentLoad.2": 112, "upsOutputPower.2": 10_080, "upsOutputCurrent.2": 487}
BYPASSED = GOOD | {"upsOutputSource": 4}
DIPPED = GOOD | {"upsInputLineBads": 5}


async def lived(
    one: Collector, until: timedelta, *, a1: dict[str, WireValue], a2: dict[str, WireValue]
) -> None:
    """Read both cards every ten seconds until so long after noon."""
    while one.clock.at < NOON + until:
        await one.give(one.answer("A1", a1), one.answer("A2", a2))
        one.clock.at += timedelta(seconds=10)


def spans_of(one: Collector) -> ExactSpans:
    return ExactSpans(estate(2), one.history, one.ledger, one.clock)


async def left_after_years(one: Collector, unit: str) -> list[float]:
    """Return the minutes after noon whose readings are left when all that is old was let go."""
    one.history.exact_days = 31
    assert await one.history.tend(NOON + 800 * DAY) == ()
    readings = one.history.readings(unit, NOON - DAY, NOON + DAY)
    return [(r.at - NOON) / MINUTE async for r in readings]


@pytest.mark.parametrize(
    ("happens", "first", "last"),
    [
        ((DARK, DARK), 15, 33),  # from the loss until the return, whole
        ((BYPASSED, GOOD), 15, 33),
        ((OVERLOADED, GOOD), 15, 33),
        ((DIPPED, GOOD), 15, 25),
    ],
    ids=["outage", "bypass", "overload", "dip"],
)
async def test_readings_some_minutes_around_what_happened_stay_of_the_unit_and_of_those_beside_it(
    tmp_path: Path, happens: tuple[dict[str, WireValue], dict[str, WireValue]], first: int, last: int
) -> None:
    one = Collector(tmp_path)
    await one.start()
    await lived(one, 20 * MINUTE, a1=GOOD, a2=GOOD)
    a1, a2 = happens
    await lived(one, 28 * MINUTE, a1=a1, a2=a2)
    after = DIPPED if a1 is DIPPED else GOOD
    await lived(one, 60 * MINUTE, a1=after, a2=GOOD)
    await spans_of(one).once()
    for unit in ("A1", "A2"):
        left = await left_after_years(one, unit)
        assert first - 0.5 <= left[0] <= first + 0.5
        assert last - 0.5 <= left[-1] <= last + 0.5
        assert len(left) == pytest.approx(6 * (left[-1] - left[0]) + 1)
    await one.stack.aclose()


async def test_the_hours_of_a_long_outage_are_kept_whole(tmp_path: Path) -> None:
    one = Collector(tmp_path)
    await one.start()
    await one.give(one.answer("A1", GOOD), one.answer("A2", GOOD))
    async with one.ledger.transaction() as tx:
        tx.add_event(JournalLine(NOON, "mains_lost", "mains", "Mains lost."))
        tx.add_event(JournalLine(NOON + 9 * DAY, "work_over", "A1", "Not about power."))
    spans = spans_of(one)
    await spans.once()
    async with one.ledger.transaction() as tx:
        tx.add_event(JournalLine(NOON + 7 * 60 * MINUTE, "supply_back", "mains", "Supply is back."))
    await spans.once()
    assert await kept(one.history) >= {
        (unit, NOON - 5 * MINUTE, NOON + 425 * MINUTE) for unit in ("A1", "A2")
    }
    assert max(end for *_, end in await kept(one.history)) < NOON + DAY
    await one.stack.aclose()


async def kept(history: SqliteHistory) -> set[tuple[str, datetime, datetime]]:
    query = "SELECT name, from_at, until_at FROM kept JOIN units ON units.id = kept.unit"
    rows = await history.database.read(lambda c: c.execute(query).fetchall())
    epoch = datetime(1970, 1, 1, tzinfo=NOON.tzinfo)
    return {(n, *(epoch + timedelta(milliseconds=ms) for ms in span)) for n, *span in rows}


async def two_discharges(one: Collector) -> None:
    """Have A1 go to its bank twice: the second call ends the record of the first."""
    await lived(one, 2 * MINUTE, a1=GOOD, a2=GOOD)
    await lived(one, 4 * MINUTE, a1=DARK, a2=GOOD)
    await lived(one, 12 * MINUTE, a1=GOOD, a2=GOOD)
    await lived(one, 12 * MINUTE + timedelta(seconds=10), a1=DARK, a2=GOOD)


async def test_a_disk_that_fills_while_a_span_is_to_be_kept_doubles_no_line_of_the_journal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep_exact = SqliteHistory.keep_exact

    async def full(*_: object) -> None:
        raise StoreError("history.sqlite", StoreFault.FULL, "full store")

    one = Collector(tmp_path)
    await one.start()
    monkeypatch.setattr(SqliteHistory, "keep_exact", full)
    await two_discharges(one)
    await lived(one, 13 * MINUTE, a1=DARK, a2=GOOD)
    spans = spans_of(one)
    with pytest.raises(StoreError, match="full"):
        await spans.once()
    lines = [(e.at, e.kind, e.about) for e in (await one.ledger.events(limit=1000)).items]
    assert len(lines) == len(set(lines))
    monkeypatch.setattr(SqliteHistory, "keep_exact", keep_exact)
    await spans.once()
    assert await kept(one.history)
    await one.stack.aclose()


async def test_a_discharge_whose_end_was_committed_before_a_kill_is_kept_by_the_next_start(
    tmp_path: Path,
) -> None:
    one = Collector(tmp_path)
    await one.start()
    await spans_of(one).once()
    await two_discharges(one)
    ended = next(e for e in await one.ledger.evidence("bank A1") if e.until is not None)
    assert ended.until is not None
    await one.kill()
    one.clock.at += 90 * DAY  # and nobody started it for a season
    await one.start()
    await spans_of(one).once()
    around = 15 * MINUTE
    assert ("A1", ended.at - around, ended.until + around) in {
        (u, a - timedelta(microseconds=a.microsecond % 1000), b) for u, a, b in await kept(one.history)
    }
    await one.stack.aclose()


async def test_a_clock_that_stood_ahead_for_a_while_hides_no_discharge_after_it(tmp_path: Path) -> None:
    one = Collector(tmp_path)
    await one.start()
    await one.give(one.answer("A1", GOOD), one.answer("A2", GOOD))
    spans = spans_of(one)

    async def ended(name: str, at: datetime) -> None:
        one.clock.at = at
        async with one.ledger.transaction() as tx:
            tx.save_evidence(Evidence(name, "bank A1", "outage", at - MINUTE, at, schema=SCHEMA))
        await spans.once()

    await ended("first", NOON + 365 * DAY)
    await ended("second", NOON)
    ends = {end for _, _, end in await kept(one.history)}
    assert ends == {NOON + 15 * MINUTE, NOON + 365 * DAY + 15 * MINUTE}
    await one.stack.aclose()


def test_spans_of_one_unit_that_touch_are_one() -> None:
    at = [NOON + n * MINUTE for n in range(6)]
    spans = [
        ExactSpan("A2", at[0], at[2], "dip"),
        ExactSpan("A1", at[3], at[5], "overload"),
        ExactSpan("A1", at[0], at[2], "dip"),
        ExactSpan("A1", at[1], at[3], "dip"),
        ExactSpan("A1", at[1], at[2], "bypass"),
    ]
    assert merged(spans) == [
        ExactSpan("A1", at[0], at[5], "dip, bypass, overload"),
        ExactSpan("A2", at[0], at[2], "dip"),
    ]


def test_every_alarm_named_here_is_one_of_the_catalogue() -> None:
    assert set(CATALOGUE) >= POWER_ALARMS >= {"on_battery", "ends_soon", "overload", "on_bypass"}
