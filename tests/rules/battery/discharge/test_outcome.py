"""What a discharge showed follows from the table's own arithmetic."""

from datetime import UTC, date, datetime

import pytest

from rules.battery.discharge.outcome import Circumstances, ShownRow, what_it_showed
from rules.battery.model.inverter_losses import Losses
from rules.plant.estate import Bank, FittedBank, PowerTable

AT = datetime(2026, 3, 1, tzinfo=UTC)
TABLE = PowerTable(1.67, ((5, 96.0), (10, 62.0), (15, 46.0), (30, 27.0), (60, 15.5)))
FITTED = FittedBank(date(2024, 1, 1), None, "VX 12", 40, 1.67, 12.0, 20, (TABLE,), 10)
BANK = Bank("B1", ("A1",), 240, 1, (FITTED,))
LOSSLESS = Losses(0.0, 0.0)
WATTS = 46.0 * 240  # the power the table prints for 15 minutes


def rows(seconds: int, end_v: float, power_w: float | None = WATTS) -> list[ShownRow]:
    return [
        ShownRow(t, 500.0 + (end_v - 500.0) * t / seconds, WATTS / 480.0, 25.0, power_w)
        for t in range(0, seconds + 1, 5)
    ]


def test_a_run_to_its_end_at_the_printed_time_shows_a_whole_bank() -> None:
    shown = what_it_showed(BANK, FITTED, rows(900, 400.0), Circumstances(AT, "test"), losses=LOSSLESS)
    assert shown is not None
    assert shown.ended
    assert shown.fraction == pytest.approx(1.0, abs=1e-6)
    assert shown.published_s == pytest.approx(900.0, rel=1e-6)


def test_half_a_run_shows_that_half_was_carried_and_no_more() -> None:
    shown = what_it_showed(BANK, FITTED, rows(450, 470.0), Circumstances(AT, "outage"), losses=LOSSLESS)
    assert shown is not None
    assert shown.used == pytest.approx(0.5, abs=1e-6)
    assert shown.fraction is None
    assert not shown.failed


def test_an_output_lost_early_is_a_failure_and_says_nothing_of_capacity() -> None:
    how = Circumstances(AT, "outage", output_lost=True)
    shown = what_it_showed(BANK, FITTED, rows(30, 390.0), how, losses=LOSSLESS)
    assert shown is not None
    assert shown.failed
    assert shown.fraction is None


@pytest.mark.parametrize(("end_v", "ended"), [(400.8, True), (402.8, True), (404.0, False)])
def test_a_worn_bank_that_came_down_by_and_by_is_at_its_end_however_short_it_was(
    end_v: float, ended: bool
) -> None:
    how = Circumstances(AT, "outage", output_lost=True)
    shown = what_it_showed(BANK, FITTED, rows(360, end_v), how, losses=LOSSLESS)
    assert shown is not None
    assert shown.used == pytest.approx(0.4, abs=1e-6)
    assert (shown.ended, shown.failed) == (ended, not ended)


def test_a_bank_whose_voltage_falls_at_once_after_minutes_has_failed() -> None:
    steady = [ShownRow(t, 480.0, WATTS / 480.0, 25.0, WATTS) for t in range(0, 356, 5)]
    broken = [*steady, ShownRow(360, 120.0, WATTS / 480.0, 25.0, WATTS)]
    shown = what_it_showed(
        BANK, FITTED, broken, Circumstances(AT, "outage", output_lost=True), losses=LOSSLESS
    )
    assert shown is not None
    assert (shown.ended, shown.failed) == (False, True)


def test_a_bank_that_fell_with_others_by_their_load_has_neither_failed_nor_ended() -> None:
    how = Circumstances(AT, "outage", output_lost=True, with_others=True)
    shown = what_it_showed(BANK, FITTED, rows(675, 430.0), how, losses=LOSSLESS)
    assert shown is not None
    assert shown.used == pytest.approx(0.75, abs=1e-6)
    assert (shown.ended, shown.failed, shown.fraction) == (False, False, None)


def test_charge_taken_out_is_counted_against_the_rated() -> None:
    shown = what_it_showed(BANK, FITTED, rows(900, 400.0), Circumstances(AT, "test"), losses=LOSSLESS)
    assert shown is not None
    # 46 W x 240 cells / 480 V = 23 A for a quarter of an hour is 5.75 Ah of 12
    assert shown.removed == pytest.approx(5.75 / 12.0, rel=1e-6)


def test_without_any_power_nothing_is_shown() -> None:
    assert (
        what_it_showed(BANK, FITTED, rows(900, 400.0, None), Circumstances(AT, "test"), losses=LOSSLESS)
        is None
    )


@pytest.mark.parametrize(("before_w", "claimed_s"), [(WATTS, 1200.0), (0.5 * WATTS, None), (None, 1200.0)])
def test_a_card_promised_nothing_at_another_load(before_w: float | None, claimed_s: float | None) -> None:
    how = Circumstances(AT, "outage", claimed_s=1200.0, before_w=before_w)
    shown = what_it_showed(BANK, FITTED, rows(450, 470.0), how, losses=LOSSLESS)
    assert shown is not None
    assert shown.claimed_s == claimed_s
