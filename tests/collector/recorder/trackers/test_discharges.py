"""Discharges are kept whole: before, during, after, over restarts and silences."""

import tracemalloc
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from collector.recorder.trackers.discharges import DischargeKeeper
from collector.storage.ledger.discharge_record import (
    DischargeRecord,
    DischargeRow,
    Phase,
    from_evidence,
    records_in,
    to_evidence,
)
from collector.storage.ledger.records import Evidence
from rules.plant.estate import Bank, Card, Estate, FittedBank, FittedUnit, Site, Supply, System, Unit
from rules.plant.reading import (
    BatteryReading,
    BatteryStatus,
    InputLine,
    InputReading,
    OutputLine,
    OutputReading,
    OutputSource,
    Reading,
    SelfTest,
    Stamp,
    TestResult,
)

START = datetime(2025, 3, 1, 10, tzinfo=UTC)
FITTED = FittedBank(date(2020, 1, 1), None, "T", 40, 1.67, 9.0, 20.0)


def estate(*banks: Bank, units: tuple[str, ...] = ("A1",)) -> Estate:
    cabinet = FittedUnit(date(2020, 1, 1), None, "X", 30_000.0, 27_000.0)
    return Estate(
        sites={"s": Site("s", "S", "UTC")},
        supplies={"m": Supply("m", "s")},
        generators={},
        systems={"A": System("A", "A", "s", "m")},
        units={u: Unit(u, "A", 1, (1,), (cabinet,)) for u in units},
        cards={u: Card(u, (u,)) for u in units},
        banks={b.id: b for b in banks},
    )


def bank(name: str = "b1", feeds: tuple[str, ...] = ("A1",), strings: int = 1) -> Bank:
    return Bank(name, feeds, 240, strings, (FITTED,))


def read(
    at_s: float,
    source: OutputSource,
    *,
    unit: str = "A1",
    volts: float | None = 540.0,
    amps: float | None = 0.0,
    watts: float = 9000.0,
    start_id: str = "one",
    mono_from: float = 0.0,
    test: bool = False,
) -> Reading:
    mains = 0.0 if source in (OutputSource.BATTERY, OutputSource.NONE) else 230.0
    return Reading(
        unit=unit,
        stamp=Stamp(START + timedelta(seconds=at_s), at_s - mono_from, start_id),
        battery=BatteryReading(BatteryStatus.NORMAL, 0.0, 1800.0, 100.0, volts, amps, 24.0),
        input=InputReading(lines=(InputLine(1, 50.0, mains),)),
        output=OutputReading(source=source, lines=(OutputLine(1, 230.0, 40.0, watts),)),
        test=SelfTest(TestResult.IN_PROGRESS if test else TestResult.NONE),
    )


def outage(begin_s: float = 600.0, end_s: float = 900.0, until_s: float = 960.0) -> Iterator[Reading]:
    at = 0.0
    while at <= until_s:
        out = begin_s <= at < end_s
        volts = 460.0 - 0.02 * (at - begin_s) if out else 540.0
        source = OutputSource.BATTERY if out else OutputSource.NORMAL
        yield read(at, source, volts=volts, amps=21.0 if out else -3.0)
        at += 2.0 if out else 5.0


def feed(keeper: DischargeKeeper, readings: Iterable[Reading]) -> list[Evidence]:
    return [line for reading in readings for line in keeper.take(reading)]


def last(lines: list[Evidence]) -> DischargeRecord:
    return from_evidence(lines[-1])


def test_a_record_begins_before_the_transfer_and_runs_on_after_the_end() -> None:
    keeper = DischargeKeeper(estate(bank()))
    record = last(feed(keeper, outage()))
    assert record.kind == "outage"
    assert record.phase is Phase.RECHARGING
    assert record.started_s == pytest.approx(120.0, abs=5.0)
    assert [r.on_battery for r in record.rows[:25]] == [False] * 25
    assert record.ended_how == "supply_back"
    assert (record.ended_after_s or 0.0) - record.started_s == pytest.approx(298.0)
    assert (record.ended_s or 0.0) - record.started_s == pytest.approx(300.0)
    cadence = {
        round(b.t_s - a.t_s)
        for a, b in zip(record.discharge_rows[1:], record.discharge_rows[2:], strict=False)
    }
    assert cadence == {2}
    assert record.claimed_s == 1800.0


