"""An act that a centre hands on to a site, and how it stands: a request of the site's own HTTP interface, with an id of its own.

What is done is the site's affair, and so is the answer; here is only what is asked, by whom, until when, and what came of it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import Final

LATE_AFTER: Final = timedelta(seconds=60)
"""A site tells its journal within seconds: what it took and has not told so long after is late."""
AS_LONG_AS: Final = timedelta(minutes=15)
"""How long what failed is shown beside what it was about."""
OPEN_FOR: Final = timedelta(days=1)
"""What a journal does not tell for so long, it never will: a ledger that was put back from an older copy, say."""


class ActStanding(StrEnum):
    """How an act stands that was handed on."""

    WAITING = "waiting"
    """On its way: the site was not reached, or has not answered."""
    TAKEN = "taken"
    """The site took it; its journal has not been heard with it yet."""
    DONE = "done"
    """It is in the site's journal."""
    REFUSED = "refused"
    UNDELIVERED = "undelivered"
    """The site was not reached in time: nothing was done, and nothing will be."""
    UNANSWERED = "unanswered"
    """The site may have had it and did not answer in time: only its journal tells whether it was done."""


OPEN: Final = frozenset({ActStanding.WAITING, ActStanding.TAKEN})
FAILED: Final = frozenset({ActStanding.REFUSED, ActStanding.UNDELIVERED, ActStanding.UNANSWERED})


@dataclass(frozen=True, slots=True)
class HandedOn:
    """One act. `about`: what it is done to, by its name at the centre; `path` and `body` (JSON): as the site is asked.

    `known`: whether the centre vouches for the name in `by`; `means` and `address`: how its doer is known, and from where.
    `why`: what the site said, or what kept it from being reached. `since`: when it came to stand so.
    """

    id: str
    site: str
    about: str
    deed: str
    path: str
    body: str
    by: str
    known: bool
    means: str
    address: str
    made: datetime
    until: datetime
    since: datetime
    standing: ActStanding = ActStanding.WAITING
    why: str = ""

    def now(self, standing: ActStanding, at: datetime, why: str = "") -> HandedOn:
        """Return it as it stands from now on."""
        return replace(self, standing=standing, since=at, why=why)

    def shown(self, now: datetime) -> bool:
        """Return whether it still belongs beside what it is about."""
        longest = {**dict.fromkeys(OPEN, OPEN_FOR), **dict.fromkeys(FAILED, AS_LONG_AS)}.get(self.standing)
        return longest is not None and now - self.since < longest

    def words(self, now: datetime) -> str:
        """Return how it stands as a sentence or two: what was done, or what to do."""
        return f"{self.by}, {self.deed}: {_STANDS[self.standing](self, now)}"


def _waiting(act: HandedOn, _now: datetime) -> str:
    why = f" ({act.why})" if act.why else ""
    return (
        f"on its way to {act.site}{why}; tried until {act.until.astimezone(UTC):%H:%M:%S} UTC, then given up."
    )


def _taken(act: HandedOn, now: datetime) -> str:
    if now - act.since < LATE_AFTER:
        return f"{act.site} took it; its journal has not told it yet."
    return (
        f"{act.site} took it {int((now - act.since).total_seconds())} s ago, and its journal has not come since: look whether "
        "the site is heard, and at its own page. Do not do it again here."
    )


def _refused(act: HandedOn, _now: datetime) -> str:
    return f"{act.site} refused it, and nothing was done: {act.why}"


def _undelivered(act: HandedOn, _now: datetime) -> str:
    return (
        f"not delivered, and nothing was done: {act.site} was not reached ({act.why}). Do it at the site's own page, "
        "or here again once the site answers."
    )


def _unanswered(act: HandedOn, _now: datetime) -> str:
    return (
        f"{act.site} did not answer in time ({act.why}): whether it was done, its journal says once it is heard. "
        "It will not be done any more. Look at the site's own page before it is done again."
    )


_STANDS: Final = {
    ActStanding.WAITING: _waiting,
    ActStanding.TAKEN: _taken,
    ActStanding.DONE: lambda act, _now: f"done, as the journal of {act.site} says.",
    ActStanding.REFUSED: _refused,
    ActStanding.UNDELIVERED: _undelivered,
    ActStanding.UNANSWERED: _unanswered,
}
