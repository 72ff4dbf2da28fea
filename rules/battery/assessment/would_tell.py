"""What would tell where nothing was seen: steps in the order of effort, each with what it buys.

To paste the maker's table costs minutes, to import a past test an hour, a discharge a planned day. A discharge
of a quarter of the published time at today's load judges a bank to about six points (the error at that depth,
measured on simulated products), and shows that no cell is open.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import ceil
from typing import Final

from rules.battery.state import WouldTell
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


def shorter_times(banks: Sequence[str]) -> WouldTell:
    """Return what would tell where banks are asked above their table: the rest of it."""
    return WouldTell(reason(Code.TELL_BY_SHORTER_TIMES, banks=_ids(banks)), reason(Code.BUYS_HOLD_UP))


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
    without = _ids(b.bank for b in unseen if b.basis is not Basis.TABLE)
    if without:
        found.append(WouldTell(reason(Code.TELL_BY_TABLE, banks=without), reason(Code.BUYS_HOLD_UP)))
    if unseen:
        past = reason(Code.TELL_BY_PAST_TEST, banks=_ids(b.bank for b in unseen))
        found.append(WouldTell(past, reason(Code.BUYS_PAST_CAPACITY)))
    longest = max(banks, key=lambda b: b.published_s)
    carry = reason(
        Code.TELL_BY_CARRYING,
        banks=_ids(b.bank for b in banks),
        asked_w=sum(b.asked_w for b in banks),
        for_s=60.0 * max(ceil(TEST_SHARE * longest.published_s / 60.0), LEAST_MINUTES),
        on=planned or proposed_day(today),
    )
    found.append(WouldTell(carry, reason(Code.BUYS_CAPACITY)))
    return tuple(found)


def carry_again(banks: Sequence[str], asked_w: Mapping[str, float], today: date) -> WouldTell:
    """Return the step that shows again that judged banks carry: a minute or more at today's load."""
    carry = reason(
        Code.TELL_BY_CARRYING,
        banks=_ids(banks),
        asked_w=sum(asked_w[bank] for bank in banks),
        for_s=60.0 * LEAST_MINUTES,
        on=proposed_day(today),
    )
    return WouldTell(carry, reason(Code.BUYS_CARRYING))


def _ids(banks: Iterable[str]) -> tuple[str, ...]:
    return tuple(sorted(banks))


def not_judged(banks: Sequence[str]) -> tuple[Reason, ...]:
    """Return that banks were not judged since the start: what is on record of them is not read yet."""
    return (reason(Code.BANKS_NOT_JUDGED_YET, banks=tuple(banks)),) if banks else ()
