"""Evidence from outside: logs, hand-measured blocks, replacements and visits."""

from datetime import UTC, date, datetime

import pytest

from collector.assessment.equipment import file_behind
from collector.assessment.evidence_files import (
    block_values,
    done_by,
    imported_blocks,
    imported_discharge,
    lines_to_change,
    read_log,
    replaced,
    visited,
)
from collector.configuration import ConfigError
from collector.storage.ledger.discharge_record import from_evidence
from rules.planning.programme.programme import Job
from rules.plant.estate import (
    Bank,
    Card,
    Estate,
    FittedBank,
    FittedUnit,
    Generator,
    Site,
    Supply,
    System,
    Unit,
)

AT = datetime(2024, 5, 17, 9, 30, tzinfo=UTC)
NOW = datetime(2025, 1, 1, tzinfo=UTC)
ESTATE = Estate(
    sites={"s": Site("s", "S", "UTC")},
    supplies={"m": Supply("m", "s", "set")},
    generators={"set": Generator("set", 1e5, 5, 3, 15, 15, 10, 5)},
    systems={"A": System("A", "A", "s", "m")},
    units={"A1": Unit("A1", "A", 1, (1,), (FittedUnit(date(2020, 1, 1), None, "X", 30_000.0, 27_000.0),))},
    cards={"c": Card("c", ("A1",))},
    banks={"b1": Bank("b1", ("A1",), 18, 1, (FittedBank(date(2020, 1, 1), None, "T 9", 3, 1.67),))},
)
LOG = "T_S,Output_Power_W,bank_current_a,BANK_VOLTAGE_V\n0,,-3,40.5\n10,900,24,37.0\n20,900,24.5,\n\n30,900,25,35.1\n"


def faults(error: pytest.ExceptionInfo[ConfigError]) -> list[str]:
    return [str(fault) for fault in error.value.faults]


def test_a_log_is_read_with_columns_in_any_order_and_case() -> None:
    rows = read_log(LOG, "t.csv")
    assert [r.t_s for r in rows] == [0.0, 10.0, 20.0, 30.0]
    assert [r.voltage_v for r in rows] == [40.5, 37.0, None, 35.1]
    assert [r.on_battery for r in rows] == [False, True, True, True]
    assert rows[0].output_power_w is None
    assert rows[0].temperature_c is None


def test_a_log_with_the_other_sign_of_current_is_turned_round() -> None:
    turned = (
        LOG.replace(",24,", ",-24,")
        .replace(",24.5,", ",-24.5,")
        .replace(",25,", ",-25,")
        .replace(",-3,", ",3,")
    )
    assert read_log(turned, "t.csv") == read_log(LOG, "t.csv")


def test_every_fault_of_a_log_is_told_with_its_line() -> None:
    with pytest.raises(ConfigError) as caught:
        read_log("t_s,bank_voltage_v\n0,40\n10,forty\n10,nan\n5,39\n7\n", "t.csv")
    assert faults(caught) == [
        "t.csv: line 6: want 2 cells; got 1",
        "t.csv: line 3, bank_voltage_v: want a finite number; got 'forty'",
        "t.csv: line 4, bank_voltage_v: want a finite number; got 'nan'",
        "t.csv: line 4, t_s: want more than the line before (10); got 10",
        "t.csv: line 5, t_s: want more than the line before (10); got 5",
    ]


def test_a_misspelt_column_is_told_with_the_nearest_known() -> None:
    with pytest.raises(ConfigError) as caught:
        read_log("time,bank_volts_v\n0,40\n", "t.csv")
    assert "nearest known: 'bank_voltage_v'" in faults(caught)[1]
    assert faults(caught)[-1] == "t.csv: line 1: want a column t_s; got none"


@pytest.mark.parametrize("text", ["", "t_s\n", "t_s,bank_voltage_v\n0,40\n"])
def test_a_log_without_rows_is_a_fault(text: str) -> None:
    with pytest.raises(ConfigError):
        read_log(text, "t.csv")


def test_an_imported_test_is_evidence_with_date_and_author() -> None:
    line = imported_discharge(ESTATE, "b1", AT, "Ada Fenn", text=LOG, name="t.csv", kind="acceptance")
    assert (line.kind, line.author, line.at) == ("acceptance", "Ada Fenn", AT)
    record = from_evidence(line)
    assert (record.started_s, record.ended_s) == (10.0, 30.0)
    assert line.until is not None


