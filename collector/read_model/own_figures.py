"""How the service itself keeps up, and whether it reads its cards."""

from __future__ import annotations

from dataclasses import dataclass


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
