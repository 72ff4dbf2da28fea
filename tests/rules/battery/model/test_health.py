from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np
import pytest

from rules.battery.model.health import BankBelief, belief_from_age
from rules.battery.model.runtime_curve import Beyond, curve_for
from rules.plant.estate import Bank, FittedBank, PowerTable
from rules.values.verdict import Basis

POINTS = ((5.0, 96.0), (10.0, 62.0), (15.0, 46.0), (30.0, 27.0), (60.0, 15.5))
FITTED = FittedBank(
    date(2021, 3, 1), None, "T", 40, 1.67, constant_power=(PowerTable(1.67, POINTS),), design_life_years=10.0
)
BANK = Bank("B1", ("A1",), 240, 1, (FITTED,))
NOW = datetime(2026, 1, 1, tzinfo=UTC)


def belief(*, health: float = 1.0, slope: float = 0.0, used: float = 0.0) -> BankBelief:
    one = np.ones(5)
    return BankBelief(
        bank="B1",
        as_of=NOW,
        basis=Basis.TESTED,
        curve=curve_for(FITTED),
        cells=240,
        strings=1,
        health=health * one,
        health_slope=slope * one,
        anchor_s=3600.0,
        used=used * one,
        temperature_c=25.0,
        loss_fixed_w=450.0,
        loss_share=0.04,
    )


def output_for(watts_per_cell: float) -> float:
    return (watts_per_cell * 240.0 - 450.0) / 1.04


def test_a_sound_bank_gives_the_printed_times() -> None:
    for minutes, watts in POINTS:
        np.testing.assert_allclose(belief().seconds_left(output_for(watts)), minutes * 60.0, rtol=1e-9)


def test_half_used_leaves_half_the_time() -> None:
    np.testing.assert_allclose(belief(used=0.5).seconds_left(output_for(27.0)), 900.0)


@pytest.mark.parametrize(
    ("by_charge", "left_s"), [(1.0, 300.0 * (1.0 - 0.5 * 27.0 * 30.0 / (96.0 * 5.0))), (0.0, 150.0)]
)
def test_what_was_spent_slowly_counts_for_more_of_what_is_there_at_a_high_rate(
    by_charge: float, left_s: float
) -> None:
    """Half of 30 min at 27 W a cell is 405 W min; at 96 W there are 480 W min in all."""
    spent = replace(belief(), by_charge=by_charge).carried(output_for(27.0), 900.0, NOW)
    np.testing.assert_allclose(spent.seconds_left(output_for(96.0)), left_s, rtol=1e-9)
    np.testing.assert_allclose(spent.seconds_left(output_for(27.0)), 900.0, rtol=1e-9)


def test_what_was_spent_fast_counts_for_less_at_a_low_rate() -> None:
    spent = replace(belief(), by_charge=1.0).carried(output_for(96.0), 240.0, NOW)
    np.testing.assert_allclose(
        spent.seconds_left(output_for(15.5)), 60.0 * (60.0 - 4.0 * 96.0 / 15.5), rtol=1e-9
    )


def test_what_a_recharge_brings_back_is_of_the_same_kind() -> None:
    spent = replace(belief(), by_charge=1.0).carried(output_for(27.0), 900.0, NOW)
    half = spent.left_with(0.5 * spent.used)
    np.testing.assert_allclose(half.used_at(output_for(96.0)), 0.5 * spent.used_at(output_for(96.0)))
    assert spent.rested(NOW).full
    np.testing.assert_array_equal(spent.rested(NOW).used_at(output_for(96.0)), 0.0)


def test_health_that_falls_with_rate_shortens_a_high_rate_only() -> None:
    """h = 0.9 at one hour and 0.05 less per e-fold of time: 0.9 - 0.05 ln 12 at five minutes."""
    sloped = belief(health=0.9, slope=0.05)
    np.testing.assert_allclose(sloped.seconds_left(output_for(15.5)), 0.9 * 3600.0)
    np.testing.assert_allclose(sloped.seconds_left(output_for(96.0)), (0.9 - 0.05 * np.log(12.0)) * 300.0)
    assert sloped.seconds_left(output_for(96.0))[0] < belief(health=0.9).seconds_left(output_for(96.0))[0]


@pytest.mark.parametrize(
    ("above", "fresh", "worn"),
    [(1.15, 234 / 303, 118 / 185), (1.25, 194 / 303, 82 / 185), (1.5, 112 / 303, 4.2 / 185)],
)
def test_the_time_of_a_worn_bank_falls_faster_above_its_table_than_a_sound_ones(
    above: float, fresh: float, worn: float
) -> None:
    """As a two-well cell with a resistance of its own does, new and with 0.61 of its time left at the largest power."""
    draws = np.random.default_rng(1).standard_normal(2000)

    def falls(one: BankBelief) -> tuple[float, float]:
        wide = replace(one, health=np.resize(one.health, 2000), health_slope=np.resize(one.health_slope, 2000),
                       used=np.zeros(2000), steeper=draws)  # fmt: skip
        at_most_s = wide.seconds_left(output_for(96.0)) / wide.health_at(output_for(96.0))
        there_s = wide.seconds_left(output_for(above * 96.0)) / wide.health_at(output_for(above * 96.0))
        low, high = np.quantile(there_s / at_most_s, (0.05, 0.95))
        return float(low), float(high)

    low, high = falls(belief())
    assert low < fresh < high
    low, high = falls(belief(health=0.8, slope=0.19 / np.log(12.0)))
    assert low < worn < high


def test_carrying_forward_is_exact() -> None:
    start = belief(health=0.8)
    later = start.carried(output_for(27.0), 600.0, NOW)
    np.testing.assert_allclose(
        later.seconds_left(output_for(27.0)), start.seconds_left(output_for(27.0)) - 600.0
    )
    np.testing.assert_allclose(later.rested(NOW).used, 0.0)


