"""What the volts of a discharge were expected to be: by what was believed of the bank, not by the volts."""

from dataclasses import replace

import numpy as np
import pytest

from rules.battery.discharge.expected import Beside, ExpectedCourse, expected_course
from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.model.health import BankBelief, nothing_used
from rules.values.verdict import Basis
from tests.rules.battery.discharge.test_capacity import NOW, TRUTH, battery, read

SIMULATED = ["develop_02.csv", "develop_06.csv", "develop_21.csv", "develop_11.csv"]


def belief(name: str, health: float | None = None) -> BankBelief:
    """Return a belief about a simulated bank: its true health, to five points, unless another is given."""
    own, truth = battery(name), TRUTH[name]
    assert own.curve is not None
    middle = float(truth["capacity_fraction_at_rate_25C"]) if health is None else health
    # the truth is that of its own rate, so the draws do not turn with the rate
    return BankBelief(
        bank=name, as_of=NOW, basis=Basis.TESTED, curve=own.curve, cells=own.cells, strings=1,
        health=np.random.default_rng(1).normal(middle, 0.05, 1000), health_slope=np.zeros(1000), anchor_s=3600.0,
        used=nothing_used(1000), temperature_c=25.0, loss_fixed_w=0.0, loss_share=0.07,
    )  # fmt: skip


def part_of(name: str, depth: float) -> DischargeLog:
    return read(name).until(depth * float(TRUTH[name]["t_end_true_s"]))


def expected(
    name: str, log: DischargeLog, health: float | None = None, missing: tuple[float, ...] = ()
) -> ExpectedCourse:
    found = expected_course(log, battery(name), (), belief(name, health), missing, seed=3)
    assert found is not None
    return found


@pytest.mark.parametrize("depth", [0.3, 0.8])
@pytest.mark.parametrize("name", SIMULATED)
def test_a_bank_that_is_as_it_was_believed_keeps_to_its_band(name: str, depth: float) -> None:
    log = part_of(name, depth)
    band = expected(name, log)
    read_v = np.interp(band.t_s, log.t_s, log.bank_voltage_v)
    within = (read_v >= band.low_v) & (read_v <= band.high_v)
    assert np.mean(within) >= 0.8
    assert band.beside is Beside.WITHIN
    assert max(np.subtract(band.high_v, band.low_v)) < 0.12 * max(band.high_v)


def test_a_bank_that_was_taken_for_a_better_one_leaves_its_band_at_the_knee() -> None:
    name = "develop_02.csv"
    band = expected(
        name, part_of(name, 0.97), health=1.3 * float(TRUTH[name]["capacity_fraction_at_rate_25C"])
    )
    assert band.beside is Beside.UNDER
    assert band.read_v < band.low_v[-1] < band.median_v[-1] < band.high_v[-1]


def test_what_is_expected_hangs_on_the_power_and_not_on_the_volts() -> None:
    name = "develop_02.csv"
    log = part_of(name, 0.5)
    power = log.bank_voltage_v * log.bank_current_a
    lower = replace(
        log, bank_voltage_v=log.bank_voltage_v - 6.0, bank_current_a=power / (log.bank_voltage_v - 6.0)
    )
    band, same = expected(name, log), expected(name, lower)
    assert same.median_v == pytest.approx(band.median_v, abs=0.6)
    assert same.read_v == pytest.approx(band.read_v - 6.0, abs=0.1)


def test_a_bank_that_was_not_full_is_expected_lower() -> None:
    name = "develop_02.csv"
    log = part_of(name, 0.5)
    full, half = expected(name, log), expected(name, log, missing=(0.25, 0.3))
    assert half.median_v[-1] < full.median_v[-1]
    assert half.low_v[0] < full.low_v[0]


def test_nothing_is_expected_where_nothing_was_known_or_hardly_anything_drawn() -> None:
    name = "develop_02.csv"
    unknown = replace(belief(name), basis=Basis.NONE)
    assert expected_course(part_of(name, 0.5), battery(name), (), unknown, (), seed=3) is None
    few = read(name).until(float(read(name).t_s[2]))
    assert expected_course(few, battery(name), (), belief(name), (), seed=3) is None
