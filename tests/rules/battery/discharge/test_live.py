"""A running discharge narrows what was believed before it, and overrules it where it was wrong."""

import csv
import json
from dataclasses import replace
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rules.battery.discharge.capacity import prepare
from rules.battery.discharge.curve.voltage import course_of
from rules.battery.discharge.likelihood import moments, shape_of
from rules.battery.discharge.live import during
from rules.battery.discharge.posterior import ln_before, ln_posterior
from rules.battery.discharge.record.clean_discharge import Battery
from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.discharge.record.log import clean
from rules.battery.model.health import BankBelief
from rules.battery.model.runtime_curve import curve_through
from rules.battery.model.same_error import Weighed, shared_at
from rules.values.verdict import Basis

DATA = Path(__file__).resolve().parents[3] / "data" / "discharges"
TRUTH: dict[str, dict[str, Any]] = {
    d["file"]: d for d in json.loads((DATA / "truth.json").read_text(encoding="utf-8"))["discharges"]
}
NOW = datetime(2026, 1, 1, tzinfo=UTC)
NAMES = ["develop_02.csv", "develop_06.csv", "develop_21.csv", "develop_11.csv", "validate_00.csv"]


def read(name: str) -> DischargeLog:
    with (DATA / name).open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    columns = "t_s bank_voltage_v bank_current_a temperature_c output_power_w".split()
    return DischargeLog.of(*([float(row[c]) for row in rows] for c in columns))


def battery(name: str) -> Battery:
    truth = TRUTH[name]
    end_v = float(truth["end_voltage_per_cell_v"])
    curve = curve_through([(m, w) for m, w in truth["constant_power_min_w_per_cell"]], end_v, Basis.TABLE)
    return Battery(int(truth["cells_in_series"]), 1, end_v, curve)


def believed(bank: Battery, middle: float, spread: float, draws: int = 1000) -> BankBelief:
    assert bank.curve is not None
    health = np.random.default_rng(5).normal(middle, spread, draws).clip(0.05, 1.3)
    return BankBelief(
        "B1", NOW, Basis.TABLE, bank.curve, bank.cells, 1, health, np.zeros(draws), 3600.0, np.zeros(draws), 25.0,
        bank.losses.fixed_w, bank.losses.share,
    )  # fmt: skip


def left(belief: BankBelief, log: DischargeLog) -> tuple[float, float, float]:
    low, median, high = np.quantile(belief.seconds_left(float(log.output_power_w[-1])), (0.05, 0.5, 0.95))
    return float(low), float(median), float(high)


def judged_at(name: str, depth: float, before: BankBelief) -> tuple[BankBelief | None, DischargeLog]:
    bank = battery(name)
    shape, curve, _ = prepare(bank, ())
    assert curve is not None
    log = read(name).until(depth * float(TRUTH[name]["t_end_true_s"]))
    return during(before, log, bank, shape, curve, as_of=NOW, seed=3), log


@pytest.mark.parametrize("name", NAMES)
def test_the_time_used_is_never_given_twice(name: str) -> None:
    before = believed(battery(name), 0.85, 0.25)
    early, _ = judged_at(name, 0.2, before)
    late, _ = judged_at(name, 0.75, before)
    assert early is not None
    assert late is not None
    assert float(np.min(late.seconds_left(1.0))) >= 0.0
    assert float(np.median(late.used)) > float(np.median(early.used))


def test_the_interval_narrows_as_most_discharges_go_on() -> None:
    narrower = 0
    for name in NAMES:
        before = believed(battery(name), 0.85, 0.25)
        early, early_log = judged_at(name, 0.2, before)
        late, late_log = judged_at(name, 0.75, before)
        assert early is not None
        assert late is not None
        wide, narrow = left(early, early_log), left(late, late_log)
        narrower += narrow[2] - narrow[0] < wide[2] - wide[0]
    assert narrower >= len(NAMES) - 1


def test_the_true_end_lies_inside_the_interval_of_most_records() -> None:
    inside = 0
    for name in NAMES:
        after, log = judged_at(name, 0.5, believed(battery(name), 0.85, 0.25))
        assert after is not None
        truth_s = float(TRUTH[name]["t_end_true_s"]) - float(log.t_s[-1])
        low, _, high = left(after, log)
        inside += low <= truth_s <= high
    assert inside >= len(NAMES) - 1  # 90 % intervals: one of five outside is no surprise, two would be


