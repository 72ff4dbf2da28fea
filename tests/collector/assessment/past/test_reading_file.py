"""A file of past readings is read whole: its columns, units, times, gaps and doubles; or refused with every fault."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from collector.assessment.past.prepared import opened_rows, prepared_path, waiting
from collector.assessment.past.reading_file import MadeReady
from collector.cards.mib.correction_set import GIVEN, STANDARD
from collector.cards.mib.decode import decode
from collector.cards.mib.interpretation import CardMeaning
from collector.cards.mib.wire_values import from_kept
from collector.configuration import ConfigError
from rules.plant.reading import Reading
from tests.collector.assessment.past.brought import DATA, ONE, all_of, ready, stores, written

LONDON = ZoneInfo("Europe/London")
NAMED = (
    "at=clock",
    "output_power_w_1=kW L1:kW", "output_power_w_2=kW L2:kW", "output_power_w_3=kW L3:kW",
    "output_apparent_va_1=kVA L1:kVA", "output_apparent_va_2=kVA L2:kVA", "output_apparent_va_3=kVA L3:kVA",
    "output_voltage_v_1=V L1", "output_voltage_v_2=V L2", "output_voltage_v_3=V L3",
    "battery_voltage_v=Ubat dV:dV", "battery_temperature_c=Room F:F", "on_battery=battery",
)  # fmt: skip
MEANING = CardMeaning({STANDARD.id: STANDARD}.get)


def read_back(folder: Path, made: MadeReady) -> list[Reading]:
    about, rows = opened_rows(prepared_path(folder, made.about.id))
    try:
        kept = list(rows.readings(about, 0))
    finally:
        rows.close()
    return [decode(one.unit, one.stamp, from_kept(one.wire), GIVEN) for one in kept]


def faults_of(error: pytest.ExceptionInfo[ConfigError]) -> str:
    return "\n".join(str(fault) for fault in error.value.faults)


@pytest.mark.parametrize("name", ["by_pandas.csv", "by_pandas.parquet"])
async def test_what_pandas_wrote_means_what_pandas_makes_of_it(tmp_path: Path, name: str) -> None:
    """A night that clocks are put back, kilowatts, tenths of volts, Fahrenheit, decimal commas; moments and means by pandas."""
    truth = json.loads((DATA / "truth.json").read_text())
    made = ready(tmp_path, DATA / name, *NAMED, plant=ONE, unit="A1", zone=LONDON)
    readings = read_back(tmp_path, made)
    assert made.findings.left_open == {}
    assert len(readings) == truth["rows"]
    assert [r.at for r in (readings[0], readings[-1])] == [
        datetime.fromisoformat(truth[k]) for k in ("first", "last")
    ]
    volts = [r.battery.voltage_v for r in readings if r.battery.voltage_v is not None]
    assert min(volts) == truth["volts_least"]
    warm = [r.battery.temperature_c for r in readings if r.battery.temperature_c is not None]
    assert sum(warm) / len(warm) == pytest.approx(truth["temperature_c_mean"], abs=0.005)
    away = [r.at.isoformat() for r in readings if r.on_battery]
    assert (away[0], away[-1]) == (truth["away_from"], truth["away_until"])
    assert made.findings.discharges == 1
    line = readings[40].output.lines[0]
    assert line.apparent_va == pytest.approx((line.power_w or 0) / 0.95, rel=0.001)

    async with stores(tmp_path, ONE) as kept:
        await kept.takes.once()
        start = datetime.fromisoformat(truth["first"])
        points = len(truth["watts_1_by_quarter"])
        end = start + points * timedelta(minutes=15)
        buckets = await kept.history.series(
            "A1", "output_power_w", line=1, start=start, end=end, points=points
        )
        found = {b.start.isoformat(): b.mean for b in buckets}
        histories = kept.record.histories(end)
        (record,) = await kept.ledger.evidence("bank A1")
        assert len(await all_of(kept.history, "A1")) == truth["rows"]
    assert found == pytest.approx(truth["watts_1_by_quarter"], abs=0.06)
    assert histories[0].peak_w == pytest.approx(5500.0, rel=0.01)
    assert record.kind == "outage"


def test_the_hour_that_comes_twice_is_told_apart_by_going_back_and_left_open_where_it_stands_once(
    tmp_path: Path,
) -> None:
    header = "at,battery_voltage_v"
    night = ["00:30", "01:00", "01:30", "01:00", "01:30", "02:00"]
    rows = [f"2025-10-26 {clock},545.1" for clock in night]
    made = ready(tmp_path, written(tmp_path / "a.csv", header, rows), plant=ONE, unit="A1", zone=LONDON)
    hours = [r.at.strftime("%H:%M") for r in read_back(tmp_path, made)]
    assert hours == ["23:30", "00:00", "00:30", "01:00", "01:30", "02:00"]
    assert made.findings.left_open == {}

    once = [row for n, row in enumerate(rows) if n not in {3, 4}]
    made = ready(tmp_path, written(tmp_path / "b.csv", header, once), plant=ONE, unit="A1", zone=LONDON)
    assert made.findings.left_open == {"A1 2025-10-26": 2}


def test_an_hour_that_the_clock_never_shows_is_a_fault(tmp_path: Path) -> None:
    path = written(tmp_path / "a.csv", "at,battery_voltage_v", ["2026-03-29 01:15,545"])
    with pytest.raises(ConfigError) as error:
        ready(tmp_path, path, plant=ONE, unit="A1", zone=LONDON)
    assert "line 2, at: want a time that the clock of Europe/London shows" in faults_of(error)


def test_gaps_and_doubles_are_told(tmp_path: Path) -> None:
    at = datetime(2026, 3, 2, tzinfo=UTC)
    rows = [f"{at + timedelta(minutes=n):%Y-%m-%dT%H:%MZ},545.1" for n in (*range(60), *range(200, 260))]
    rows += [rows[3], rows[4].replace("545.1", "544")]
    made = ready(tmp_path, written(tmp_path / "a.csv", "at,battery_voltage_v", rows), plant=ONE, unit="A1")
    (gap,) = made.findings.gaps
    assert (gap.start, gap.length) == (at + timedelta(minutes=59), timedelta(minutes=141))
    assert (made.findings.doubles.same, made.findings.doubles.other) == (1, 1)
    assert {r.battery.voltage_v for r in read_back(tmp_path, made)} == {545.1}
    assert made.about.units[0].period_s == 60.0


@pytest.mark.parametrize(
    ("column", "value", "wanted"),
    [
        ("battery_voltage_v", "5452", "--column battery_voltage_v=battery_voltage_v:dV"),
        ("output_power_w_1", "4.1", "--column output_power_w_1=output_power_w_1:kW"),
        ("battery_temperature_c", "73", "--column battery_temperature_c=battery_temperature_c:F"),
        ("battery_temperature_c", "231", "--column battery_temperature_c=battery_temperature_c:dC"),
    ],
)
def test_figures_of_another_unit_are_refused_with_the_remedy_and_taken_when_somebody_says_so(
    tmp_path: Path, column: str, value: str, wanted: str
) -> None:
    rows = [f"2026-03-02T{hour:02}:00Z,{value}" for hour in range(24)]
    path = written(tmp_path / "a.csv", f"at,{column}", rows)
    with pytest.raises(ConfigError) as error:
        ready(tmp_path, path, plant=ONE, unit="A1")
    assert wanted in faults_of(error)
    assert waiting(tmp_path) == []
    remedy = wanted.removeprefix("--column ")
    assert ready(tmp_path, path, remedy, plant=ONE, unit="A1").findings.odd == []
    own = {"battery_voltage_v": "V", "output_power_w_1": "W", "battery_temperature_c": "C"}[column]
    said = ready(tmp_path, path, f"{column}={column}:{own}", plant=ONE, unit="A1")
    assert len(said.findings.odd) == 1


def test_every_fault_is_named_with_its_line_and_nothing_is_left(tmp_path: Path) -> None:
    rows = [
        "A9,2026-03-02T00:00Z,545,normal",
        "A1,yesterday,545,normal",
        "A1,2027-03-02T00:00Z,545,normal",
        "A1,2026-03-02T00:00Z,5x5,normal",
        "A1,2026-03-02T00:01Z,545,elsewhere",
    ]
    path = written(tmp_path / "a.csv", "unit,at,battery_voltage_v,output_source", rows)
    with pytest.raises(ConfigError) as error:
        ready(tmp_path, path)
    told = faults_of(error)
    for line, what in ((2, "unit"), (3, "at"), (4, "at"), (5, "battery_voltage_v"), (6, "output_source")):
        assert f"line {line}, {what}: want" in told
    assert list((tmp_path / "imports").iterdir()) == []


@pytest.mark.parametrize(
    ("header", "said", "wanted"),
    [
        ("when,battery_voltage_v", (), "a column of times"),
        ("at,battery_voltage_v", ("battery_volts=x",), "nearest known: 'battery_voltage_v'"),
        ("at,Ubat", ("battery_voltage_v=Ubatt",), "nearest known: 'Ubat'"),
        ("at,Ubat", ("battery_voltage_v=Ubat:kW",), "for battery_voltage_v one of V, dV"),
        ("at,VA1", ("output_apparent_va_1=VA1",), "output_voltage_v_1 beside output_apparent_va_1"),
        ("at,other", (), "a column with a quantity"),
    ],
)
def test_a_map_that_does_not_fit_says_what_is_wanted(
    tmp_path: Path, header: str, said: tuple[str, ...], wanted: str
) -> None:
    path = written(tmp_path / "a.csv", header, [])
    with pytest.raises(ConfigError) as error:
        ready(tmp_path, path, *said, plant=ONE, unit="A1")
    assert wanted in faults_of(error)


def test_of_two_columns_on_what_feeds_the_output_the_one_that_knows_more_counts_where_it_says_something(
    tmp_path: Path,
) -> None:
    rows = [
        "2026-03-02T13:00:00Z,battery,1,500", "2026-03-02T13:01:00Z,,1,499", "2026-03-02T13:02:00Z,bypass,0,540",
        "2026-03-02T13:03:00Z,normal,1,541", "2026-03-02T13:04:00Z,normal,,541",
    ]  # fmt: skip
    for header in (
        "at,output_source,on_battery,battery_voltage_v",
        "at,on_battery,output_source,battery_voltage_v",
    ):
        swap = header.startswith("at,on")
        cells = [",".join((r[0], r[2], r[1], r[3]) if swap else r) for r in (row.split(",") for row in rows)]
        made = ready(tmp_path, written(tmp_path / f"{swap}.csv", header, cells), plant=ONE, unit="A1")
        sources = [str(r.output.source) for r in read_back(tmp_path, made)]
        assert sources == ["battery", "battery", "bypass", "normal", "normal"]
        assert made.findings.contradicted == 1


def test_times_may_be_numbers_or_in_a_form_of_their_own(tmp_path: Path) -> None:
    at = datetime(2026, 3, 2, 13, 45, tzinfo=UTC)
    form = "%d.%m.%Y %H:%M"
    for cell, column, how in (
        (f"{at.timestamp():.0f}", "at=at:s", None),
        (f"{1000 * at.timestamp():.0f}", "at=at:ms", None),
        ("02.03.2026 13:45", "at=at", form),
        ("2026-03-02T14:45:00+01:00", "at=at", None),
    ):
        path = written(tmp_path / "a.csv", "at,battery_voltage_v", [f"{cell},545"])
        made = ready(tmp_path, path, column, plant=ONE, unit="A1", zone=LONDON, form=how)
        assert [r.at for r in read_back(tmp_path, made)] == [at]


@pytest.mark.parametrize(("volts", "stands"), [("545", True), ("545.{n}", False)])
def test_volts_that_stand_still_are_told(tmp_path: Path, volts: str, stands: bool) -> None:
    rows = [
        f"2026-03-02T{n // 60:02}:{n % 60:02}:00Z,normal,{volts.format(n=n % 3)},4000,4000,4000"
        for n in range(90)
    ]
    header = "at,output_source,battery_voltage_v,output_power_w_1,output_power_w_2,output_power_w_3"
    made = ready(tmp_path, written(tmp_path / "past.csv", header, rows), unit="A1")
    found = [(one.unit, one.volts, one.readings, one.at) for one in made.findings.still]
    assert found == ([("A1", 545.0, 90, None)] if stands else [])


@pytest.mark.parametrize("falls", [0.0, 0.2])
def test_volts_that_stand_still_while_the_bank_gives_are_told(tmp_path: Path, falls: float) -> None:
    rows = []
    for n in range(120):
        gives = 40 <= n < 70
        volts = 490.0 - falls * n if gives else 545.0 + n % 3
        source = "battery" if gives else "normal"
        rows.append(f"2026-03-02T{n // 60:02}:{n % 60:02}:00Z,{source},{volts:.1f},4000,4000,4000")
    header = "at,output_source,battery_voltage_v,output_power_w_1,output_power_w_2,output_power_w_3"
    made = ready(tmp_path, written(tmp_path / "past.csv", header, rows), unit="A1")
    assert made.findings.discharges == 1
    assert [(one.unit, one.volts) for one in made.findings.still] == ([] if falls else [("A1", 490.0)])
