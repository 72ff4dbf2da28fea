"""Who went on battery with the others of a system, who stayed away, who came back late.

One *call* is one time that a system's units went on their banks for want of mains. It is gathered reading
by reading and judged when every unit that went is back. Cards are read every few seconds at best, so what
fell between two readings is not known: a call shorter than `SEEN_AFTER` says nothing of who stayed away, and a
unit that was not read around its return came back nobody knows when.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Final

from rules.plant.estate import Unit
from rules.plant.reading import OutputSource, Reading
from rules.system.state import Finding
from rules.system.state import FindingKind as Kind
from rules.values.code import Code
from rules.values.reason import reason

LATE: Final = timedelta(seconds=10)
SEEN_AFTER: Final = timedelta(seconds=20)
"""A unit that reads normal so long after the first went on battery has stayed away; before, its card may lag."""
UNSEEN_FOR: Final = timedelta(seconds=15)
"""With a longer gap than this between its last reading on battery and its first off it, a return has no time."""


@dataclass(frozen=True, slots=True)
class Transfer:
    """When a unit went on battery and came back in one call; None: not seen to.

    `last_on`: its last reading on battery. `stayed`: it was read on mains long enough into the call to tell.
    """

    unit: str
    went: datetime | None = None
    back: datetime | None = None
    last_on: datetime | None = None
    stayed: bool = False

    @property
    def under_way(self) -> bool:
        """Return whether the unit, as last read, is still on its bank in this call."""
        return self.went is not None and self.last_on is not None


@dataclass(frozen=True, slots=True)
class Call:
    """One time that a system went on its banks, unit by unit."""

    system: str
    began: datetime
    transfers: Mapping[str, Transfer] = field(default_factory=dict)

    @property
    def over(self) -> bool:
        """Return whether no unit is on its bank any more."""
        return not any(t.under_way for t in self.transfers.values())


def followed(call: Call | None, reading: Reading, system: str) -> Call | None:
    """Return the call after one reading of one of the system's units; None while none is on its bank.

    A bank in a test is no call. A unit that goes on battery again before the call is over has not come back.
    """
    on, at = reading.on_battery, reading.at
    if on is None or reading.in_test:
        return call
    if call is None:
        if not on:
            return None
        call = Call(system, at)
    dark = reading.output.source is OutputSource.NONE
    before = call.transfers.get(reading.unit, Transfer(reading.unit))
    if on:
        after = replace(before, went=before.went or at, back=None, last_on=at, stayed=False)
    elif before.last_on is not None:
        # one that feeds nothing left its bank since that was at its end, or it was switched off: it did not come back
        seen = at - before.last_on <= UNSEEN_FOR and not dark
        after = replace(before, back=at if seen else None, last_on=None)
    elif before.went is None and not dark and at - call.began >= SEEN_AFTER:
        after = replace(before, stayed=True)
    else:
        return call
    return replace(call, transfers={**call.transfers, reading.unit: after})


def judged(call: Call, units: Sequence[Unit]) -> tuple[Finding, ...]:
    """Return who stayed away from a call or came back late, by the units' declared times."""
    allowed = {unit.id: unit.accept_s + unit.hold_off_s + unit.walk_in_s for unit in units}
    known = [t for t in call.transfers.values() if t.went is not None or t.stayed]
    return tuple(replace(found, at=call.began) for found in latecomers(known, allowed))


def latecomers(transfers: Sequence[Transfer], accept_s: Mapping[str, float]) -> tuple[Finding, ...]:
    """Return units that stayed away from a power event or came back late, measured by their siblings.

    `accept_s`: how long each unit is allowed to qualify, wait and ramp by declaration; being later than
    the first by more than the difference and ten seconds is late.
    """
    went = [t for t in transfers if t.went is not None]
    found = [
        Finding(Kind.NOT_ON_BATTERY, t.unit, reason(Code.STAYED_ON_MAINS, t.unit))
        for t in transfers
        if t.went is None and 2 * len(went) > len(transfers)
    ]
    back = {t.unit: t.back for t in went if t.back is not None}
    if not back:
        return tuple(found)
    first = min(back, key=lambda unit: back[unit])
    for unit, at in back.items():
        allowed = LATE + timedelta(seconds=max(accept_s.get(unit, 0.0) - accept_s.get(first, 0.0), 0.0))
        late = at - back[first]
        if late > allowed:
            late_s, allowed_s = late.total_seconds(), allowed.total_seconds()
            why = reason(Code.CAME_BACK_LATE, unit, late_s=late_s, first=first, allowed_s=allowed_s)
            found.append(Finding(Kind.LATE_BACK, unit, why, late_s, allowed_s))
    return tuple(found)
