"""Units compared with their siblings."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.phrasing.reasons import say
from rules.plant.estate import NormalMode
from rules.plant.reading import Nameplate, OutputLine, OutputReading, OutputSource, Reading
from rules.system.comparison import compare
from rules.system.observation import unit_views
from rules.system.parallel import together
from rules.system.state import Finding
from rules.system.state import FindingKind as Kind
from tests.rules.sample_plants import estate, reading, view


def findings(*readings: Reading) -> tuple[Finding, ...]:
    views = unit_views(view(estate(len(readings)), readings))
    return compare("A", views, together(views))


def kinds(*readings: Reading) -> list[tuple[Kind, str]]:
    return [(f.kind, f.about) for f in findings(*readings)]


def test_equal_units_have_nothing_to_tell() -> None:
    assert findings(reading("A1"), reading("A2"), reading("A3")) == ()


def test_watts_apart_are_a_matter_of_angle() -> None:
    found = findings(reading("A1", (4500.0,) * 3), reading("A2", (1500.0,) * 3))
    assert [(f.kind, f.about) for f in found if f.kind is Kind.SHARE_REAL] == [
        (Kind.SHARE_REAL, "A1"),
        (Kind.SHARE_REAL, "A2"),
    ]
    assert "angle" in say(found[0].because)


def test_reactive_power_apart_at_equal_watts_is_a_matter_of_voltage() -> None:
    found = kinds(
        reading("A1", (4000.0,) * 3, power_factor=0.99), reading("A2", (4000.0,) * 3, power_factor=0.6)
    )
    assert (Kind.SHARE_REACTIVE, "A2") in found
    assert not any(kind is Kind.SHARE_REAL for kind, _ in found)


def test_current_with_hardly_a_watt_suggests_circulation() -> None:
    idle = reading("A2", (100.0,) * 3, power_factor=0.05)  # 6 kVA, 0.3 kW
    assert (Kind.CIRCULATING, "A2") in kinds(reading("A1", (5000.0,) * 3), idle)


def test_a_power_factor_apart_suggests_circulation() -> None:
    odd = reading("A3", (2500.0,) * 3, power_factor=0.7)
    assert (Kind.CIRCULATING, "A3") in kinds(reading("A1"), reading("A2"), odd)


def test_lopsided_phases_are_told_with_the_line() -> None:
    found = list(findings(reading("A1", (6000.0, 2000.0, 2000.0)), reading("A2", (6000.0, 2000.0, 2000.0))))
    assert [(f.kind, f.about, f.line) for f in found] == [(Kind.PHASES, "A", 1)]


def test_volts_apart_on_one_busbar_are_a_wrong_reading() -> None:
    found = kinds(reading("A1"), reading("A2"), reading("A3", voltage_v=245.0))
    assert {about for kind, about in found if kind is Kind.VOLTAGE} == {"A3"}


def test_hertz_apart_in_parallel_cannot_be() -> None:
    assert (Kind.FREQUENCY, "A3") in kinds(reading("A1"), reading("A2"), reading("A3", frequency_hz=50.4))


def test_one_unit_on_battery_alone_is_broken_out() -> None:
    found = kinds(reading("A1"), reading("A2", source=OutputSource.BATTERY), reading("A3"))
    assert found == [(Kind.ALONE_ON_BATTERY, "A2")]


def test_one_unit_that_stayed_on_mains_is_broken_out() -> None:
    battery = [reading(n, source=OutputSource.BATTERY) for n in ("A1", "A2")]
    assert kinds(*battery, reading("A3")) == [(Kind.NOT_ON_BATTERY, "A3")]


def test_one_unit_on_bypass_beside_inverters() -> None:
    assert (Kind.SOURCE, "A1") in kinds(reading("A1", source=OutputSource.BYPASS), reading("A2"))


@pytest.mark.parametrize(
    ("plate", "kind"),
    [
        (Nameplate(ups_software="2.1"), Kind.FIRMWARE),
        (Nameplate(rating_va=20_000.0), Kind.RATING),
        (Nameplate(nominal_output_voltage_v=240.0), Kind.SETTINGS),
    ],
)
def test_plates_that_disagree(plate: Nameplate, kind: Kind) -> None:
    usual = Nameplate(ups_software="2.0", rating_va=30_000.0, nominal_output_voltage_v=230.0)
    odd = replace(
        usual,
        ups_software=plate.ups_software or usual.ups_software,
        rating_va=plate.rating_va or usual.rating_va,
        nominal_output_voltage_v=plate.nominal_output_voltage_v or usual.nominal_output_voltage_v,
    )
    readings = [reading("A1", nameplate=usual), reading("A2", nameplate=usual), reading("A3", nameplate=odd)]
    assert kinds(*readings) == [(kind, "A3")]


def test_what_is_not_known_is_not_compared() -> None:
    bare = replace(
        reading("A2"),
        output=OutputReading(OutputSource.NORMAL, None, tuple(OutputLine(n) for n in (1, 2, 3))),
    )
    assert [f.kind for f in findings(reading("A1"), bare)] == [Kind.LEFT_OUT]


def again(before: tuple[Finding, ...], *readings: Reading) -> list[Kind]:
    views = unit_views(view(estate(len(readings)), readings))
    return [f.kind for f in compare("A", views, together(views), before)]


@pytest.mark.parametrize(
    ("watts", "first", "after"), [(4900.0, True, True), (4600.0, False, True), (4200.0, False, False)]
)
def test_what_was_told_is_told_until_it_falls_back_by_its_deadband(
    watts: float, first: bool, after: bool
) -> None:
    # each is off the mean by half of 3 * (watts - 3000) of 27 kW: 10.6, 8.9 and 6.7 points; told over 10, kept over 7
    other = reading("A2", (3000.0,) * 3)
    apart = findings(reading("A1", (5500.0,) * 3), other)
    assert (Kind.SHARE_REAL in again((), reading("A1", (watts,) * 3), other)) is first
    assert (Kind.SHARE_REAL in again(apart, reading("A1", (watts,) * 3), other)) is after


def test_a_unit_that_did_not_follow_into_economy_mode_is_one_of_two_sources() -> None:
    plant = estate(3)
    plant = replace(
        plant, units={n: replace(u, normal_mode=NormalMode.ECONOMY) for n, u in plant.units.items()}
    )
    bypass, inverter = OutputSource.BYPASS, OutputSource.NORMAL
    readings = [reading("A1", source=bypass), reading("A2", source=bypass), reading("A3", source=inverter)]
    views = unit_views(view(plant, readings))
    assert [(f.kind, f.about) for f in compare("A", views, together(views))] == [(Kind.SOURCE, "A3")]
    alike = [reading(n, source=bypass) for n in ("A1", "A2", "A3")]
    views = unit_views(view(plant, alike))
    assert compare("A", views, together(views)) == ()


def test_how_units_share_past_their_inverters_is_a_matter_of_cables_and_not_told() -> None:
    plant = estate(2)
    plant = replace(
        plant, units={n: replace(u, normal_mode=NormalMode.ECONOMY) for n, u in plant.units.items()}
    )
    readings = [
        reading("A1", (5000.0,) * 3, source=OutputSource.BYPASS),
        reading("A2", (2000.0,) * 3, source=OutputSource.BYPASS, power_factor=0.6),
    ]
    views = unit_views(view(plant, readings))
    assert compare("A", views, together(views)) == ()


def test_a_unit_that_tests_its_bank_is_not_held_to_its_share() -> None:
    testing = reading("A1", (5500.0,) * 3, alarms=("upsAlarmTestInProgress",))
    assert not any(
        k is Kind.SHARE_REAL and u == "A1" for k, u in kinds(testing, reading("A2", (3000.0,) * 3))
    )
