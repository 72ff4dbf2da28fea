"""How a bank is kept: float window, compensation, charger, rest, heat."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from rules.battery.assessment.charging import (
    CHARGER_LOST,
    COMPENSATION_ABSENT,
    COMPENSATION_WRONG,
    DIFFERS,
    FLOAT_HIGH,
    FLOAT_LOW,
    NOT_RECHARGED,
    RECHARGE_SLOW,
    RUNAWAY,
    ChargeHour,
    differs_from_siblings,
    judge_charging,
)
from rules.battery.model.float_voltage import float_setpoint_v
from rules.battery.state import SiblingFigure
from rules.plant.estate import Charging
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Verdict

NOW = datetime(2025, 6, 30, 12, tzinfo=UTC)


def hours(
    volts: float | list[float],
    *,
    count: int = 72,
    temperature_c: float | list[float] = 25.0,
    current_a: float = -0.1,
) -> list[ChargeHour]:
    v = volts if isinstance(volts, list) else [volts] * count
    t = temperature_c if isinstance(temperature_c, list) else [temperature_c] * len(v)
    start = NOW - timedelta(hours=len(v) - 1)
    return [ChargeHour(start + timedelta(hours=k), v[k], current_a, t[k]) for k in range(len(v))]


def kinds(seen: list[ChargeHour], **more: object) -> tuple[Verdict, list[str]]:
    verdict, findings = judge_charging(seen, NOW, **more)  # type: ignore[arg-type]
    return verdict.verdict, [f.kind for f in findings]


@pytest.mark.parametrize(
    ("temperature_c", "volts"), [(25.0, 2.25), (5.0, 2.31), (40.0, 2.205), (-10.0, 2.31), (55.0, 2.205)]
)
def test_the_setpoint_is_a_makers_and_is_clipped(temperature_c: float, volts: float) -> None:
    # makers: 2.25 V at 25 degC, -3 mV/K, held outside 5 to 40 degC (2.31 and 2.205 V)
    assert float_setpoint_v(temperature_c) == pytest.approx(volts)


def test_a_bank_on_its_setpoint_is_kept_well() -> None:
    assert kinds(hours(2.25)) == (Verdict.ADEQUATE, [])
    assert kinds(hours(2.22, temperature_c=35.0)) == (Verdict.ADEQUATE, [])


@pytest.mark.parametrize(
    ("volts", "verdict", "kind"),
    [
        (2.265, Verdict.ADEQUATE, []),
        (2.28, Verdict.ADEQUATE, [FLOAT_HIGH]),
        (2.31, Verdict.INADEQUATE, [FLOAT_HIGH]),
        (2.22, Verdict.ADEQUATE, [FLOAT_LOW]),
        (2.19, Verdict.INADEQUATE, [FLOAT_LOW]),
        (2.13, Verdict.INADEQUATE, [CHARGER_LOST]),
    ],
)
def test_a_float_voltage_beside_the_window_is_told(volts: float, verdict: Verdict, kind: list[str]) -> None:
    assert kinds(hours(volts)) == (verdict, kind)


def test_one_hour_beside_the_window_is_nothing() -> None:
    assert kinds(hours([2.25] * 71 + [2.32])) == (Verdict.ADEQUATE, [])


def test_without_recent_voltage_nothing_is_said() -> None:
    old = [ChargeHour(h.at - timedelta(days=2), h.voltage_per_cell_v) for h in hours(2.25)]
    assert kinds(old) == (Verdict.CANNOT_TELL, [])
    assert kinds([]) == (Verdict.CANNOT_TELL, [])


@pytest.mark.parametrize(
    ("seen", "why"),
    [
        ([], reason(Code.VOLTAGE_NEVER_READ)),
        (hours([2.25] * 2), reason(Code.VOLTAGE_READ_TOO_BRIEFLY, hours=2, wanted=3)),
        (
            [ChargeHour(h.at - timedelta(days=2), h.voltage_per_cell_v) for h in hours(2.25)],
            reason(Code.VOLTAGE_NOT_READ_LATELY, within_s=21_600.0),
        ),
    ],
)
def test_why_nothing_is_said_is_true_of_a_unit_that_gives_its_voltage_now(
    seen: list[ChargeHour], why: Reason
) -> None:
    verdict, _ = judge_charging(seen, NOW)
    assert verdict.because == (why,)


def swinging(slope_v: float) -> list[ChargeHour]:
    warm = [25.0 + 5.0 * float(np.sin(2 * np.pi * k / 24 / 14)) for k in range(24 * 21)]
    return hours([2.25 + slope_v * (t - 25.0) for t in warm], temperature_c=warm)


def test_compensation_is_seen_where_the_bank_has_been_warm_and_cold() -> None:
    assert kinds(swinging(-0.003)) == (Verdict.ADEQUATE, [])
    assert COMPENSATION_ABSENT in kinds(swinging(0.0))[1]
    assert COMPENSATION_WRONG in kinds(swinging(0.003))[1]
    assert COMPENSATION_WRONG in kinds(swinging(-0.008))[1]


def after_discharge(volts: float, since_h: int, current_a: float) -> list[ChargeHour]:
    seen = hours(2.25, count=60)
    cut = len(seen) - 1 - since_h
    return [
        h
        if k < cut
        else ChargeHour(h.at, 2.0 if k == cut else volts, current_a, 25.0, 600.0 if k == cut else 0.0)
        for k, h in enumerate(seen)
    ]


def test_a_bank_that_nothing_recharges_has_lost_its_charger() -> None:
    assert kinds(after_discharge(2.08, 5, 0.0))[1] == [CHARGER_LOST]


def test_a_bank_that_is_being_recharged_is_left_in_peace() -> None:
    assert kinds(after_discharge(2.20, 5, -2.0)) == (Verdict.CANNOT_TELL, [])


def test_a_recharge_that_does_not_arrive_within_a_day_is_too_slow() -> None:
    # IEC 62040-3 has makers declare the hours to 90 %; 8 to 24 h are usual
    assert kinds(after_discharge(2.18, 22, -2.0))[1] == [RECHARGE_SLOW]


def test_a_rested_bank_is_judged_by_its_recharges_and_not_by_the_float_window() -> None:
    rest = [2.26] * 24 + [2.14] * 24 * 12
    assert kinds(hours(rest), charging=Charging.INTERMITTENT) == (Verdict.ADEQUATE, [])
    long = [2.26] * 24 + [2.14] * 24 * 40
    assert kinds(hours(long), charging=Charging.INTERMITTENT)[1] == [NOT_RECHARGED]
    low = [2.26] * 24 + [2.08] * 24 * 12
    assert kinds(hours(low), charging=Charging.INTERMITTENT)[1] == [NOT_RECHARGED]
    unfilled = after_discharge(2.12, 30, 0.0)
    assert kinds(unfilled, charging=Charging.INTERMITTENT)[1] == [NOT_RECHARGED]


def test_current_and_heat_that_rise_together_on_a_full_bank_are_a_runaway() -> None:
    calm = hours(2.25, count=24 * 14, current_a=-0.1)
    hot = [
        ChargeHour(h.at, 2.25, -1.5 if k >= 24 * 14 - 6 else -0.1, 38.0 if k >= 24 * 14 - 6 else 26.0)
        for k, h in enumerate(calm)
    ]
    assert RUNAWAY in kinds(hot, rated_ah=40.0)[1]


def test_a_warm_room_alone_is_no_runaway() -> None:
    # float current doubles for about ten kelvin
    seen = hours(2.22, count=24 * 14)
    warm = [
        ChargeHour(h.at, 2.22, -0.2 if k >= 24 * 14 - 6 else -0.1, 35.0 if k >= 24 * 14 - 6 else 25.0)
        for k, h in enumerate(seen)
    ]
    assert RUNAWAY not in kinds(warm, rated_ah=40.0)[1]


def test_a_bank_that_differs_from_its_siblings_is_named() -> None:
    found = differs_from_siblings("b1", 34.0, [26.0, 26.5, 25.8], what=SiblingFigure.TEMPERATURE, least=3.0)
    assert found is not None
    assert found.kind == DIFFERS
    assert (
        differs_from_siblings("b1", 27.0, [26.0, 26.5, 25.8], what=SiblingFigure.TEMPERATURE, least=3.0)
        is None
    )
    assert differs_from_siblings("b1", 40.0, [26.0], what=SiblingFigure.TEMPERATURE, least=3.0) is None