@pytest.mark.parametrize(
    "late_s", [0.06456414499917, 0.00000001234567, 0.1 + 0.2, 1 / 3, 2 / 3, 0.99999999987]
)
def test_times_that_are_no_whole_seconds_part_the_rows_alike_in_memory_and_in_the_ledger(
    late_s: float,
) -> None:
    """A row on battery that is kept a hair before its discharge began would pass for the bank at rest."""
    keeper = DischargeKeeper(estate(bank()))
    late = (
        replace(r, stamp=Stamp(r.stamp.at, r.stamp.monotonic_s * 1.000073 + late_s, "one")) for r in outage()
    )
    lines = feed(keeper, late)
    (record,) = {line.id: line for line in lines}.values()
    read_back = from_evidence(record)
    rest = [r for r in read_back.rows if r.t_s < read_back.started_s]
    assert rest
    assert not any(r.on_battery for r in rest)
    assert read_back.discharge_rows[0] == rest[-1]
    on = [r for r in read_back.discharge_rows if r.on_battery]
    assert on[0].t_s == read_back.started_s
    assert read_back.discharge_rows[-1].t_s == read_back.ended_s
    assert not read_back.discharge_rows[-1].on_battery
    assert read_back.carried_s == pytest.approx(300.0 * 1.000073)


def test_a_record_of_an_earlier_program_is_parted_by_the_rounding_of_its_rows() -> None:
    """Earlier programs kept the times of rows with ten digits and the record's own with all of them."""
    keeper = DischargeKeeper(estate(bank()))
    line = feed(keeper, outage())[-1]
    earlier = replace(line, body={**line.body, "started_s": line.body["started_s"] + 1e-9})
    assert from_evidence(earlier).discharge_rows == from_evidence(line).discharge_rows
    assert from_evidence(earlier).carried_s == from_evidence(line).carried_s


def test_nothing_is_kept_while_nothing_happens() -> None:
    keeper = DischargeKeeper(estate(bank()))
    assert feed(keeper, (read(5.0 * k, OutputSource.NORMAL) for k in range(1000))) == []
    assert keeper.flush() == ()


def test_a_record_survives_a_kill_and_goes_on_after_the_restart() -> None:
    first = DischargeKeeper(estate(bank()))
    before = feed(first, (r for r in outage() if r.stamp.monotonic_s < 700))
    second = DischargeKeeper(estate(bank()))
    assert second.resume([before[-1]]) == ()
    later = (
        replace(r, stamp=Stamp(r.stamp.at, r.stamp.monotonic_s - 730.0, "two"))
        for r in outage()
        if r.stamp.monotonic_s >= 740
    )
    record = last(feed(second, later))
    assert record.id == before[0].id
    assert record.restarts == 1
    assert (record.ended_s or 0.0) - record.started_s == pytest.approx(300.0)
    assert 40.0 <= record.longest_gap_s <= 50.0
    assert [r.t_s for r in record.rows] == sorted(r.t_s for r in record.rows)


def test_little_of_a_record_is_ever_unsaved() -> None:
    keeper = DischargeKeeper(estate(bank()))
    saved_s, worst = 600.0, 0.0
    for reading in outage(end_s=5000.0, until_s=4990.0):
        now_s = reading.stamp.monotonic_s
        if keeper.take(reading):
            saved_s = now_s
        elif now_s > 600.0:
            worst = max(worst, (now_s - saved_s) / max(now_s - 480.0, 250.0))
    assert worst <= 0.025


def test_a_silent_minute_is_a_gap_and_not_an_end() -> None:
    keeper = DischargeKeeper(estate(bank()))
    record = last(feed(keeper, (r for r in outage() if not 650 < r.stamp.monotonic_s < 720)))
    assert record.ended_how == "supply_back"
    assert record.longest_gap_s == pytest.approx(70.0, abs=3.0)


def test_a_clock_that_jumps_does_not_stretch_a_discharge() -> None:
    keeper = DischargeKeeper(estate(bank()))
    jumped = (
        replace(r, stamp=replace(r.stamp, at=r.stamp.at + timedelta(hours=1)))
        if r.stamp.monotonic_s > 700
        else r
        for r in outage()
    )
    record = last(feed(keeper, jumped))
    assert (record.ended_s or 0.0) - record.started_s == pytest.approx(300.0)


def test_a_test_is_known_as_a_test_and_a_blink_as_a_transfer() -> None:
    keeper = DischargeKeeper(estate(bank()))
    tested = [read(0.0, OutputSource.NORMAL), read(5.0, OutputSource.BATTERY, test=True)]
    assert last(feed(keeper, tested)).kind == "test"
    blink = DischargeKeeper(estate(bank()))
    assert last(feed(blink, outage(begin_s=600.0, end_s=604.0, until_s=620.0))).kind == "transfer"


