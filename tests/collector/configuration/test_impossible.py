"""Data that physics excludes are faults."""

from collections.abc import Callable

import pytest

Faults = Callable[[str], list[str]]


@pytest.mark.parametrize(
    ("right", "wrong", "fault"),
    [
        ("rating_w = 27000", "rating_w = 33000", "unit.A1.fitted#1.rating_w: want at most rating_va (30000)"),
        ("rating_w = 27000", "rating_w = 0", "unit.A1.fitted#1.rating_w: want more than 0; got 0"),
        ("rating_w = 27000", "rating_w = inf", "unit.A1.fitted#1.rating_w: want a finite number"),
        ("rating_w = 27000", "rating_w = true", "unit.A1.fitted#1.rating_w: want a number; got true"),
        ('system = "A"', 'system = "A"\nline_order = [1, 1, 2]', "unit.A1.line_order: want 3 different"),
        ('system = "A"', 'system = "A"\nline_order = [1, 2]', "unit.A1.line_order: want 3 different"),
        ('system = "A"', 'system = "A"\nline_order = [1, 2, 4]', "unit.A1.line_order: want 3 different"),
        ('system = "A"', 'system = "A"\noutput_lines = 4', "unit.A1.output_lines: want 3 or less; got 4"),
        ("blocks = 40", "blocks = 48", "bank.b1.fitted#1.blocks: want all blocks of the bank: 240 cells"),
        (
            "blocks = 40",
            "blocks = 40\nend_voltage_per_cell_v = 10.0",
            "end_voltage_per_cell_v: want 1.9 or less",
        ),
        (
            "blocks = 40",
            "blocks = 40\nend_voltage_per_cell_v = 1.4",
            "end_voltage_per_cell_v: want 1.5 or more",
        ),
        (
            "cells_in_series = 240",
            "cells_in_series = 240\nvoltage_reported = 'half'",
            "bank.b1.voltage_reported",
        ),
        # 30 min at 12 W are 6 Wh, 10 min at 43 W already 7.2 Wh
        ("[30, 19.5]", "[30, 12.0]", "want watts times minutes that does not fall as the time grows"),
        ("[30, 19.5]", "[30, 43.0]", "want fewer watts at 30 minutes than at 10 (43); got 43"),
        ("[30, 19.5]", "[10, 19.5]", "want one row for 10 minutes; got two"),
        # 9 Ah x 2 V x 1.5 = 27 Wh; 30 min at 42 W are 21, 42 W for 60 minutes 42
        (
            "[30, 19.5]",
            "[60, 42.0]",
            "want at most 1.5 x rated_capacity_ah x 2 V = 27 Wh per cell (watts are per cell: of a table "
            "per block divide by its cells); got 42 Wh",
        ),
        ("[30, 19.5]", "[30]", "bank.b1.fitted#1.constant_power#3#2: want this setting; got nothing"),
        ("from = 2020-01-01", "from = 2020-01-01\nuntil = 2019-01-01", "until: want a day after 2020-01-01"),
        ("from = 2020-01-01", 'from = "2020-01-01"', "want a date without quotes"),
    ],
)
def test_an_impossible_value_is_a_fault(
    right: str, wrong: str, fault: str, small: str, faults: Faults
) -> None:
    assert right in small
    assert fault in "\n".join(faults(small.replace(right, wrong, 1)))


def test_blocks_of_two_to_twelve_volts_fill_a_bank(small: str, faults: Faults) -> None:
    # 240 cells make 240, 120, 80, 60 or 40 blocks; 24 of 20 V are made by nobody
    assert "make 240, 120, 80, 60, 40 blocks" in faults(small.replace("blocks = 40", "blocks = 24"))[0]


SECOND = """
[[unit.fitted]]
from = {day}
model = "Y"
rating_va = 30000
rating_w = 27000
"""


def test_two_cabinets_are_never_in_one_position_at_once(small: str, faults: Faults) -> None:
    first = small.replace("from = 2020-01-01", "from = 2020-01-01\nuntil = 2022-06-01", 1)
    text = first.replace("[[card]]", SECOND.format(day="2022-05-31") + "[[card]]")
    (found,) = faults(text)
    assert "unit.A1.fitted#2.from: want 2022-06-01 or later" in found


def test_only_the_last_cabinet_may_still_be_there(small: str, faults: Faults) -> None:
    (found,) = faults(small.replace("[[card]]", SECOND.format(day="2022-05-31") + "[[card]]"))
    assert "unit.A1.fitted#1.until: want a day, since another follows; got nothing" in found


def test_two_tables_for_one_end_voltage_contradict(small: str, faults: Faults) -> None:
    table = "[[bank.fitted.constant_power_at]]\nend_voltage_per_cell_v = 1.67\nminutes_watts = [[5, 60.0], [9, 40.0]]\n"
    (found,) = faults(small + table)
    assert "constant_power_at: want one table for each end voltage; got two for the same" in found
