import numpy as np
import pytest

from rules.battery.discharge.record.clean_discharge import Battery, CleanDischarge
from rules.battery.discharge.resistance import (
    resistance_ohm,
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
    ohm, by_steps = resistance_ohm(discharge(t, 500.0 - 0.02 * t - 0.5 * amps, amps), BATTERY)
    assert ohm == pytest.approx(0.5, rel=0.02)
    assert by_steps


def test_without_a_step_from_rest_to_load() -> None:
    t = np.arange(0.0, 600.0, 5.0)
    amps = np.full_like(t, 40.0)
    ohm, by_steps = resistance_ohm(discharge(t, 2.13 * 240.0 - 0.4 * amps, amps), BATTERY)
    assert ohm == pytest.approx(0.4, rel=0.01)
    assert by_steps is False


def test_the_first_half_minute_of_a_discharge_is_its_dip_and_tells_no_resistance() -> None:
    t = np.arange(0.0, 36.0, 5.0)
    amps = np.full_like(t, 40.0)
    assert resistance_ohm(discharge(t, 2.13 * 240.0 - 0.4 * amps, amps), BATTERY) == (None, None)


def test_no_current_no_resistance() -> None:
    t = np.arange(0.0, 600.0, 5.0)
    assert resistance_ohm(discharge(t, 500.0 - 0.02 * t, np.full_like(t, np.nan)), BATTERY) == (None, None)
