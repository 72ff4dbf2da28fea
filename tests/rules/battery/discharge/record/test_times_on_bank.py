"""A log is cut into its times on the bank before anything in it is cleaned."""

import numpy as np
import pytest

from rules.battery.discharge.record.times_on_bank import TimeOnBank, rose_between, times_on_bank
from rules.battery.model.runtime_curve import Floats

EVERY_S = 2.0


def columns(
    *parts: tuple[str, int], amps_on_mains: float = -3.0, level: bool = False
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Return seconds, V per cell, A, W and the unit's word: "bank" falls from 2.0 V, "mains" stands at 2.27."""
    volts: list[float] = []
    amps: list[float] = []
    words: list[float] = []
    fallen = 0.0
    for kind, rows in parts:
        for _ in range(rows):
            if kind == "bank":
                fallen += 0.0005
            volts.append(2.0 - fallen if kind == "bank" or level else 2.27)
            amps.append(20.0 if kind == "bank" else amps_on_mains)
            words.append(float(kind == "bank"))
    t = EVERY_S * np.arange(len(volts), dtype=np.float64)
    return t, np.array(volts), np.array(amps), np.full(len(t), 9000.0), np.array(words)


TWO_DIPS = (("mains", 10), ("bank", 60), ("mains", 20), ("bank", 90), ("mains", 10))


@pytest.mark.parametrize("told", ["word", "current", "volts"])
def test_two_dips_are_two_whatever_tells_of_them(told: str) -> None:
    t, v, a, w, on = columns(*TWO_DIPS)
    unknown = np.full(len(t), np.nan)
    a = a if told == "current" else unknown
    on = on if told == "word" else unknown
    assert times_on_bank(t, v, a, w, on) == (TimeOnBank(10, 69), TimeOnBank(90, 179))


def test_a_card_that_says_0_a_and_level_volts_on_mains_is_cut_all_the_same() -> None:
    t, v, a, w, on = columns(*TWO_DIPS, amps_on_mains=0.0, level=True)
    cut = (TimeOnBank(10, 69), TimeOnBank(90, 179))
    assert times_on_bank(t, v, a, w, on) == cut
    assert times_on_bank(t, v, a, w, np.full(len(t), np.nan)) == cut


def test_a_stray_word_or_current_while_the_voltage_runs_on_ends_nothing() -> None:
    t, v, a, w, on = columns(("mains", 10), ("bank", 100))
    on[50], a[60] = 0.0, 0.0
    assert times_on_bank(t, v, a, w, on) == (TimeOnBank(10, 109),)
    assert times_on_bank(t, v, a, w, np.full(len(t), np.nan)) == (TimeOnBank(10, 109),)


def test_a_blink_of_the_mains_at_which_the_bank_rises_does_end_it() -> None:
    t, v, a, w, on = columns(("bank", 50), ("mains", 2), ("bank", 50))
    assert times_on_bank(t, v, a, w, on) == (TimeOnBank(0, 49), TimeOnBank(52, 101))


def test_a_word_that_lags_behind_a_bank_on_float_is_not_believed() -> None:
    t, v, a, w, on = columns(("bank", 50), ("mains", 40))
    on[:] = 1.0
    assert times_on_bank(t, v, a, w, on) == (TimeOnBank(0, 49),)


def test_a_silence_in_which_the_bank_rose_was_not_all_discharge() -> None:
    t, v, a, w, on = columns(("bank", 100))
    t[60:] += 600.0
    assert times_on_bank(t, v, a, w, on) == (TimeOnBank(0, 99),)
    v[60:] += 0.05
    assert times_on_bank(t, v, a, w, on) == (TimeOnBank(0, 59), TimeOnBank(60, 99))


def test_a_step_down_of_the_load_is_no_rest() -> None:
    """Half the load lets a cell rise by some 0.06 V times ln 2."""
    t, v, _a, w, _on = columns(("bank", 100))
    v[50:] += 0.06 * np.log(2.0)
    w[50:] /= 2.0
    unknown = np.full(len(t), np.nan)
    assert times_on_bank(t, v, unknown, w, unknown) == (TimeOnBank(0, 99),)


def test_a_bank_rose_where_it_stands_higher_at_the_same_load() -> None:
    assert rose_between(1.95, 2.0, 9000.0, 9000.0)
    assert not rose_between(1.95, 1.94, 9000.0, 9000.0)
    assert not rose_between(1.95, 1.99, 9000.0, 4500.0)
    assert not rose_between(None, 2.0, None, None)


def test_a_log_of_one_row_holds_nothing() -> None:
    one = np.zeros(1)
    assert times_on_bank(one, one, one, one, one) == ()
