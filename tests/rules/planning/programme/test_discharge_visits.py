"""The discharges that pay, put into visits: few, and never two that may not stand beside each other on one day."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from rules.battery.state import BankState, DischargeAdvice, JudgedDischarge, TestPlan
from rules.phrasing.programme_text import as_calendar, visits_text
from rules.phrasing.reasons import say
from rules.planning.programme.discharge_visits import DischargeVisit, apart, discharge_visits, visit_of
from rules.planning.programme.programme import Job, programme
from rules.plant.estate import Estate
from rules.values.code import Code
from rules.values.reason import reason, told
from tests.rules.planning.programme.test_programme import NOW, TODAY
from tests.rules.planning.programme.test_programme import state as judged
from tests.rules.sample_plants import estate as plant

FIRST = date(2026, 12, 8)


def advice(on: date = FIRST, days: int = 0, order_by: date | None = date(2027, 6, 1)) -> DischargeAdvice:
    return DischargeAdvice(
        on, on + timedelta(days=days), 600.0, 9_000.0, 0.5, order_by, date(2027, 4, 1), date(2028, 5, 1),
        None if order_by is None else 90, 0.7, 150, 0.2, 60, 0.004, 1200.0,
    )  # fmt: skip


def state(bank: str, told_: DischargeAdvice | None) -> BankState:
    tests = TestPlan(date(2025, 1, 1), date(2027, 1, 1), 730, told("every two years"), advice=told_)
    return replace(judged(bank, date(2028, 6, 30)), tests=tests)


def estates(systems: int, units: int, *, partners: bool = False) -> Estate:
    """Return an estate of one site with systems of some units, each with a bank "S1.1"."""
    base = plant(units)
    one = next(iter(base.systems.values()))
    first = base.units_of(one.id)
    names = [f"S{n + 1}" for n in range(systems)]
    pair = {names[n]: names[n ^ 1] for n in range(systems - systems % 2)} if partners else {}
    made = {n: replace(one, id=n, name=n, partner=pair.get(n)) for n in names}
    positions = {
        f"{n}-{k + 1}": replace(first[k], id=f"{n}-{k + 1}", system=n) for n in names for k in range(units)
    }
    blocks = next(iter(base.banks.values()))
    banks = {
        f"{u.system}.{u.id[-1]}": replace(blocks, id=f"{u.system}.{u.id[-1]}", feeds=(u.id,))
        for u in positions.values()
    }
    return replace(base, systems=made, units=positions, banks=banks)


def days_of(visits: tuple[DischargeVisit, ...]) -> dict[str, date]:
    return {d.bank: v.on for v in visits for d in v.discharges}


def test_units_of_different_systems_are_done_in_one_visit_and_those_of_one_a_week_apart() -> None:
    place = estates(2, 2)
    visits = discharge_visits(place, [state(b, advice()) for b in place.banks])
    assert [(v.on, [d.bank for d in v.discharges]) for v in visits] == [
        (FIRST, ["S1.1", "S2.1"]),
        (FIRST + timedelta(days=7), ["S1.2", "S2.2"]),
    ]


def test_partners_on_a_bypass_panel_are_not_done_on_one_day() -> None:
    place = estates(2, 1, partners=True)
    days = days_of(discharge_visits(place, [state(b, advice()) for b in place.banks]))
    assert sorted(days.values()) == [FIRST, FIRST + timedelta(days=7)]


def test_the_second_unit_keeps_its_day_when_the_first_was_done_and_waits_for_a_bank_that_gave_in_an_outage() -> (
    None
):
    place = estates(1, 2)
    done = JudgedDischarge(datetime.combine(FIRST, time(10), tzinfo=UTC), "test", 0.5, 0.9, 0.85, 0.95)
    first = replace(state("S1.1", None), discharges=(done,))
    assert days_of(discharge_visits(place, [first, state("S1.2", advice())])) == {
        "S1.2": FIRST + timedelta(days=7)
    }
    long_ago = replace(done, at=done.at - timedelta(days=60))
    rested = replace(first, discharges=(long_ago,))
    assert days_of(discharge_visits(place, [rested, state("S1.2", advice())])) == {"S1.2": FIRST}


def test_what_may_wait_is_done_with_what_may_not_be_done_sooner() -> None:
    place = estates(2, 1)
    later = FIRST + timedelta(days=56)
    visits = discharge_visits(place, [state("S1.1", advice(days=90)), state("S2.1", advice(later, 20))])
    assert [(v.on, len(v.discharges)) for v in visits] == [(later, 2)]
    apart_ = discharge_visits(place, [state("S1.1", advice(days=20)), state("S2.1", advice(later, 20))])
    assert [v.on for v in apart_] == [FIRST, later]


def test_a_bank_that_nothing_pays_for_is_in_no_visit() -> None:
    place = estates(1, 2)
    visits = discharge_visits(place, [state("S1.1", None), state("S1.2", advice())])
    assert visit_of(visits, "S1.1") is None
    found = visit_of(visits, "S1.2")
    assert found is not None
    assert found[0].on == found[1].advice.on == FIRST


def test_an_unproven_bank_goes_first() -> None:
    place = estates(1, 2)
    days = days_of(discharge_visits(place, [state("S1.1", advice()), state("S1.2", advice(order_by=None))]))
    assert days == {"S1.2": FIRST, "S1.1": FIRST + timedelta(days=7)}


def test_it_says_what_follows_if_the_bank_ends() -> None:
    place = estates(1, 2)
    for spare, code in (
        (True, Code.DISCHARGE_OTHERS_CARRY),
        (False, Code.DISCHARGE_OTHERS_SHORT),
        (None, Code.DISCHARGE_OTHERS_NOT_KNOWN),
    ):
        (visit,) = discharge_visits(place, [state("S1.1", advice())], {"S1": spare})
        assert visit.discharges[0].if_it_ends == reason(code)
    single = estates(1, 1)
    (visit,) = discharge_visits(single, [state("S1.1", advice())], {"S1": True})
    assert visit.discharges[0].if_it_ends == reason(Code.DISCHARGE_OF_ONLY_UNIT)
    both = replace(place, banks={"c": replace(place.banks["S1.1"], id="c", feeds=("S1-1", "S1-2"))})
    (visit,) = discharge_visits(both, [state("c", advice())])
    assert visit.discharges[0].if_it_ends.code is Code.DISCHARGE_OF_COMMON_BANK


windows = st.lists(st.tuples(st.integers(0, 60), st.integers(0, 90)), min_size=12, max_size=12)


@settings(max_examples=60, deadline=None)
@given(windows, st.booleans())
def test_whatever_is_wanted_is_done_once_never_too_soon_and_never_beside_what_it_may_not(
    wanted: list[tuple[int, int]], partners: bool
) -> None:
    place = estates(4, 3, partners=partners)
    states = [
        state(bank, advice(FIRST + timedelta(days=on), more))
        for bank, (on, more) in zip(place.banks, wanted, strict=True)
    ]
    visits = discharge_visits(place, states)
    done = [d.bank for v in visits for d in v.discharges]
    assert sorted(done) == sorted(place.banks)
    soonest = {s.id: s.tests.advice.on for s in states if s.tests and s.tests.advice}
    for visit in visits:
        for one in visit.discharges:
            assert visit.on >= soonest[one.bank]
            assert one.advice.on == visit.on <= one.advice.latest
            assert not any(apart(place, one, other) for other in visit.discharges if other is not one)


def test_the_programme_and_its_calendar_have_a_discharge_on_the_day_of_its_visit() -> None:
    place = estates(1, 2)
    found = programme(place, [state(b, advice()) for b in place.banks], TODAY)
    rows = {r.about: r for r in found.rows if r.job is Job.BANK_TEST}
    assert {about: r.due for about, r in rows.items()} == days_of(found.visits)
    assert "Let bank S1.1 carry" in say(rows["S1.1"].because)
    calendar = as_calendar([rows["S1.2"]], {}, NOW)
    assert f"DTSTART;VALUE=DATE:{FIRST + timedelta(days=7):%Y%m%d}" in calendar


def test_a_bank_that_is_to_be_ordered_is_discharged_first_where_that_pays() -> None:
    place = estates(1, 1)
    due = replace(state("S1.1", advice(order_by=TODAY)), dates=judged("S1.1", TODAY).dates)
    jobs = [r.job for r in programme(place, [due], TODAY).rows]
    assert Job.BANK_TEST in jobs
    assert Job.REPLACE_BANK in jobs


def test_the_visits_are_said_with_why_none_pays_of_the_others() -> None:
    place = estates(1, 2)
    none = replace(state("S1.2", None))
    assert none.tests is not None
    none = replace(none, tests=replace(none.tests, without_advice=reason(Code.NO_TEST_PAYS_SHOWN_OVER)))
    banks = [state("S1.1", advice()), none]
    text = visits_text(programme(place, banks, TODAY, spare={"S1": True}), banks, {"north": "North"})
    assert text.splitlines()[0].startswith("8 Dec 2026, ")
    assert (
        "  Let bank S1.1 carry its part of the load (about 9.0 kW now) for 10 min, from 8 Dec 2026 on" in text
    )
    assert "If it ends, the other units carry the load." in text
    assert "Bank S1.2: No discharge is advised" in text
