"""What a file may say and hardly any plant is: named with its line, the figure and the remedy."""

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from collector.configuration import ConfigError, load_text

Faults = Callable[[str], list[str]]

SET = '[[generator]]\nid = "g"\nrating_w = {}\n'
GROUPS = """
[[load_group]]
id = "x"
system = "A"
watts = [5000, 6000, 5500]
importance = 1
[[load_group]]
id = "y"
system = "A"
watts = [3000, 2500, 3000]
importance = 2
"""


def warnings(text: str, estate: Path) -> list[str]:
    told = load_text(text, estate).warnings
    return [
        f"{w.place}: want {w.want}; got {w.got}" for w in told if not w.place.startswith(("watch.", "person"))
    ]


@pytest.mark.parametrize(
    ("right", "wrong", "fault"),
    [
        (
            "rating_va = 30000",
            "rating_va = 40",
            "rating_va: want VA, 300 or more: kVA times 1000, as 40_000; got 40",
        ),
        (
            "rating_w = 27000",
            "rating_w = 27",
            "rating_w: want W, 300 or more: kW times 1000, as 27_000; got 27",
        ),
        (
            "rating_w = 27000",
            "rating_w = 2700",
            "rating_w: want watts between 0.4 and 1 times rating_va (30_000)",
        ),
        (
            "rating_va = 30000",
            "rating_va = 30_000_000",
            "rating_va: want VA, at most 4_000_000 in one cabinet",
        ),
        (
            "from = 2020-01-01\nmodel",
            "from = 0020-01-01\nmodel",
            "fitted#1.from: want a year with four figures",
        ),
    ],
)
def test_a_figure_that_no_cabinet_has_is_a_fault(
    right: str, wrong: str, fault: str, small: str, faults: Faults
) -> None:
    assert right in small
    assert any(
        f"unit.A1.fitted#1.{fault}".replace("fitted#1.fitted#1", "fitted#1") in f
        for f in faults(small.replace(right, wrong))
    )


def test_the_fault_stands_on_the_line_of_its_file_as_it_was_named(small: str, estate: Path) -> None:
    text = small.replace("rating_va = 30000", "rating_va = 40")
    with pytest.raises(ConfigError) as caught:
        load_text(text, estate)
    line = text.splitlines().index("rating_va = 40") + 1
    assert str(caught.value.faults[0]).startswith(f"{estate}:{line}: unit.A1.fitted#1.rating_va: want ")


def test_blocks_that_equal_the_cells_are_a_fault_where_the_bank_could_not_carry_its_unit(
    small: str, faults: Faults
) -> None:
    (found,) = faults(small.replace("cells_in_series = 240", "cells_in_series = 40"))
    assert "bank.b1.fitted#1.blocks: want the cells and the blocks, which differ" in found
    assert "40 blocks of 12 V are cells_in_series = 240" in found
    # 27 kW / 0.94 / (40 cells x 1.67 V)
    assert (
        "got 40 blocks for 40 cells: blocks of 2 V with 9 Ah, which would have to give 430 A at the rating"
        in found
    )


def test_cells_given_as_blocks_are_a_warning_with_both_remedies(small: str, estate: Path) -> None:
    (found,) = warnings(small.replace("blocks = 40", "blocks = 240"), estate)
    assert found.startswith("bank.b1.fitted#1.blocks: want the cells and the blocks, which differ")
    assert "240 cells are blocks = 40" in found


def test_a_bank_of_single_cells_of_a_size_that_is_made_is_in_order(small: str, estate: Path) -> None:
    large = small.replace("blocks = 40", "blocks = 240").replace(
        "rated_capacity_ah = 9.0", "rated_capacity_ah = 200.0"
    )
    assert warnings(large, estate) == []


def test_volts_that_no_cabinet_of_the_size_has_are_told(small: str, estate: Path, faults: Faults) -> None:
    low = small.replace("cells_in_series = 240", "cells_in_series = 36").replace("blocks = 40", "blocks = 6")
    (found,) = warnings(low, estate)
    assert found.startswith("bank.b1.cells_in_series: want the cells in series, not the blocks")
    assert found.endswith("got 36, which is 72 V")
    high = small.replace("cells_in_series = 240", "cells_in_series = 600").replace(
        "blocks = 40", "blocks = 100"
    )
    assert any("cells_in_series: want at most 500: one string" in f for f in faults(high))