def test_two_dips_a_minute_apart_are_two_discharges_with_a_recharge_between() -> None:
    keeper = DischargeKeeper(estate(bank()))
    lines = feed(keeper, outage(end_s=640.0, until_s=660.0))
    again = [read(700.0 + 2 * k, OutputSource.BATTERY, volts=470.0, amps=21.0) for k in range(20)]
    lines += feed(keeper, again)
    first = next(from_evidence(line) for line in reversed(lines) if line.id == lines[0].id)
    second = last(lines)
    assert first.id != second.id
    assert (first.phase, second.phase) == (Phase.DONE, Phase.DISCHARGING)
    assert (first.ended_s or 0.0) - first.started_s == pytest.approx(40.0)
    # what lies between is the recharge of the first and stands before the second: 20 s at 3 A until the last look
    assert first.returned_ah == pytest.approx(3.0 * 20.0 / 3600.0, rel=0.05)
    assert [r.on_battery for r in second.rows if r.t_s < second.started_s] == [False] * 5


def test_outages_hours_apart_are_records_of_their_own() -> None:
    keeper = DischargeKeeper(estate(bank()))
    lines = feed(keeper, outage())
    much_later = [read(960.0 + 7200.0 + 2 * k, OutputSource.BATTERY) for k in range(5)]
    more = feed(keeper, much_later)
    assert from_evidence(more[0]).phase is Phase.DONE
    assert more[1].id != lines[0].id
    assert more[1].until is None


def test_a_card_that_says_mains_for_one_row_while_its_bank_gives_on_has_misspoken() -> None:
    keeper = DischargeKeeper(estate(bank()))
    stray = [
        replace(r, output=replace(r.output, source=OutputSource.NORMAL))
        if r.stamp.monotonic_s == 700.0
        else r
        for r in outage()
    ]
    record = last(feed(keeper, stray))
    assert (record.ended_s or 0.0) - record.started_s == pytest.approx(300.0)
    assert len({line.id for line in feed(DischargeKeeper(estate(bank())), stray)}) == 1


def test_a_silence_in_which_the_card_counted_anew_holds_two_discharges() -> None:
    """Silent from 650 to 800 s; the card then says that it has been on battery for 30 s only."""
    keeper = DischargeKeeper(estate(bank()))
    readings = [r for r in outage() if not 650 < r.stamp.monotonic_s < 800]
    counted = [
        replace(
            r,
            battery=replace(
                r.battery, on_battery_s=r.stamp.monotonic_s - (770.0 if r.stamp.monotonic_s >= 800 else 600.0)
            ),
        )
        for r in readings
    ]
    lines = feed(keeper, counted)
    assert len({line.id for line in lines}) == 2
    first = next(from_evidence(line) for line in reversed(lines) if line.id == lines[0].id)
    second = last(lines)
    assert (first.ended_after_s or 0.0) - first.started_s == pytest.approx(50.0)
    assert second.unseen_s == pytest.approx(30.0)


def test_a_bank_that_stands_higher_after_a_restart_was_fed_while_nobody_looked() -> None:
    """The card counts no seconds; 460 V before the silence, 480 V after it, at the same load."""
    first = DischargeKeeper(estate(bank()))
    before = feed(first, (r for r in outage() if r.stamp.monotonic_s < 700))
    second = DischargeKeeper(estate(bank()))
    second.resume([before[-1]])
    later = [
        replace(
            read(1300.0 + 2 * k, OutputSource.BATTERY, volts=480.0 - 0.02 * k, amps=21.0),
            stamp=Stamp(START + timedelta(seconds=1300.0 + 2 * k), 2.0 * k, "two"),
        )
        for k in range(20)
    ]
    lines = feed(second, later)
    assert len({line.id for line in lines}) == 2
    assert last(lines).unseen_s is None


def test_how_long_a_bank_was_watched_on_mains_is_kept() -> None:
    keeper = DischargeKeeper(estate(bank()))
    assert last(feed(keeper, outage())).watched_s == pytest.approx(595.0)
    at_once = DischargeKeeper(estate(bank()))
    assert last(feed(at_once, [read(0.0, OutputSource.BATTERY)])).watched_s == 0.0
    assert last(feed(DischargeKeeper(estate(bank())), [read(0.0, OutputSource.BATTERY)])).unseen_s is None


