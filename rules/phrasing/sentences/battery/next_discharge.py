"""Whether a discharge of a bank pays, when, how deep, and what it risks.

`rules.battery.assessment.next_discharge`.
"""

from __future__ import annotations

from datetime import date
from typing import Final

from rules.battery.state import DischargeMeans
from rules.phrasing.dates import day_words
from rules.phrasing.durations import minutes
from rules.phrasing.figures import listed, whole_percent
from rules.phrasing.says import says
from rules.values.code import Code
from rules.values.constants import DAYS_A_YEAR

_MONTH_DAYS: Final = DAYS_A_YEAR / 12.0
_TOLD: Final = 0.005


@says(Code.DO_DISCHARGE)
def do_discharge(
    about: str, *, power_w: float, for_s: float, on: date, latest: date, means: DischargeMeans
) -> str:
    """Say which discharge pays, and how it is made."""
    kilowatts = f"{power_w / 1e3:.0f} kW" if power_w >= 10e3 else f"{power_w / 1e3:.1f} kW"
    day = f"from {day_words(on)} on" if latest == on else f"between {day_words(on)} and {day_words(latest)}"
    if means is DischargeMeans.OWN_TEST:
        return (
            f"Have the unit of bank {about} make its own test, of {for_s / 60.0:.0f} min as it was before, {day}: a person starts it "
            "at the unit's panel, with the generator ready."
        )
    return (
        f"Let bank {about} carry its part of the load (about {kilowatts} now) for {for_s / 60.0:.0f} min, {day}: "
        "switch off the input of its unit alone, with the generator ready and somebody present who switches it on again."
    )


@says(Code.DISCHARGE_BUYS)
def discharge_buys(
    *,
    on: date,
    order_by: date | None,
    order_early: date,
    order_late: date,
    expected_days: float | None,
    later: float,
    later_days: float,
    sooner: float,
    sooner_days: float,
) -> str:
    """Say how the day to order moves by a discharge, and how likely."""
    if order_late <= on:
        span = "at once with 90 % probability"
    else:
        first = "the day of the discharge" if order_early <= on else day_words(order_early)
        span = f"between {first} and {day_words(order_late)} with 90 % probability"
    if order_by is None or expected_days is None:
        return f"It gives the bank its first day to order by, {span}."
    put_off = f"with {whole_percent(later)} % probability, by {_span(later_days)} in the median"
    back = f"with {whole_percent(sooner)} %, by {_span(sooner_days)}"
    average = f"On the average {_span(abs(expected_days))} {'later' if expected_days >= 0 else 'sooner'}"
    if order_by < on:
        return (
            f"The day to order comes before it; after it the order is put off {put_off}, or is to be placed at once. "
            f"{average}, {span}."
        )
    moves = [f"later {put_off}"] if later >= _TOLD else []
    moves += [f"sooner {back}"] if sooner >= _TOLD else []
    return f"It moves the day to order by, {day_words(order_by)}: {'; '.join(moves)}. {average}, {span}."


@says(Code.DISCHARGE_RISKS)
def discharge_risks(*, least_s: float | None, ends: float) -> str:
    """Say what a discharge risks."""
    likely = "under 1" if ends < 0.01 else whole_percent(ends)
    held = (
        "How long it holds that load at the least is not known"
        if least_s is None
        else f"It holds that load for at least {minutes(least_s)}"
    )
    return f"{held}; it ends in the discharge with {likely} % probability."


@says(Code.CHEAPEST_DAY)
def cheapest_day(
    *,
    by: date,
    cost: float,
    fails: float,
    told_by: date | None,
    told_cost: float | None,
    told_fails: float | None,
) -> str:
    """Say what the prices would have, beside what the rule of 5 % has."""
    cheapest = (
        f"By the prices stated it is cheapest to replace the bank by {day_words(by)}: {cost:,.0f} a year, and with "
        f"{whole_percent(fails)} % probability it ends before."
    )
    if told_by is None or told_cost is None or told_fails is None:
        return cheapest
    return (
        f"{cheapest} The day told above, {day_words(told_by)}, keeps the risk under 5 %: {told_cost:,.0f} a year, and "
        f"{whole_percent(told_fails)} %."
    )


@says(Code.DISCHARGE_OTHERS_CARRY)
def discharge_others_carry() -> str:
    """Say what follows if a bank ends where the others carry."""
    return "If it ends, the other units carry the load."


@says(Code.DISCHARGE_OTHERS_SHORT)
def discharge_others_short() -> str:
    """Say what follows if a bank ends where the others do not carry the load."""
    return "If it ends, the other units do not carry the load on every line: it goes to the bypass. Do it at low load."


@says(Code.DISCHARGE_OTHERS_NOT_KNOWN)
def discharge_others_not_known() -> str:
    """Say that it is not known what follows if a bank ends."""
    return "Whether the other units carry the load if it ends cannot be told."


@says(Code.DISCHARGE_OF_ONLY_UNIT)
def discharge_of_only_unit() -> str:
    """Say what follows if the bank of the only unit ends."""
    return "No other unit stands beside it: if it ends, the load goes to the bypass, or is lost where that is not there."


@says(Code.DISCHARGE_OF_COMMON_BANK)
def discharge_of_common_bank(*, units: tuple[str, ...]) -> str:
    """Say that a common bank is discharged by all its units at once."""
    return f"The bank is common to {listed(units)}: all of them are on it at once, and if it ends the load goes to the bypass."


@says(Code.DISCHARGE_ADVISED)
def discharge_advised(*, do: str, buys: str, risks: str) -> str:
    """Say the whole of an advice."""
    return f"{do} {buys} {risks}"


@says(Code.NO_TEST_PAYS)
def no_test_pays(*, days: float, until: date) -> str:
    """Say that no discharge moves the day to order by enough."""
    return (
        f"To move the day to order no discharge pays: until {day_words(until)} none moves it by more than {_span(days)} "
        "on the average."
    )


@says(Code.NO_TEST_PAYS_SAFELY)
def no_test_pays_safely(*, most: float) -> str:
    """Say that no discharge is safe enough."""
    return f"No discharge is advised: even a short one ends the bank with more than {whole_percent(most)} % probability."


@says(Code.NO_TEST_PAYS_SHOWN_OVER)
def no_test_pays_shown_over() -> str:
    """Say that a bank that is over needs no test."""
    return "No discharge is advised: what was seen of the bank showed already that it is over."


@says(Code.NO_TEST_PAYS_WITHOUT_DATE)
def no_test_pays_without_date() -> str:
    """Say that there is no day to order that could move."""
    return "No discharge pays: the bank has no day to order by within forty years."


@says(Code.NO_TEST_PAYS_WITHOUT_TABLE)
def no_test_pays_without_table() -> str:
    """Say that nothing can be reckoned without a table."""
    return "What a discharge buys cannot be reckoned: no run time table covers the load."


def _span(days: float) -> str:
    """Return a span of days as people say it: days up to two months, months up to two years, then years."""
    if days < 1.5 * _MONTH_DAYS:
        return f"{days:.0f} days" if round(days) != 1 else "a day"
    if days < 2.0 * DAYS_A_YEAR:
        return f"{days / _MONTH_DAYS:.0f} months"
    return f"{days / DAYS_A_YEAR:.1f} years"
