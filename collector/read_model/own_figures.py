"""How the service itself keeps up, whether it reads its cards, and of a centre: which of its sites are heard."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Readiness:
    """Whether the service reads its cards: how many answer, of how many."""

    ready: bool
    cards: int
    answering: int
    silent: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class OwnFigures:
    """How the service itself keeps up. Polls are counted once they are judged, kept and shown, since the start.

    `oldest_reading_s`: age of the oldest of the units' last readings, None without cards. `wait_s`: how long the
    oldest of what is not judged yet has waited. `busy_s`: seconds spent on batches. `background_count`: questions to
    the judging process without an answer, the oldest of which has waited for `background_s`. `budget_count`: pieces of
    work that nobody waits for which are still to be done; none of them begins for `budget_debt_s`, `budget_spent_s`
    were spent on them since the start.
    """

    polls: int
    late: int
    missed: int
    oldest_reading_s: float | None
    wait_s: float
    busy_s: float
    background_count: int
    background_s: float
    budget_count: int
    budget_debt_s: float
    budget_spent_s: float


@dataclass(frozen=True, slots=True)
class ShownAct:
    """What somebody did at a centre, `about` what, and how that stands: waiting, taken, refused, undelivered or unanswered.

    `made_at`: when it was done, `until`: till when it is tried, `since`: when it came to stand so. `text`: all of it in words.
    """

    id: str
    about: str
    deed: str
    by: str
    made_at: datetime
    until: datetime
    standing: str
    since: datetime
    text: str


@dataclass(frozen=True, slots=True)
class HeardSite:
    """A site that a centre shows, at its own page's `address`: when it was heard last, and since when it is quiet.

    `quiet_since` None while it is heard, and where nothing was ever heard of it. `version`: of the estate file in force
    there, `program`: of what runs there, "" while neither is known. `takes_acts`: whether what people do at the centre is handed
    on to it; `acts`: what is on its way, and what of late was not done, the oldest first.
    """

    id: str
    name: str
    address: str
    heard_at: datetime | None
    quiet: bool
    quiet_since: datetime | None
    systems_count: int
    version: str = ""
    program: str = ""
    takes_acts: bool = False
    acts: tuple[ShownAct, ...] = ()


def acts_on(heard: Iterable[HeardSite], name: str) -> bool:
    """Return whether what people do at a centre with a thing is handed on to its site."""
    return any(site.takes_acts and name.startswith(f"{site.id}:") for site in heard)


def acts_shown(heard: Iterable[HeardSite], *names: str | None) -> tuple[ShownAct, ...]:
    """Return the acts on any of some things that are on their way, or of late were not done."""
    return tuple(act for site in heard for act in site.acts if act.about in names)