def test_a_belief_that_nothing_bears_out_is_overruled() -> None:
    name = "develop_11.csv"
    stubborn = believed(battery(name), 0.15, 0.01)
    after, log = judged_at(name, 0.6, stubborn)
    assert after is not None
    assert left(after, log)[1] > 0.0
    assert float(np.median(after.health)) > 0.3


@pytest.mark.parametrize(("name", "depth"), [("develop_02.csv", 0.3), ("develop_11.csv", 0.4)])
def test_a_discharge_unlike_all_that_was_shown_promises_no_more_than_that(name: str, depth: float) -> None:
    """A worn bank shows the voltages of a better one until its knee: the least told is that of the record, the most is not."""
    shown = believed(battery(name), 0.3, 0.04)
    after, log = judged_at(name, depth, shown)
    assert after is not None
    used = np.full(shown.draws, float(np.median(after.used)))
    by_record = replace(shown, used=used).seconds_left(float(log.output_power_w[-1]))
    truth_s = float(TRUTH[name]["t_end_true_s"]) - float(log.t_s[-1])
    assert left(after, log)[0] <= float(np.median(by_record))
    assert left(after, log)[2] > truth_s


def test_the_first_seconds_say_nothing() -> None:
    bank = battery("develop_11.csv")
    shape, curve, _ = prepare(bank, ())
    assert curve is not None
    log = read("develop_11.csv").rows(np.arange(3))
    assert during(believed(bank, 0.8, 0.2), log, bank, shape, curve, as_of=NOW, seed=1) is None


def test_the_same_seed_gives_the_same_belief() -> None:
    before = believed(battery("develop_06.csv"), 0.85, 0.2)
    first, _ = judged_at("develop_06.csv", 0.5, before)
    again, _ = judged_at("develop_06.csv", 0.5, replace(before))
    assert first is not None
    assert again is not None
    np.testing.assert_array_equal(first.health, again.health)


def test_who_was_believed_to_hold_less_is_not_told_to_hold_more() -> None:
    """Beliefs ever farther from the record: it takes over by and by, so the end moves one way and by no leap."""
    name, ends = "develop_02.csv", []
    for middle in (0.38, 0.36, 0.34, 0.32, 0.30):
        after, log = judged_at(name, 0.4, believed(battery(name), middle, 0.03))
        assert after is not None
        ends.append(left(after, log))
    for (low, before, high), (_, then, _) in pairwise(ends):
        assert then < before
        assert before - then < high - low


def test_a_second_outage_says_hardly_more_than_the_first_whose_error_it_shares() -> None:
    """Both show the same level, right or wrong: an interval halved by it would be sure of the same error twice."""
    name = "develop_02.csv"
    before = believed(battery(name), 0.85, 0.25)
    first, log = judged_at(name, 0.3, before)
    assert first is not None
    weighed, shape = what_it_says(name, 0.3)
    night = replace(
        before,
        health=first.health,
        used=np.zeros(before.draws),
        rests_on=(Weighed(NOW.date(), *weighed, likelihood=shape),),
    )
    again, _ = judged_at(name, 0.3, night)
    alone, _ = judged_at(name, 0.3, replace(night, rests_on=()))
    years_ago = replace(night, rests_on=(Weighed(date(2023, 1, 1), *weighed, likelihood=shape),))
    later, _ = judged_at(name, 0.3, years_ago)
    assert again is not None
    assert alone is not None
    assert later is not None
    spread = {
        one: float(np.std(b.health)) for one, b in (("first", first), ("again", again), ("alone", alone))
    }
    assert spread["again"] > 0.85 * spread["first"]
    assert spread["alone"] < 0.8 * spread["first"]
    np.testing.assert_allclose(np.std(later.health), spread["alone"], rtol=0.02)
    assert left(again, log)[0] < left(alone, log)[0]


def what_it_says(name: str, depth: float) -> tuple[tuple[float, float, float], tuple[float, ...]]:
    """Return what a record weighs (deviation, shared part, published time) and its likelihood as a shape."""
    bank = battery(name)
    shape, curve, _ = prepare(bank, ())
    assert curve is not None
    log = read(name).until(depth * float(TRUTH[name]["t_end_true_s"]))
    course = course_of(clean(log, bank), bank, curve)
    grid, ln_mass = ln_posterior(course, shape, curve, coarse=True)
    likelihood = shape_of([(grid, ln_mass - ln_before(grid, curve))], 0.0)
    mean, sd = moments(likelihood)
    return (sd, shared_at(course.used_now / mean), 3600.0 * float(np.exp(course.mean_ln_hours))), likelihood
