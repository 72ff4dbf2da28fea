"""Words that the sentences of all rules share.

A day is written in one style everywhere, "7 Oct 2026". Which day a moment fell on depends on the clock on the
site's wall: `estate.Site.zone`.
"""

from __future__ import annotations

from datetime import date, datetime, tzinfo
from typing import Final

from rules.estate import Purpose

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
