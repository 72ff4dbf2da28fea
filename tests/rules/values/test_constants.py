"""One truth for each constant: written in one place, and right by a law that does not know it."""

from __future__ import annotations

import ast
from collections import defaultdict
from math import erf, sqrt
from pathlib import Path

import pytest

from rules.values import constants

ROOT = Path(__file__).parents[3]
OWN = ROOT / "rules" / "values" / "constants.py"
OF_ITS_OWN = ROOT / "collector" / "simulation" / "plant" / "battery.py"
"""The simulated battery has physics of its own: it is what the rules are tested against."""


def modules() -> list[Path]:
    found = [p for root in ("rules", "collector", "api") for p in (ROOT / root).rglob("*.py") if p != OWN]
    assert len(found) > 300
    return [p for p in found if p not in {OF_ITS_OWN, ROOT / "rules/battery/discharge/curve/prior_table.py"}]


def test_no_other_module_writes_a_number_of_nature_or_of_the_calendar() -> None:
    single = (
        constants.GAS_CONSTANT,
        constants.ZERO_C,
        constants.DAYS_A_YEAR,
        constants.Z_90,
        constants.SD_90,
    )
    again = [
        f"{path.relative_to(ROOT)}:{node.lineno}: {node.value}"
        for path in modules()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant)
        and isinstance(node.value, float)
        and any(abs(node.value - one) < 2e-4 * one for one in single)
    ]
    assert not again


def test_no_public_constant_of_the_rules_is_written_twice_with_one_value() -> None:
    places: dict[tuple[str, str], list[str]] = defaultdict(list)
    for path in modules():
        if path.relative_to(ROOT).parts[0] != "rules":
            continue
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name) and node.value:
                name = node.target.id.lstrip("_")
                if name.isupper():
                    places[name, ast.unparse(node.value)].append(str(path.relative_to(ROOT)))
    assert not {name: where for (name, _), where in places.items() if len(where) > 1}


def test_ninety_percent_of_the_normal_law_lie_within_the_interval() -> None:
    assert erf(constants.Z_90 / sqrt(2.0)) == pytest.approx(0.90, abs=1e-12)
    assert erf(constants.SD_90 / 2.0 / sqrt(2.0)) == pytest.approx(0.90, abs=1e-12)


def test_a_year_is_the_mean_of_four_with_one_leap_day() -> None:
    assert pytest.approx((3 * 365 + 366) / 4) == constants.DAYS_A_YEAR
    assert pytest.approx(1461 * 24 / 4) == constants.HOURS_A_YEAR
    assert pytest.approx(1461 * 86_400 / 4) == constants.SECONDS_A_YEAR


def test_a_mole_of_gas_at_the_ice_point_takes_what_is_measured() -> None:
    # 22.414 l at 0 degC and 101325 Pa
    assert pytest.approx(0.022414, rel=1e-4) == constants.GAS_CONSTANT * constants.ZERO_C / 101_325.0
