"""Hold-up: separate banks, moving loads, overload, sheds; against laws and a fine time-step integrator."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cache
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.battery.model.health import belief_from_age
from rules.plant.estate import Bank, FittedBank
from rules.system.hold_up.judgement import hold_ups
from rules.system.hold_up.play import Floats, LoadChange, percentiles, play
from rules.system.hold_up.sampling import SEED, drifts
from rules.system.hold_up.sharing import BoardLoad, PlayBank, PlayUnit, overload_borne_s, unit_shares
from rules.system.hold_up.sheds import Shed, play_with_sheds
from rules.system.hold_up.task import HoldUpTask
from rules.values.verdict import Basis, EndedBy

LIMITS = settings(max_examples=60, deadline=None)


@dataclass(frozen=True)
class Peukert:
    """A bank that obeys T(p) = full_s * (rated_w / p) ** exponent, and loses health as the power rises."""

    health: Floats
    full_s: float = 1800.0
    rated_w: float = 10_000.0
    exponent: float = 1.3
    slope: float = 0.0
    used: Floats = field(default_factory=lambda: np.zeros(1))
    largest_w: float = 1e9
    basis: Basis = Basis.TABLE
    spent_ws: Floats | None = None
    by_charge: float = 0.0

    def seconds(self, watts: float) -> float:
        return float(self.full_s * (self.rated_w / max(watts, 1.0)) ** self.exponent)

    def rate_per_s(self, output_power_w: float) -> Floats:
        return np.broadcast_to(np.asarray(1.0 / self.seconds(output_power_w)), self.used.shape)

    def health_at(self, output_power_w: float) -> Floats:
        return np.asarray(
            np.maximum(self.health + self.slope * np.log(self.seconds(output_power_w) / self.full_s), 0.0)
        )

    def published_ws(self, output_power_w: float) -> Floats:
        return np.broadcast_to(max(output_power_w, 1.0) * self.seconds(output_power_w), self.used.shape)

    def beyond_reach(self, output_power_w: float) -> bool:
        return output_power_w > self.largest_w


def bank(health: float, **more: float) -> Peukert:
    return replace(Peukert(np.array([health])), **more)  # type: ignore[arg-type]


def units(count: int, rating_w: float = 20_000.0) -> list[PlayUnit]:
    return [PlayUnit(f"U{i}", (1, 2, 3), rating_w, rating_w / 0.9) for i in range(count)]


def own_banks(count: int) -> list[PlayBank]:
    return [PlayBank(f"B{i}", (f"U{i}",)) for i in range(count)]


def evenly(watts: float) -> BoardLoad:
    return BoardLoad(dict.fromkeys((1, 2, 3), watts / 3), dict.fromkeys((1, 2, 3), watts / 2.85))


def seconds(
    stores: Sequence[Peukert], asked: BoardLoad, changes: Sequence[LoadChange] = (), **more: object
) -> float:
    named = {f"B{i}": store for i, store in enumerate(stores)}
    count = len(stores)
    return float(play(units(count), own_banks(count), named, asked, changes, **more).seconds[0])  # type: ignore[arg-type]


def remembered(
    stores: Sequence[Peukert],
) -> tuple[Callable[[int, float], float], Callable[[int, float], float]]:
    """Return health and rate of each bank by its load, which changes seldom and is asked for at every step."""

    @cache
    def health(k: int, load: float) -> float:
        return float(stores[k].health_at(load)[0])

    @cache
    def rate_per_s(k: int, load: float) -> float:
        return float(stores[k].rate_per_s(load)[0])

    return health, rate_per_s


def integrated(
    stores: Sequence[Peukert],
    watts: float,
    *,
    rating_w: float = 20_000.0,
    sheds: Sequence[tuple[float, float]] = (),
    triggers: Sequence[tuple[float, float]] = (),
    step_s: float = 0.25,
    until_s: float = 40_000.0,
) -> float:
    """March a system of equal units in small steps of time; written apart from what it checks.

    `sheds` are (s, W); `triggers` are (s left at the load of the moment, W), asked at every step by
    marching a copy to its end.
    """

    health, rate_per_s = remembered(stores)

    def march(
        now: float, spent: list[float], load: float, waiting: Sequence[tuple[float, float]], dt: float
    ) -> float:
        spent, done = list(spent), {k for k, (at, _) in enumerate(sheds) if at < now}
        alive = [k for k in range(len(stores)) if not np.isnan(spent[k])]
        strain, left = 0.0, list(waiting)
        while now < until_s:
            for k, (at, drop) in enumerate(sheds):
                if k not in done and now >= at - 1e-9:
                    done.add(k)
                    load = max(load - drop, 0.0)
            if left:
                ends = march(
                    now, [spent[k] if k in alive else np.nan for k in range(len(stores))], load, (), dt
                )
                if ends - now <= left[0][0]:
                    load = max(load - left[0][1], 0.0)
                    left.pop(0)
                    continue
            alive = [k for k in alive if spent[k] < health(k, load / len(alive))]
            if not alive:
                return now
            fraction = load / len(alive) / rating_w
            fraction = max(fraction, load / 2.85 * 3 / len(alive) / (rating_w / 0.9))
            borne = float(overload_borne_s(fraction))
            if borne < np.inf:
                strain += dt / borne if borne > 0.0 else 1.0
                if strain >= 1.0:
                    return now
            for k in alive:
                spent[k] += rate_per_s(k, load / len(alive)) * dt
            now += dt
        return until_s

    ordered = sorted(triggers, reverse=True)
    return march(0.0, [float(store.used[0]) for store in stores], watts, ordered, step_s)


healths = st.lists(st.floats(0.3, 1.1), min_size=1, max_size=4)


def test_one_bank_alone_gives_its_published_time_times_its_health() -> None:
    assert seconds([bank(0.8)], evenly(10_000.0)) == pytest.approx(0.8 * 1800.0)


def test_two_banks_by_hand_the_weak_one_ends_and_the_other_takes_its_part() -> None:
    # 20 kW on two: each 10 kW, T = 1800 s. The weak one (0.5) ends at 900 s. The other has 0.4 left of 0.9
    # and then carries 20 kW at T = 1800 / 2 ** 1.3 s.
    expected = 900.0 + 0.4 * 1800.0 / 2.0**1.3
    assert seconds([bank(0.9), bank(0.5)], evenly(20_000.0)) == pytest.approx(expected)


def test_the_survivor_has_less_health_at_the_higher_rate() -> None:
    # The survivor's health at 20 kW is 0.9 + 0.1 * ln(2 ** -1.3).
    health = 0.9 - 0.1 * 1.3 * np.log(2.0)
    expected = 900.0 + (health - 0.5) * 1800.0 / 2.0**1.3
    assert seconds([bank(0.9, slope=0.1), bank(0.5, slope=0.1)], evenly(20_000.0)) == pytest.approx(expected)
    assert expected < 900.0 + 0.4 * 1800.0 / 2.0**1.3


def test_a_survivor_that_is_a_vessel_has_what_it_did_not_give_yet() -> None:
    """Of 0.9 * 10 kW * 1800 s the half is given when the weak one ends; at 20 kW there is less to have."""
    strong, weak = bank(0.9, by_charge=1.0), bank(0.5, by_charge=1.0)
    at_once_s = 0.9 * strong.seconds(20_000.0)
    expected = 900.0 + (20_000.0 * at_once_s - 10_000.0 * 900.0) / 20_000.0
    assert seconds([strong, weak], evenly(20_000.0)) == pytest.approx(expected)
    shares_s = seconds([bank(0.9), bank(0.5)], evenly(20_000.0))
    assert seconds([bank(0.9, by_charge=0.5), bank(0.5, by_charge=0.5)], evenly(20_000.0)) == pytest.approx(
        0.5 * (expected + shares_s)
    )


def test_the_load_is_lost_at_once_when_the_survivors_cannot_carry_it() -> None:
    strong, weak = bank(1.0), bank(0.5)
    played = play(units(2), own_banks(2), {"B0": strong, "B1": weak}, evenly(36_000.0))
    time_s = strong.seconds(18_000.0)
    assert played.seconds[0] == pytest.approx(0.5 * time_s)  # 36 kW on one unit of 20 kW: 180 %
    assert played.hold_up(Basis.TABLE).ended_by is EndedBy.OVERLOAD


def test_a_borne_overload_lasts_as_long_as_the_unit_bears_it() -> None:
    # 25 kW on one unit of 20 kW: 125 % for 60 s, far less than its bank has left.
    one_line = [PlayUnit(f"U{i}", (1,), 20_000.0, 25_000.0) for i in range(2)]
    played = play(one_line, own_banks(2), {"B0": bank(1.1), "B1": bank(0.3)}, BoardLoad({1: 25_000.0}, {}))
    assert played.seconds[0] == pytest.approx(0.3 * bank(1.0).seconds(12_500.0) + 60.0)
    assert bool(played.by_overload[0])


def test_how_long_an_overload_is_borne_is_as_uncertain_as_the_load() -> None:
    """At 120 % of its rating 2 % more or less of the load are a third less or more of the time it is borne."""
    one = [PlayUnit("U0", (1,), 20_000.0, 30_000.0)]
    drift = np.exp(drifts(SEED, 1000))
    store = Peukert(np.full(1000, 1.1), used=np.zeros(1000))
    played = play(one, own_banks(1), {"B0": store}, BoardLoad({1: 24_000.0}, {}), drift=drift)
    low, median, high = percentiles(played.seconds)
    assert (low, median, high) == pytest.approx((71.0, 129.0, 236.0), rel=0.06)


def test_a_hold_up_that_an_overload_ends_has_the_width_of_the_load() -> None:
    day, fitted = date(2026, 6, 1), FittedBank(date(2026, 1, 1), None, "", 40, 1.67, rated_capacity_ah=100.0)
    known = {
        f"B{i}": belief_from_age(Bank(f"B{i}", (f"U{i}",), 240, 1, (fitted,)), fitted, day, 25.0, i)
        for i in range(2)
    }
    two = tuple(PlayUnit(f"U{i}", (1,), 20_000.0, 30_000.0) for i in range(2))
    task = HoldUpTask(
        "works", None, two, tuple(own_banks(2)), BoardLoad({1: 24_000.0}, {}), dict.fromkeys(known, 20.0), each_lost=True
    )  # fmt: skip
    lost = hold_ups(task, known, SEED).hold_ups.one_unit_lost
    assert lost.ended_by is EndedBy.OVERLOAD
    assert (lost.median_s, lost.high_s) == pytest.approx((129.0, 236.0), rel=0.06)


def test_overload_is_judged_on_each_line_not_on_the_total() -> None:
    lopsided = BoardLoad({1: 12_000.0, 2: 1_000.0, 3: 1_000.0}, {})
    shares = unit_shares(units(1), lopsided)
    assert shares is not None
    assert shares["U0"][0] == pytest.approx(14_000.0)
    assert shares["U0"][1] == pytest.approx(12_000.0 / (20_000.0 / 3))


def test_overload_in_volt_amperes_counts_too() -> None:
    unit = PlayUnit("U0", (1,), 10_000.0, 10_000.0)
    shares = unit_shares([unit], BoardLoad({1: 9_000.0}, {1: 11_000.0}))
    assert shares is not None
    assert shares["U0"][1] == pytest.approx(1.1)


def test_a_common_bank_keeps_its_energy_when_a_unit_is_lost() -> None:
    common = [PlayBank("B0", ("U0", "U1"))]
    both = play(units(2), common, {"B0": bank(0.9)}, evenly(15_000.0))
    one = play(units(2), common, {"B0": bank(0.9)}, evenly(15_000.0), lost=frozenset({"U1"}))
    assert one.seconds[0] == pytest.approx(both.seconds[0])


def test_no_bank_left_means_no_time() -> None:
    played = play(units(1), own_banks(1), {"B0": bank(1.0)}, evenly(1_000.0), lost=frozenset({"U0"}))
    assert played.seconds[0] == 0.0


def test_a_bank_without_belief_is_refused() -> None:
    with pytest.raises(ValueError, match="B0"):
        play(units(1), own_banks(1), {}, evenly(1_000.0))


def test_more_power_than_the_table_prints_promises_nothing() -> None:
    played = play(units(1), own_banks(1), {"B0": bank(1.0, largest_w=5_000.0)}, evenly(9_000.0))
    hold_up = played.hold_up(Basis.TABLE)
    assert (hold_up.low_s, hold_up.median_s, hold_up.high_s) == (None, None, None)
    assert played.above_table_at_start == {"B0"}


def test_a_shed_at_a_time_by_hand() -> None:
    # 10 kW for 600 s uses 1/3; the rest, 2/3, at 5 kW lasts 2/3 * 1800 * 2 ** 1.3 s.
    got = seconds([bank(1.0)], evenly(10_000.0), [LoadChange(600.0, evenly(-5_000.0))])
    assert got == pytest.approx(600.0 + 2.0 / 3.0 * 1800.0 * 2.0**1.3)


def test_play_stops_when_told_and_says_what_is_used() -> None:
    played = play(units(1), own_banks(1), {"B0": bank(1.0)}, evenly(10_000.0), until_s=450.0)
    assert played.held[0]
    assert played.seconds[0] == 450.0
    assert played.used["B0"][0] == pytest.approx(0.25)
    assert np.isnan(played.bank_ended_s["B0"][0])


def test_what_is_used_and_when_units_leave_is_told() -> None:
    played = play(units(2), own_banks(2), {"B0": bank(0.9), "B1": bank(0.5)}, evenly(20_000.0))
    assert played.unit_left_s["U1"][0] == pytest.approx(900.0)
    assert played.unit_left_s["U0"][0] == pytest.approx(played.seconds[0])


def test_draws_are_played_apart() -> None:
    many = replace(bank(1.0), health=np.array([0.2, 0.6, 1.0]), used=np.zeros(3))
    other = replace(bank(1.0), health=np.array([0.9, 0.6, 0.1]), used=np.zeros(3))
    together = play(units(2), own_banks(2), {"B0": many, "B1": other}, evenly(20_000.0)).seconds
    alone = [
        seconds([bank(float(a)), bank(float(b))], evenly(20_000.0))
        for a, b in zip(many.health, other.health, strict=True)
    ]
    assert together == pytest.approx(alone)


def test_percentiles_lean_to_the_safe_side() -> None:
    assert percentiles(np.arange(1000.0)) == (49.0, 499.0, 950.0)
    assert percentiles(np.array([7.0])) == (7.0, 7.0, 7.0)


@pytest.mark.parametrize(
    ("fraction", "borne_s"),
    [(0.5, np.inf), (1.0, np.inf), (1.05, 600.0), (1.10, 600.0), (1.25, 60.0), (1.5, 10.0), (1.51, 0.0)],
)
def test_overload_borne(fraction: float, borne_s: float) -> None:
    assert float(overload_borne_s(fraction)) == pytest.approx(borne_s)


@settings(max_examples=40, deadline=None)
@given(healths, st.floats(15_000.0, 60_000.0), st.floats(0.0, 0.15))
def test_it_equals_the_fine_integrator(health: list[float], watts: float, slope: float) -> None:
    stores = [bank(h, slope=slope) for h in health]
    expected = integrated(stores, watts, step_s=0.5)
    assert seconds(stores, evenly(watts), until_s=40_000.0) == pytest.approx(expected, abs=2.5, rel=0.002)


@settings(max_examples=25, deadline=None)
@given(healths, st.floats(8_000.0, 30_000.0), st.floats(10.0, 900.0), st.floats(1_000.0, 6_000.0))
def test_sheds_by_time_equal_the_fine_integrator(
    health: list[float], watts: float, at_s: float, drop_w: float
) -> None:
    stores = [bank(h) for h in health]
    expected = integrated(stores, watts, sheds=[(at_s, drop_w)])
    got = seconds(stores, evenly(watts), [LoadChange(at_s, evenly(-drop_w))], until_s=40_000.0)
    assert got == pytest.approx(expected, abs=3.0, rel=0.003)


@settings(max_examples=6, deadline=None)
@given(
    st.lists(st.floats(0.3, 1.0), min_size=1, max_size=3),
    st.floats(14_000.0, 20_000.0),
    st.lists(st.sampled_from([120.0, 240.0, 420.0]), min_size=1, max_size=2, unique=True),
)
def test_triggers_on_time_left_equal_the_fine_integrator(
    health: list[float], watts: float, left_s: list[float]
) -> None:
    stores = [bank(h, full_s=900.0) for h in health]
    named = {f"B{i}": store for i, store in enumerate(stores)}
    sheds = [Shed(f"{x}", evenly(3_000.0), when_left_s=x) for x in left_s]
    got = play_with_sheds(units(len(stores)), own_banks(len(stores)), named, evenly(watts), sheds)
    expected = integrated(stores, watts, triggers=[(x, 3_000.0) for x in left_s], step_s=3.0)
    assert float(got.played.seconds[0]) == pytest.approx(expected, abs=20.0, rel=0.01)


@LIMITS
@given(
    healths,
    st.floats(2_000.0, 50_000.0),
    st.floats(1.0, 20_000.0),
    st.sampled_from([1, 2, 3]),
    st.floats(0, 0.15),
)
def test_more_load_on_any_line_never_lengthens(
    health: list[float], watts: float, more: float, line: int, slope: float
) -> None:
    stores = [bank(h, slope=slope) for h in health]
    before = seconds(stores, evenly(watts))
    after = seconds(stores, evenly(watts).plus(BoardLoad({line: more}, {line: more})))
    assert after <= before * (1 + 1e-9) + 1e-6


@LIMITS
@given(
    st.lists(st.floats(0.3, 1.1), min_size=2, max_size=4), st.floats(2_000.0, 60_000.0), st.floats(0, 0.15)
)
def test_losing_a_unit_never_lengthens(health: list[float], watts: float, slope: float) -> None:
    stores = [bank(h, slope=slope) for h in health]
    whole = seconds(stores, evenly(watts))
    for k in range(len(stores)):
        assert seconds(stores, evenly(watts), lost=frozenset({f"U{k}"})) <= whole * (1 + 1e-9) + 1e-6


shed_times = st.lists(
    st.tuples(st.floats(0.0, 2_000.0), st.floats(0.0, 6_000.0)), min_size=1, max_size=3
).map(lambda pairs: [LoadChange(at_s, evenly(-drop_w)) for at_s, drop_w in sorted(pairs)])


@LIMITS
@given(
    healths, st.floats(2_000.0, 50_000.0), st.floats(1.0, 20_000.0), st.sampled_from([1, 2, 3]), shed_times
)
def test_more_load_on_any_line_never_lengthens_though_loads_are_shed_by_time(
    health: list[float], watts: float, more: float, line: int, sheds: list[LoadChange]
) -> None:
    stores = [bank(h) for h in health]
    before = seconds(stores, evenly(watts), sheds)
    after = seconds(stores, evenly(watts).plus(BoardLoad({line: more}, {line: more})), sheds)
    assert after <= before * (1 + 1e-9) + 1e-6


@LIMITS
@given(st.lists(st.floats(0.3, 1.1), min_size=2, max_size=4), st.floats(2_000.0, 60_000.0), shed_times)
def test_losing_a_unit_never_lengthens_though_loads_are_shed_by_time(
    health: list[float], watts: float, sheds: list[LoadChange]
) -> None:
    stores = [bank(h) for h in health]
    whole = seconds(stores, evenly(watts), sheds)
    for k in range(len(stores)):
        lost = seconds(stores, evenly(watts), sheds, lost=frozenset({f"U{k}"}))
        assert lost <= whole * (1 + 1e-9) + 1e-6


@LIMITS
@given(healths, st.floats(4_000.0, 50_000.0), st.floats(0.0, 2_000.0), st.floats(0.0, 20_000.0))
def test_a_shed_by_time_never_shortens(health: list[float], watts: float, at_s: float, drop_w: float) -> None:
    stores = [bank(h) for h in health]
    shed = seconds(stores, evenly(watts), [LoadChange(at_s, evenly(-drop_w))])
    assert shed >= seconds(stores, evenly(watts)) * (1 - 1e-9) - 1e-6


@LIMITS
@given(healths, st.floats(4_000.0, 19_000.0))
def test_it_lies_between_the_shortest_and_the_longest_of_the_units(health: list[float], watts: float) -> None:
    stores = [bank(h) for h in health]
    alone = [float(s.health[0]) * s.seconds(watts / len(stores)) for s in stores]
    got = seconds(stores, evenly(watts))
    assert min(alone) * (1 - 1e-9) <= got <= max(alone) * (1 + 1e-9)


@LIMITS
@given(st.integers(1, 5), st.floats(0.3, 1.1), st.floats(1_000.0, 60_000.0))
def test_equal_units_with_equal_banks_behave_as_one_with_as_many_strings(
    count: int, health: float, watts: float
) -> None:
    many = seconds([bank(health)] * count, evenly(watts))
    one = play(
        units(1, 20_000.0 * count),
        own_banks(1),
        {"B0": bank(health, rated_w=10_000.0 * count)},
        evenly(watts),
    )
    assert many == pytest.approx(float(one.seconds[0]))


@LIMITS
@given(st.lists(st.floats(0.3, 1.1), min_size=3, max_size=3), st.floats(1_000.0, 60_000.0))
def test_the_order_of_units_does_not_matter(health: list[float], watts: float) -> None:
    results = [seconds([bank(h) for h in order], evenly(watts)) for order in permutations(health)]
    assert results == pytest.approx([results[0]] * len(results))


def test_a_trigger_fires_when_that_much_is_left() -> None:
    shed = Shed("lab", evenly(5_000.0), when_left_s=600.0)
    got = play_with_sheds(units(1), own_banks(1), {"B0": bank(1.0)}, evenly(10_000.0), [shed])
    assert got.shed_at_s["lab"][0] == pytest.approx(1200.0)
    assert got.played.seconds[0] == pytest.approx(1200.0 + 1800.0 / 3.0 * 2.0**1.3)


def test_a_shed_that_comes_too_late_never_happens() -> None:
    shed = Shed("lab", evenly(5_000.0), at_s=4_000.0)
    got = play_with_sheds(units(1), own_banks(1), {"B0": bank(1.0)}, evenly(10_000.0), [shed])
    assert got.shed_at_s["lab"][0] == np.inf


def test_two_banks_behind_one_unit_share_by_strings() -> None:
    banks = [PlayBank("B0", ("U0",), strings=2), PlayBank("B1", ("U0",), strings=1)]
    stores: Mapping[str, Peukert] = {"B0": bank(1.0, rated_w=20_000.0), "B1": bank(1.0, rated_w=10_000.0)}
    played = play(units(1), banks, stores, evenly(15_000.0))
    assert played.seconds[0] == pytest.approx(bank(1.0).seconds(5_000.0))