def merged() -> Evidence:
    """Two dips as an earlier program kept them: one record, its end forgotten when the second began."""
    rows = [DischargeRow(5.0 * k, 540.0, -0.1, 24.0, 9000.0, False) for k in range(3)]
    rows += [DischargeRow(15.0 + 2 * k, 470.0 - 0.1 * k, 21.0, 24.0, 9000.0, True) for k in range(50)]
    rows += [
        DischargeRow(120.0, 500.0, -3.0, 24.0, 9000.0, False),
        DischargeRow(180.0, 530.0, -3.0, 24.0, 9000.0, False),
    ]
    rows += [DischargeRow(200.0 + 2 * k, 468.0 - 0.1 * k, 21.0, 24.0, 9000.0, True) for k in range(60)]
    rows += [DischargeRow(325.0, 500.0, -3.0, 24.0, 9000.0, False)]
    made = DischargeRecord(
        "b1-old", "b1", START, "outage", tuple(rows), Phase.RECHARGING, 15.0, 318.0, 325.0, "supply_back"
    )
    line = to_evidence(made)
    return replace(
        line, body={k: v for k, v in line.body.items() if k not in ("cut", "unseen_s", "watched_s", "full")}
    )


def test_dips_that_an_earlier_program_kept_as_one_are_cut_on_reading() -> None:
    first, second = records_in(merged(), 240)
    assert (first.id, second.id) == ("b1-old", "b1-old.2")
    assert (first.ended_s or 0.0) - first.started_s == pytest.approx(105.0)
    assert (second.ended_s or 0.0) - second.started_s == pytest.approx(125.0)
    assert second.began == START + timedelta(seconds=200.0)
    assert first.returned_ah == pytest.approx(3.0 / 60.0)
    assert second.phase is Phase.RECHARGING
    assert {r.on_battery for r in second.rows if r.t_s < second.started_s} == {False}


def test_an_open_record_of_an_earlier_program_is_cut_when_it_is_taken_up() -> None:
    keeper = DischargeKeeper(estate(bank()))
    saved = keeper.resume([merged()])
    assert [line.id for line in saved] == ["b1-old", "b1-old.2"]
    assert saved[0].until is not None
    (record,) = keeper.open_records()
    assert record.id == "b1-old.2"


def test_a_record_ends_when_the_bank_is_full_again() -> None:
    keeper = DischargeKeeper(estate(bank()))
    feed(keeper, outage())
    charging = [read(960.0 + 60.0 * k, OutputSource.NORMAL, volts=520.0, amps=-2.0) for k in range(1, 300)]
    assert all(line.until is None for line in feed(keeper, charging))
    (closed,) = feed(keeper, [read(20_000.0, OutputSource.NORMAL, volts=541.0, amps=-0.05)])
    assert closed.until is not None
    assert from_evidence(closed).phase is Phase.DONE
    assert keeper.open_records() == ()


def test_a_recharge_is_kept_in_few_rows() -> None:
    keeper = DischargeKeeper(estate(bank()))
    feed(keeper, outage())
    feed(keeper, (read(960.0 + 5.0 * k, OutputSource.NORMAL, volts=520.0, amps=-2.0) for k in range(2000)))
    (record,) = keeper.open_records()
    after = [r for r in record.rows if r.t_s > (record.ended_s or 0.0)]
    assert len(after) == pytest.approx(10_000 / 60, abs=5)


def test_charge_that_came_back_is_counted() -> None:
    keeper = DischargeKeeper(estate(bank()))
    feed(keeper, outage())
    feed(keeper, (read(960.0 + 60.0 * k, OutputSource.NORMAL, volts=520.0, amps=-3.0) for k in range(1, 61)))
    (record,) = keeper.open_records()
    assert record.returned_ah == pytest.approx(3.0, rel=0.05)  # an hour and a minute at 3 A


def test_a_bank_that_lets_its_load_fall_at_once_leaves_a_record() -> None:
    keeper = DischargeKeeper(estate(bank()))
    lines = feed(
        keeper, [read(0.0, OutputSource.NORMAL), read(5.0, OutputSource.NONE, volts=60.0, watts=0.0)]
    )
    record = last(lines)
    assert record.ended_how == "output_lost"
    assert record.said_good


def test_a_bank_that_fails_as_the_mains_comes_back_did_not_end_with_the_supply() -> None:
    """Between two readings the bank parts and the mains returns: the unit stands dark beside a live input."""
    for status, volts in ((BatteryStatus.DEPLETED, None), (BatteryStatus.NORMAL, 0.0)):
        keeper = DischargeKeeper(estate(bank()))
        feed(keeper, outage(until_s=898.0))
        dark = read(900.0, OutputSource.NONE, volts=volts, amps=0.0, watts=0.0)
        dark = replace(
            dark,
            battery=replace(dark.battery, status=status),
            input=InputReading(lines=(InputLine(1, 50.0, 232.0),)),
        )
        assert last(feed(keeper, [dark])).ended_how == "output_lost"


