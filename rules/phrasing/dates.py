"""Words that the sentences of all rules share.

A day is written in one style everywhere, "7 Oct 2026". Which day a moment fell on depends on the clock on the
site's wall: `estate.Site.zone`.
"""

from __future__ import annotations

from datetime import date, datetime, tzinfo
from typing import Final

from rules.battery.state import ReplacementDates
from rules.plant.estate import Purpose

PURPOSES: Final = {
    Purpose.GENERATOR_START: "the generator's start",
    Purpose.MANUAL_GENERATOR_START: "a start by hand",
    Purpose.ORDERLY_SHUTDOWN: "an orderly shutdown",
    Purpose.PLANNED: "the planned work",
}


def day_words(day: date) -> str:
    """Return a day as people write it, "7 Oct 2026"."""
    return f"{day.day} {day:%b %Y}"


def day_of(moment: datetime, zone: tzinfo) -> str:
    """Return the day on which a moment fell by a site's clock."""
    return day_words(moment.astimezone(zone).date())


SEASONS: Final = ("winter", "spring", "summer", "autumn")


def years_words(start: date, end: date) -> str:
    """Return a span of days as what it is good to: "2027 to 2031", "in 2027"."""
    return f"in {start.year}" if start.year == end.year else f"{start.year} to {end.year}"


def due_words(dates: ReplacementDates, today: date | None = None) -> str:
    """Return by when a bank is to be replaced, no finer than its end is known: "by autumn 2027", "by 7 Oct 2027"."""
    by = dates.replace_by
    if by is None:
        return "on a day that cannot be told"
    return f"by {about_day(by, dates.ends_early, dates.ends_late, today)}"


def about_day(day: date, early: date | None, late: date | None, today: date | None = None) -> str:
    """Return a day as `about_words` does; within a year from `today` the month is said, since somebody has to plan it."""
    words = about_words(day, early, late)
    if today is not None and abs((day - today).days) < 366 and words != day_words(day):
        return f"{day:%b %Y}"
    return words


def about_words(day: date, early: date | None, late: date | None) -> str:
    """Return a day no finer than its interval deserves: "2031", "autumn 2027", "Oct 2027" or "7 Oct 2027".

    `early` and `late`: the 5th and 95th percentile of what it was reckoned from. Over three years apart a year is
    all that may be said, over half a year a season (of the north: December counts to the winter that begins),
    over two months a month; without an interval the day stands.
    """
    if early is None or late is None:
        return day_words(day)
    width = (late - early).days
    if width > 3 * 366:
        return str(day.year)
    if width > 183:
        season = SEASONS[day.month % 12 // 3]
        year = str(day.year)
        if season == "winter":
            first = day.year if day.month == 12 else day.year - 1
            year = f"{first}/{(first + 1) % 100:02d}"
        return f"{season} {year}"
    return f"{day:%b %Y}" if width > 61 else day_words(day)
