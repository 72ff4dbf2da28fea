"""What would tell where nothing was seen: steps in the order of effort, each with what it buys.

To paste the maker's table costs minutes, to import a past test an hour, a discharge a planned day. A discharge
of a quarter of the published time at today's load judges a bank to about six points (the error at that depth,
measured on simulated products), and shows that no cell is open.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import ceil
from typing import Final

from rules.battery.state import WouldTell
from rules.phrasing.dates import day_words
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Basis

TEST_SHARE: Final = 0.25
"""Share of the published time that a discharge takes to tell: a quarter, not a risk for a bank that has half left."""
LEAST_MINUTES: Final = 2
NOTICE: Final = timedelta(days=14)
_TUESDAY: Final = 1


@dataclass(frozen=True, slots=True)
class Unproven:
    """A bank that nothing was seen of: what its curve rests on, its load now, and what is published for that.

    `aged`: something was seen, but so long ago that no least can be told of it. `lately_s`: for how long it was seen to
    carry since, too short to tell one either; None: not at all.
    """

    bank: str
    basis: Basis
    asked_w: float
    published_s: float
    aged: bool = False
    lately_s: float | None = None


def proposed_day(today: date) -> date:
    """Return the day that is proposed for a discharge: the first Tuesday of a month, a fortnight ahead at the least.

    It stays the same for a month, so that what is said does not move with every day.
    """
    soonest = today + NOTICE
    first = soonest.replace(day=1)
    if soonest.day > 1:
        first = (first + timedelta(days=32)).replace(day=1)
    return first + timedelta(days=(_TUESDAY - first.weekday()) % 7)


def steps_for(banks: Sequence[Unproven], today: date, planned: date | None = None) -> tuple[WouldTell, ...]:
    """Return what would tell how long some unproven banks hold, the least effort first; empty for none.

    `planned`: the day of a test that is planned already.
    """
    if not banks:
        return ()
    found: list[WouldTell] = []
    unseen = [b for b in banks if not b.aged]
    without = [b.bank for b in unseen if b.basis is not Basis.TABLE]
    if without:
        found.append(
            WouldTell(
                f"Paste the maker's constant-power table of {named(without)} into the estate file (constant_power).",
                "Hold-up by the maker's own figures, where a typical curve is good to 20 %.",
            )
        )
    if unseen:
        found.append(
            WouldTell(
                f"Import a past test or discharge log of {named([b.bank for b in unseen])} (ridethrough import).",
                "Its capacity as it was then: dates and verdicts at once.",
            )
        )
    names = named([b.bank for b in banks])
    longest = max(banks, key=lambda b: b.published_s)
    minutes = max(ceil(TEST_SHARE * longest.published_s / 60.0), LEAST_MINUTES)
    on = day_words(planned or proposed_day(today))
    found.append(
        WouldTell(
            f"Let {names} carry today's load ({sum(b.asked_w for b in banks) / 1e3:.1f} kW) for {minutes} min, "
            f"say on {on}, with help at hand.",
            "Capacity to about 6 points, and that no cell is open: the generator's start can be judged from then on.",
        )
    )
    return tuple(found)


def carry_again(banks: Sequence[str], asked_w: Mapping[str, float], today: date) -> WouldTell:
    """Return the step that shows again that judged banks carry: a minute or more at today's load."""
    watts = sum(asked_w[bank] for bank in banks)
    return WouldTell(
        f"Let {named(banks)} carry today's load ({watts / 1e3:.1f} kW) for {LEAST_MINUTES} min, "
        f"say on {day_words(proposed_day(today))}, with help at hand.",
        "That no cell is open: the generator's start can be judged from then on.",
    )


def not_judged(banks: Sequence[str]) -> tuple[Reason, ...]:
    """Return that banks were not judged since the start: what is on record of them is not read yet."""
    return (reason(Code.BANKS_NOT_JUDGED_YET, banks=tuple(banks)),) if banks else ()


def named(banks: Sequence[str]) -> str:
    """Return "bank d3", "banks d1 and d3"."""
    ids = sorted(banks)
    if len(ids) == 1:
        return f"bank {ids[0]}"
    return f"banks {', '.join(ids[:-1])} and {ids[-1]}"
