"""What is said of how a load and a margin move (`rules.system.load.step`, `season`, `rules.statistics.trend`)."""

from __future__ import annotations

from datetime import date
from typing import Final

from rules.phrasing.dates import day_words
from rules.phrasing.says import says
from rules.values.code import Code

MONTHS: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip


@says(Code.LOAD_STEP)
def load_step(*, before_w: float, after_w: float, since: date, weeks: int) -> str:
    """Say from what to what a load stepped, in W, and how many weeks count since."""
    verb = "fell" if after_w < before_w else "rose"
    return (
        f"The load {verb} from {before_w / 1e3:.1f} to {after_w / 1e3:.1f} kW about {day_words(since)} and stayed there: "
        f"only the {weeks} weeks since count."
    )


@says(Code.SEASON_TOO_FEW)
def season_too_few(*, months: int, pairs: int) -> str:
    """Say how many months are on record, and how many of them twice."""
    again = "none has" if pairs == 0 else f"{pairs} {'has' if pairs == 1 else 'have'}"
    return (
        f"{months} {'month is' if months == 1 else 'months are'} on record and {again} come round a second time: growth "
        "and season cannot be told apart until some fifteen are."
    )


@says(Code.SEASON_GROWTH)
def season_growth(*, per_year: float, low: float, high: float, months: int) -> str:
    """Say the growth and its interval, as fractions a year."""
    return (
        f"Season taken off, the load changes by {100 * per_year:+.1f} % a year ({100 * low:+.1f} to {100 * high:+.1f}), by "
        f"{months} months on record."
    )


@says(Code.SEASON_NOT_CLEAR)
def season_not_clear() -> str:
    """Say that no growth may be the truth."""
    return "That is no clear growth: its interval holds none at all."


@says(Code.SEASON_YEARS_DIFFER)
def season_years_differ() -> str:
    """Say that the years do not agree."""
    return "Its years swing at different times: no season can be told yet."


@says(Code.SEASON_HARDLY)
def season_hardly(*, fraction: float) -> str:
    """Say within what its months lie, as a fraction."""
    return f"It has hardly a season: its months lie within {100 * fraction:.0f} %."


@says(Code.SEASON_EXTREMES)
def season_extremes(*, highest: int, over: float, lowest: int, under: float) -> str:
    """Say in which months (1 to 12) it is highest and lowest, and by which fractions."""
    return (
        f"It is highest in {MONTHS[highest - 1]}, {100 * over:.0f} % over the year's mean, and lowest in "
        f"{MONTHS[lowest - 1]}, {100 * under:.0f} % under it."
    )


@says(Code.MARGIN_TOO_FEW_WEEKS)
def margin_too_few_weeks(*, weeks: int, needed: int) -> str:
    """Say how many weeks are on record."""
    return f"{weeks} weeks of load are on record; {needed} are needed to see a trend."


@says(Code.MARGIN_NO_TREND)
def margin_no_trend() -> str:
    """Say that no line can be laid."""
    return "Too few weeks to see a trend."


@says(Code.MARGIN_TREND)
def margin_trend(*, margin_w: float, per_year_w: float, low_w: float, high_w: float, weeks: int) -> str:
    """Say the margin now and how it moves a year, in W."""
    way = "shrinks" if per_year_w < 0.0 else "grows"
    return (
        f"The margin is {margin_w / 1e3:.2f} kW and {way} by {abs(per_year_w) / 1e3:.2f} kW a year "
        f"({low_w / 1e3:+.2f} to {high_w / 1e3:+.2f}), by {weeks} weeks' worst."
    )


@says(Code.MARGIN_NOT_CLEAR)
def margin_not_clear(*, p: float) -> str:
    """Say how likely the same would come of chance."""
    return f"That is no clear trend (Mann-Kendall p = {p:.2f}): read the date with care."
