"""A maker's table as people paste it: read in each of its forms, held to the same as the estate file's."""

from dataclasses import replace
from datetime import date

import pytest

from collector.configuration import ConfigError
from collector.planning.pasted_table import file_line, pasted_table
from rules.plant.estate import FittedBank, PowerTable

FITTED = FittedBank(date(2021, 1, 1), None, "Fern 12", 40, 1.67, 9.0, 20.0)
ROWS = ((5.0, 66.0), (10.0, 43.0), (15.0, 33.0), (30.0, 19.5))


@pytest.mark.parametrize(
    "text",
    [
        "constant_power = [[5, 66.0], [10, 43.0], [15, 33.0], [30, 19.5]]   # of the sheet",
        "[[5, 66.0],\n [10, 43.0],\n [15, 33.0], [30, 19.5]]",
        "5 66.0\n10 43.0\n15 33.0\n30 19.5\n",
        "5;66,0\n10;43,0\n15;33,0\n30;19,5",
        "5,66\n10,43\n15,33\n30,19.5",
        "Time  W/cell\n5 min\t66 W\n10 min\t43 W\n15 min\t33 W\n0.5 h\t19.5 W",
        "5 min 10 min 15 min 30 min\n66 43 33 19.5",
        "30 19.5\n15 33\n10 43\n5 66\n",
    ],
)
def test_a_table_is_read_as_it_is_copied(text: str) -> None:
    printed = pasted_table(text, FITTED)
    assert printed.constant_power == (PowerTable(1.67, ROWS),)
    assert file_line(printed) == "constant_power = [[5, 66], [10, 43], [15, 33], [30, 19.5]]"
    assert pasted_table(file_line(printed), FITTED) == printed


def test_a_table_in_watts_per_block_is_divided_by_its_cells_and_taken_for_one_per_cell_it_is_refused() -> (
    None
):
    block = "5 396\n10 258\n15 198\n30 117"
    assert pasted_table(block, FITTED, cells=6).constant_power == (PowerTable(1.67, ROWS),)
    with pytest.raises(ConfigError, match="per block divide by its cells"):
        pasted_table(block, FITTED)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("5 66\n10 70\n", "fewer watts at 10 minutes"),
        ("5 66\n10 20\n", "watts times minutes"),
        ("5 66\n", "2 or more pairs"),
        ("", "2 or more pairs"),
        ("5 400\n10 390\n", "1.5 x rated_capacity_ah"),  # per block of six cells, not per cell
        ("5 66\n10 43 2\n", "line 2"),
        ("5 66\nand so on\n10 43", "line 2"),
        ("-5 66\n10 43", "constant_power"),
        ("[[5, 66], [10]]", "pair 2"),
    ],
)
def test_a_table_that_none_can_be_is_refused_with_its_place(text: str, says: str) -> None:
    with pytest.raises(ConfigError, match=says):
        pasted_table(text, FITTED)


def test_what_is_declared_for_other_end_voltages_stays() -> None:
    higher, old = PowerTable(1.75, ((5.0, 60.0), (10.0, 40.0))), PowerTable(1.67, ((5.0, 50.0), (10.0, 30.0)))
    printed = pasted_table("5 66\n10 43", replace(FITTED, constant_power=(old, higher)))
    assert printed.constant_power == (PowerTable(1.67, ROWS[:2]), higher)
