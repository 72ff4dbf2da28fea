"""One story held against its truth: every statement with what came of it, and what should have been said and was not."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from tests.audit.omissions import Omission, omissions
from tests.audit.play import Played, play
from tests.audit.predicates.registry import PREDICATES
from tests.audit.sight import UNDECIDED, Finding, Sight, So
from tests.audit.statements import Statement
from tests.audit.stories import Story


@dataclass
class Audited:
    """A story with each statement's finding."""

    story: Story
    played: Played
    found: list[tuple[Statement, Finding]] = field(default_factory=list)
    missed: Sequence[Omission] = ()

    @property
    def false(self) -> list[tuple[Statement, Finding]]:
        """Return what was said and was not so."""
        return [(said, found) for said, found in self.found if found.so is So.FALSE]

    @property
    def sound(self) -> bool:
        """Return whether nothing false was said and nothing that should have been was not."""
        return not self.false and not any(one.late_s is None for one in self.missed)

    def faults(self) -> Counter[str]:
        """Return the kinds of what is wrong, with how often."""
        return Counter(
            [s.kind for s, _ in self.false] + [f"missed {o.kind}" for o in self.missed if o.late_s is None]
        )


def audited(story: Story, *, sockets: bool = False) -> Audited:
    """Play a story, through real sockets where wanted, and hold all that was said in it against what was so."""
    played = play(story, sockets=sockets)
    sight = Sight(played)
    found = [(said, _finding(sight, said)) for said in played.statements]
    return Audited(story, played, found, omissions(sight))


def _finding(sight: Sight, said: Statement) -> Finding:
    predicate = PREDICATES.get(said.kind)
    if predicate is None:
        return UNDECIDED
    found = predicate(sight, said)
    unsure = found.so is So.FALSE and sight.clock_unsure(min(said.as_of_s, said.at_s), said.at_s)
    return UNDECIDED if unsure else found
