import numpy as np
import pytest

from rules.battery.discharge.record.clean_discharge import Battery, CleanDischarge
from rules.battery.discharge.resistance import (
    coup_de_fouet,
    resistance_drift,
    resistance_ohm,
    weak_blocks_suspected,
)

BATTERY = Battery(240, 1, 1.70, None)


def discharge(t: np.ndarray, bank_v: np.ndarray, amps: np.ndarray) -> CleanDischarge:
    return CleanDischarge(
        t_s=t,
        voltage_v=bank_v / 240.0,
        power_w=bank_v * amps / 240.0,
        current_a=amps,
        temperature_c=25.0,
        start_t_s=0.0,
        ended_s=None,
        step_v=0.1 / 240.0,
        rest_voltage_v=None,
    )


def test_ohms_law_across_a_load_step() -> None:
    t = np.arange(0.0, 600.0, 5.0)
    amps = np.where(t < 300.0, 30.0, 50.0)
    found = resistance_ohm(discharge(t, 500.0 - 0.02 * t - 0.5 * amps, amps), BATTERY)
    assert found == pytest.approx(0.5, rel=0.02)


def test_without_a_step_from_rest_to_load() -> None:
    t = np.arange(0.0, 600.0, 5.0)
    amps = np.full_like(t, 40.0)
    assert resistance_ohm(discharge(t, 2.13 * 240.0 - 0.4 * amps, amps), BATTERY) == pytest.approx(
        0.4, rel=0.01
    )


def test_no_current_no_resistance() -> None:
    t = np.arange(0.0, 600.0, 5.0)
    assert resistance_ohm(discharge(t, 500.0 - 0.02 * t, np.full_like(t, np.nan)), BATTERY) is None


def test_a_fifth_more_is_a_drift_of_a_fifth() -> None:
    assert resistance_drift(0.6, 0.5) == pytest.approx(0.2)


def test_the_dip_at_the_start_is_found_and_a_plain_fall_has_none() -> None:
    t = np.arange(0.0, 3600.0, 5.0)
    plain = 480.0 - 0.01 * t
    dip = plain - 4.0 * np.exp(-(((t - 40.0) / 20.0) ** 2))
    found = coup_de_fouet(discharge(t, dip, np.full_like(t, 40.0)), 3600.0)
    assert found is not None
    assert found.trough_s == pytest.approx(40.0, abs=10.0)
    assert found.depth_v * 240.0 == pytest.approx(3.6, abs=0.5)
    assert coup_de_fouet(discharge(t, plain, np.full_like(t, 40.0)), 3600.0) is None


def test_one_block_that_gives_out_early_leaves_a_ledge() -> None:
    t = np.arange(0.0, 3600.0, 5.0)
    even = 480.0 - 0.01 * t
    ledge = even - 8.0 / (1.0 + np.exp(-(t - 1800.0) / 30.0))
    amps = np.full_like(t, 40.0)
    assert weak_blocks_suspected(discharge(t, ledge, amps), 6, 240)
    assert not weak_blocks_suspected(discharge(t, even, amps), 6, 240)


def test_a_bank_that_ends_evenly_is_not_suspected() -> None:
    t = np.arange(0.0, 3600.0, 5.0)
    knee = 480.0 - 0.01 * t - 40.0 * np.exp((t - 3600.0) / 300.0)
    assert not weak_blocks_suspected(discharge(t, knee, np.full_like(t, 40.0)), 6, 240)
