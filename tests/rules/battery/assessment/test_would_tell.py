"""What would tell where nothing was seen, the least effort first."""

from datetime import date, timedelta

from rules.battery.assessment.would_tell import Unproven, carry_again, proposed_day, steps_for
from rules.values.code import Code
from rules.values.verdict import Basis

TODAY = date(2026, 11, 30)


def bank(name: str, basis: Basis = Basis.TABLE, published_s: float = 1200.0) -> Unproven:
    return Unproven(name, basis, 6_000.0, published_s)


def test_nothing_needs_telling_where_everything_was_seen() -> None:
    assert steps_for((), TODAY) == ()


def test_a_table_is_asked_for_only_of_banks_without_one() -> None:
    steps = steps_for((bank("d1"), bank("d3", Basis.GENERIC)), TODAY)
    assert [step.step.code for step in steps] == [
        Code.TELL_BY_TABLE,
        Code.TELL_BY_PAST_TEST,
        Code.TELL_BY_CARRYING,
    ]
    assert steps[0].step["banks"] == ("d3",)
    assert steps[1].step["banks"] == ("d1", "d3")
    known = steps_for((bank("d1"),), TODAY)
    assert [step.step.code for step in known] == [Code.TELL_BY_PAST_TEST, Code.TELL_BY_CARRYING]


def test_a_discharge_takes_a_quarter_of_the_published_time_at_today_s_load() -> None:
    step = steps_for((bank("d1"), bank("d2")), TODAY)[-1].step
    assert (step["asked_w"], step["for_s"]) == (12_000.0, 300.0)
    assert steps_for((bank("d1", published_s=120.0),), TODAY)[-1].step["for_s"] == 120.0


def test_a_planned_test_is_named_by_its_day() -> None:
    assert steps_for((bank("d1"),), TODAY, date(2027, 3, 9))[-1].step["on"] == date(2027, 3, 9)


def test_the_day_that_is_proposed_is_a_tuesday_a_fortnight_ahead_and_moves_once_a_month() -> None:
    days = [TODAY + timedelta(days=n) for n in range(400)]
    proposed = [proposed_day(day) for day in days]
    assert all(day.weekday() == 1 and day.day <= 7 for day in proposed)
    assert all((found - day).days >= 14 for found, day in zip(proposed, days, strict=True))
    assert len(set(proposed)) <= 15  # one a month


def test_a_bank_judged_long_ago_need_only_carry_again() -> None:
    step = carry_again(["d1"], {"d1": 6e3}, TODAY).step
    assert (step["banks"], step["asked_w"], step["for_s"]) == (("d1",), 6e3, 120.0)