def test_a_bank_used_up_has_no_time_left_rather_than_less_than_none() -> None:
    np.testing.assert_array_equal(belief(health=0.5, used=0.6).seconds_left(20000.0), 0.0)


def test_beyond_the_table() -> None:
    assert belief().beyond_table(output_for(97.0))
    assert not belief().beyond_table(output_for(90.0))
    assert belief().beyond(output_for(5.0)) is Beyond.BELOW_SMALLEST
    np.testing.assert_allclose(belief().seconds_left(output_for(5.0)), 3600.0)  # at least the longest printed


def test_cold_shortens() -> None:
    cold = replace(belief(), temperature_c=10.0)
    assert cold.seconds_left(output_for(27.0))[0] < 1800.0


def test_two_strings_share_the_power() -> None:
    doubled = replace(belief(), strings=2)
    assert doubled.power_w_per_cell(10000.0) == pytest.approx(belief().power_w_per_cell(10000.0) / 2.0)


def test_from_age_a_new_bank_is_not_taken_for_its_printed_capacity() -> None:
    new = belief_from_age(BANK, FITTED, date(2021, 3, 1), 22.0, seed=1)
    assert 0.9 < float(np.median(new.health)) < 1.0
    assert float(np.ptp(np.quantile(new.health, [0.05, 0.95]))) > 0.2
    assert new.basis is Basis.TABLE


def test_from_age_older_and_warmer_is_worse() -> None:
    medians = [
        float(np.median(belief_from_age(BANK, FITTED, date(year, 3, 1), room, seed=1).health))
        for year, room in ((2021, 22.0), (2025, 22.0), (2028, 22.0), (2028, 32.0))
    ]
    assert medians == sorted(medians, reverse=True)


def test_from_age_at_the_anchored_service_life_half_the_banks_are_under_80_percent() -> None:
    """0.65 of ten years at 22 degC is the median life to 80 % of what the bank gave when new."""
    day = date(2027, 8, 30)  # 6.5 years on
    old = belief_from_age(BANK, FITTED, day, 22.0, seed=3, draws=20000)
    new = belief_from_age(BANK, FITTED, FITTED.from_day, 22.0, seed=3, draws=20000)
    assert float(np.mean(old.health / new.health < 0.8)) == pytest.approx(0.5, abs=0.05)


def test_from_age_repeats_from_its_seed() -> None:
    a, b = (belief_from_age(BANK, FITTED, date(2026, 1, 1), 24.0, seed=7) for _ in range(2))
    np.testing.assert_array_equal(a.health, b.health)
    np.testing.assert_array_equal(a.health_slope, b.health_slope)


def test_from_age_with_neither_table_nor_capacity_nothing_may_be_promised() -> None:
    bare = replace(FITTED, constant_power=())
    unknown = belief_from_age(BANK, bare, date(2026, 1, 1), 24.0, seed=7)
    assert unknown.basis is Basis.NONE
    np.testing.assert_array_equal(unknown.seconds_left(10000.0), 0.0)
    assert belief_from_age(BANK, None, date(2026, 1, 1), 24.0, seed=7).basis is Basis.NONE


def test_from_age_a_generic_table_is_marked_and_wider() -> None:
    generic = replace(FITTED, constant_power=(), rated_capacity_ah=12.0)
    day = date(2022, 3, 1)
    wide, narrow = (belief_from_age(BANK, f, day, 22.0, seed=5) for f in (generic, FITTED))
    assert wide.basis is Basis.GENERIC
    assert np.ptp(np.quantile(wide.health, [0.05, 0.95])) > np.ptp(np.quantile(narrow.health, [0.05, 0.95]))


def test_health_never_rises_with_power() -> None:
    aged = belief_from_age(BANK, FITTED, date(2028, 1, 1), 22.0, seed=2)
    assert np.all(aged.health_at(output_for(90.0)) <= aged.health_at(output_for(20.0)))


def test_kept_in_less_room_a_belief_says_the_same() -> None:
    whole = belief_from_age(BANK, FITTED, date(2028, 1, 1), 24.0, seed=2)
    carried = whole.carried(output_for(100.0), 200.0, whole.as_of)
    for one in (whole, carried):
        kept = one.compact()
        for watts_per_cell in (60.0, 100.0, 180.0, 350.0):
            power_w = output_for(watts_per_cell)
            assert kept.seconds_left(power_w) == pytest.approx(one.seconds_left(power_w), rel=1e-5, abs=1e-3)
            step = kept.carried(power_w, 30.0, kept.as_of)
            assert step.used.dtype == np.float64  # what is added up must not be rounded at each step
            assert step.used == pytest.approx(one.carried(power_w, 30.0, one.as_of).used, rel=1e-5)
        for q in (0.05, 0.5, 0.95):
            at = output_for(100.0)
            assert np.quantile(kept.seconds_left(at), q) == pytest.approx(
                np.quantile(one.seconds_left(at), q), rel=1e-6
            )


def test_full_banks_share_what_they_have_not_used() -> None:
    one, other = (
        belief_from_age(BANK, FITTED, date(2028, 1, 1), 24.0, seed=seed).compact() for seed in (2, 3)
    )
    again = one.carried(output_for(100.0), 200.0, one.as_of).rested(one.as_of).compact()
    assert one.used is other.used is again.used
    held = sum(np.asarray(a).nbytes for a in (one.health, one.health_slope, one.correction, one.steeper))
    assert held <= 16 * one.draws
    with pytest.raises(ValueError, match="read-only"):
        one.used[:] = 1.0