def test_a_unit_switched_off_by_hand_is_no_failure_of_its_bank() -> None:
    keeper = DischargeKeeper(estate(bank()))
    off = read(5.0, OutputSource.NONE, watts=0.0)
    off = replace(off, input=InputReading(lines=(InputLine(1, 50.0, 230.0),)))
    assert feed(keeper, [read(0.0, OutputSource.NORMAL), off]) == []


def test_a_bank_behind_two_units_has_one_record_of_their_sum() -> None:
    keeper = DischargeKeeper(estate(bank(feeds=("A1", "A2")), units=("A1", "A2")))
    lines: list[Evidence] = []
    for k in range(10):
        source = OutputSource.NORMAL if k == 0 else OutputSource.BATTERY
        lines += feed(keeper, [read(5.0 * k, source, unit=u, amps=20.0, watts=8000.0) for u in ("A1", "A2")])
    assert {line.id for line in lines} == {lines[0].id}
    (record,) = keeper.open_records()
    assert (record.rows[-1].output_power_w, record.rows[-1].current_a) == (16_000.0, 40.0)


def test_two_banks_behind_one_unit_share_its_power_by_their_strings() -> None:
    keeper = DischargeKeeper(estate(bank("b1", strings=1), bank("b2", strings=2)))
    feed(keeper, [read(0.0, OutputSource.NORMAL), read(5.0, OutputSource.BATTERY, watts=9000.0)])
    powers = {r.bank: r.rows[-1].output_power_w for r in keeper.open_records()}
    assert powers == {"b1": pytest.approx(3000.0), "b2": pytest.approx(6000.0)}


def test_a_record_is_read_back_as_it_was_kept() -> None:
    keeper = DischargeKeeper(estate(bank()))
    feed(keeper, outage())
    (record,) = keeper.open_records()
    assert from_evidence(to_evidence(record)) == record
    assert record.as_csv().splitlines()[0].startswith("t_s,bank_voltage_v,bank_current_a,temperature_c")


def test_what_was_not_known_stays_not_known() -> None:
    keeper = DischargeKeeper(estate(bank()))
    feed(keeper, [read(0.0, OutputSource.NORMAL), read(5.0, OutputSource.BATTERY, volts=None, amps=None)])
    (record,) = keeper.open_records()
    assert from_evidence(to_evidence(record)).rows[-1].voltage_v is None


def test_a_record_of_a_bank_no_longer_declared_is_closed_at_the_start() -> None:
    keeper = DischargeKeeper(estate(bank()))
    lines = feed(keeper, outage())
    other = DischargeKeeper(estate(bank("b9")))
    (closed,) = other.resume([lines[-1]])
    assert closed.until is not None


def test_a_line_of_another_schema_is_refused() -> None:
    line = Evidence("x", "b1", "outage", START, None, schema="discharge/9")
    with pytest.raises(ValueError, match="want discharge/1, got discharge/9"):
        from_evidence(line)


def test_rows_packed_as_they_come_are_the_rows_packed_at_once() -> None:
    keeper = DischargeKeeper(estate(bank()))
    saved = [line for reading in outage(end_s=2000.0, until_s=1990.0) for line in keeper.take(reading)]
    assert len(saved) > 10
    (whole,) = keeper.open_records()
    kept = from_evidence(saved[-1])
    assert kept.rows == whole.rows[: len(kept.rows)]
    assert len(kept.rows) > 0.95 * len(whole.rows)


def test_a_bank_at_rest_holds_little_before_and_after_a_discharge() -> None:
    names = tuple(f"A{n}" for n in range(50))
    tracemalloc.start()
    try:
        keeper = DischargeKeeper(estate(*(bank(f"b{n}", (n,)) for n in names), units=names))
        before = tracemalloc.get_traced_memory()[0]
        for name in names:
            for at_s in range(0, 600, 10):
                source = OutputSource.BATTERY if 100 <= at_s < 200 else OutputSource.NORMAL
                keeper.take(read(at_s, source, unit=name))
        under_way = tracemalloc.get_traced_memory()[0]
        for name in names:  # three days later each is full, and its record closed
            keeper.take(read(73 * 3600.0, OutputSource.NORMAL, unit=name))
        assert not keeper.open_records()
        after = tracemalloc.get_traced_memory()[0]
    finally:
        tracemalloc.stop()
    assert before < 50 * 8_000
    assert after < 50 * 12_000 < under_way