def test_an_import_for_an_unknown_bank_or_an_empty_place_is_a_fault() -> None:
    with pytest.raises(ConfigError, match="nearest known: 'b1'"):
        imported_discharge(ESTATE, "b2", AT, "Ada", text=LOG, name="t.csv")
    with pytest.raises(ConfigError, match="a day on which blocks were fitted in b1; got 2019-01-01"):
        imported_discharge(ESTATE, "b1", datetime(2019, 1, 1, tzinfo=UTC), "Ada", text=LOG, name="t.csv")


def test_a_log_without_any_power_is_refused_since_nothing_can_be_judged_by_it() -> None:
    for text in (
        "t_s,bank_voltage_v\n0,40\n9,39\n",
        "t_s,bank_voltage_v,bank_current_a,output_power_w\n0,40,,\n9,39,,\n",
    ):
        with pytest.raises(ConfigError, match="rows with bank_current_a or output_power_w"):
            read_log(text, "t.csv")


def test_a_log_in_which_nothing_flows_is_no_discharge() -> None:
    with pytest.raises(ConfigError, match="rows in which the bank gives current"):
        imported_discharge(ESTATE, "b1", AT, "Ada", text="t_s,bank_current_a\n0,0\n9,0\n", name="t.csv")


def test_hand_measured_blocks_are_kept_by_name_and_conductance_as_resistance() -> None:
    text = "block,voltage_v,conductance_s\n1,13.5,200\n2,13.4,\n3,,250\n"
    values = block_values(imported_blocks(ESTATE, "b1", AT, "Ada", text=text, name="b.csv"))
    assert values.voltage_v == {"1": 13.5, "2": 13.4}
    assert values.resistance_ohm == {"1": pytest.approx(1 / 200), "3": pytest.approx(1 / 250)}
    assert values.author == "Ada"


def test_every_fault_of_a_block_list_is_told() -> None:
    text = "block,voltage_v\n1,13.5\n1,-2\n2,135\n3,13\n4,13\n"
    with pytest.raises(ConfigError) as caught:
        imported_blocks(ESTATE, "b1", AT, "Ada", text=text, name="b.csv")
    assert faults(caught) == [
        "b.csv: line 3, block: want a name of its own; got '1'",
        "b.csv: line 3, voltage_v: want more than 0; got -2",
        "b.csv: line 4, voltage_v: want volts of one block, at most 20; got 135",
        "b.csv: file: want at most the bank's 3 blocks; got 4",
    ]


def test_a_replacement_is_dated_and_says_which_lines_to_change() -> None:
    event = replaced(ESTATE, "b1", AT, "Ada", NOW, what="T 12")
    assert (event.kind, event.about, event.author) == ("replaced", "b1", "Ada")
    lines = lines_to_change(ESTATE, event)
    assert "until = 2024-05-17" in lines
    assert 'type = "T 12"' in lines
    assert 'model = "X"' in lines_to_change(ESTATE, replaced(ESTATE, "A1", AT, "Ada", NOW))


def test_until_file_and_event_agree_the_file_is_behind() -> None:
    event = replaced(ESTATE, "b1", AT, "Ada", NOW)
    assert len(file_behind(ESTATE, [event, visited(ESTATE, "A1", AT, "Ada", NOW)])) == 1
    agreed = replaced(ESTATE, "b1", datetime(2020, 1, 1, 8, tzinfo=UTC), "Ada", NOW)
    assert file_behind(ESTATE, [agreed]) == ()


def test_an_event_in_the_future_or_of_an_unknown_place_is_a_fault() -> None:
    with pytest.raises(ConfigError, match="no later than now"):
        replaced(ESTATE, "b1", datetime(2026, 1, 1, tzinfo=UTC), "Ada", NOW)
    with pytest.raises(ConfigError, match="nearest known: 'A1'"):
        replaced(ESTATE, "A2", AT, "Ada", NOW)
    with pytest.raises(ConfigError, match="the id of a unit or a bank"):
        replaced(ESTATE, "set", AT, "Ada", NOW)
    assert visited(ESTATE, "set", AT, "Ada", NOW, note="oil").body == {"note": "oil"}


def test_what_a_visit_renewed_is_work_done_and_only_a_unit_has_fans() -> None:
    event = visited(ESTATE, "A1", AT, "Ada", NOW, renewed=("fans",))
    assert [(item.job, item.about, item.day) for item in done_by([event])] == [
        (Job.VISIT, "A1", AT.date()),
        (Job.FANS, "A1", AT.date()),
    ]
    with pytest.raises(ConfigError, match="renewed"):
        visited(ESTATE, "set", AT, "Ada", NOW, renewed=("fans",))
