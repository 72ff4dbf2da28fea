"""What people are told: each letter's claims, sentence by sentence, and what it says of itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, cast

from collector.messaging.delivery.letter import notice_fields
from collector.simulation.plant.truth import Truth
from collector.simulation.plant.world import TrueHoldUp
from rules.alarms.incidents.incident import Notice
from tests.audit.predicates.holding import surprised
from tests.audit.sight import TRUE, UNDECIDED, Finding, Sight, false
from tests.audit.statements import Statement
from tests.audit.world import World
from tests.collector.messaging.claims import SEEN_WITHIN_S, Judge, Moment

BEFORE_IT_S: Final = 30.0
"""An incident is opened by what a card showed, at the most so long after it was so."""


@dataclass(frozen=True)
class KnownTruth(Truth):
    """The truth of a second, whose ends the story has played already."""

    world: World | None = None
    second: int = 0

    def hold_up(self, system: str) -> TrueHoldUp:
        """Return how long a system would hold from this second."""
        assert self.world is not None
        left_s = self.world.hold_up_s(system, self.second)
        return TrueHoldUp(None if left_s == float("inf") else left_s, {})


def letter(sight: Sight, said: Statement) -> Finding:
    """No claim of a letter that is known for one is wrong."""
    notice = cast("Notice", said.value)
    systems = {p.system for p in notice.parts} or {
        sight.estate.units[u].system for u in sight.units_of(notice.about)
    }
    first = max(int(said.at_s - SEEN_WITHIN_S) - 1, 0)
    opened_s = ((notice.opened_at or notice.at) - sight.began(said.at_s)).total_seconds()
    since = max(int(opened_s - BEFORE_IT_S), 0)  # a letter is about its own incident, not of the day
    moments = [
        Moment(float(s), KnownTruth(p.plant, p.state, sight.world, s))
        for s, p in enumerate(sight.world.seconds[: int(said.at_s) + 1])
        if s >= since
    ]
    judge = Judge(sight.estate, moments)
    found = judge.falsehoods(notice_fields(notice), said.at_s)
    if not found:
        return TRUE if judge.checked else UNDECIDED
    units = tuple(u.id for s in systems for u in sight.estate.units_of(s))
    if sight.blind(units, first - 60.0, said.at_s) or any(surprised(sight, s, said.at_s) for s in systems):
        return UNDECIDED
    return false(f"{'; '.join(found)} in {notice.what!r}")