def test_days_to_come_are_faults_for_whoever_names_the_day(small: str, estate: Path) -> None:
    text = small.replace("from = 2020-01-01\nmodel", "from = 2028-01-01\nmodel").replace(
        "from = 2020-01-01\ntype", "from = 2020-01-01\nuntil = 2027-05-01\ntype"
    )
    with pytest.raises(ConfigError) as caught:
        load_text(text, estate, date(2026, 11, 30))
    assert [(f.place, f.got) for f in caught.value.faults] == [
        ("unit.A1.fitted#1.from", "2028-01-01"),
        ("bank.b1.fitted#1.until", "2027-05-01"),
    ]
    assert caught.value.faults[0].want.startswith("the day it was put in, today (2026-11-30) at the latest")
    load_text(text, estate)  # a service whose clock may be wrong runs all the same
    load_text(small, estate, date(2026, 11, 30))


@pytest.mark.parametrize(("rating_w", "warned"), [(30_000, True), (31_900, True), (32_000, False)])
def test_a_set_carries_the_units_and_charges_their_banks(
    rating_w: int, warned: bool, small: str, estate: Path
) -> None:
    text = small.replace(
        'site = "s"\n[[system]]', f'site = "s"\ngenerator = "g"\n{SET.format(rating_w)}[[system]]'
    )
    found = warnings(text.replace("rated_capacity_ah = 9.0", "rated_capacity_ah = 90.0"), estate)
    assert bool(found) == warned
    if warned:
        # 0.1 x 90 Ah x 240 cells x 2.27 V
        assert found[0].startswith("generator.g.rating_w: want 31_903 or more: 27_000 W that the units")
        assert "4_903 W to charge" in found[0]
        assert found[0].endswith(f"got {rating_w:_}")


def test_a_set_in_kilowatts_is_a_fault(small: str, faults: Faults) -> None:
    (found,) = faults(small + SET.format(400))
    assert "generator.g.rating_w: want watts, 1_000 or more: kW times 1000, as 400_000; got 400" in found


def test_the_spare_unit_is_no_load_of_the_set(small: str, estate: Path) -> None:
    second = small[small.index("[[unit]]") :].replace("A1", "A2").replace("c1", "c2").replace("b1", "b2")
    pair = small.replace("spare_units = 0", "spare_units = 1") + second.replace("192.0.2.1", "192.0.2.2")
    text = pair.replace(
        'site = "s"\n[[system]]', f'site = "s"\ngenerator = "g"\n{SET.format(30_000)}[[system]]'
    )
    assert warnings(text, estate) == []


def test_load_groups_above_the_rating_of_their_system_are_told_by_line(small: str, estate: Path) -> None:
    assert warnings(small + GROUPS, estate) == []
    (found,) = warnings(small + GROUPS.replace("3000, 2500, 3000", "3000, 3500, 3000"), estate)
    assert found.startswith("system.A.load_groups: want load groups that sum to at most 9_000 W on line 2")
    assert found.endswith("got 9_500 W: x, y")


def test_two_figures_for_three_lines_are_told(small: str, estate: Path) -> None:
    (found,) = warnings(small + GROUPS.replace("3000, 2500, 3000", "3000, 2500"), estate)
    assert found == (
        "load_group.y.watts: want 3 figures, one for each line of system 'A'; 0 on a line that carries none of it; "
        "got 2: [3000, 2500]"
    )


def test_a_partner_that_stands_elsewhere_is_told(small: str, estate: Path) -> None:
    other = small[small.index("[[system]]") :].replace('"A"', '"B"').replace("A1", "B1").replace("c1", "c2")
    other = (
        other.replace("b1", "b2")
        .replace('"s"', '"t"')
        .replace('"m"', '"n"')
        .replace("192.0.2.1", "192.0.2.2")
    )
    places = '[[site]]\nid = "t"\nname = "T"\ntime_zone = "Europe/Paris"\n[[supply]]\nid = "n"\nsite = "t"\n'
    (found,) = warnings(
        small.replace("spare_units = 0", 'spare_units = 0\npartner = "B"') + places + other, estate
    )
    assert found.startswith("system.A.partner: want a system at site 's'")
    assert found.endswith("got 'B', which stands at 't'")
