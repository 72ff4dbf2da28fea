"""What a predicate may ask: how a statement's seconds lie against the plant, and what nobody could have seen.

What is said of the present is entitled to the time that it takes to read, judge and show it (`SEEN_WITHIN_S`): it counts
as true as long as it was so at some second that short before. Where a card is dumb, late or repeats itself, what is said
of its unit cannot be held against the plant until it has been read again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from functools import cached_property
from typing import Final

from collector.simulation.plant.unit import Mode
from collector.simulation.scenario.director import CardFreezes, CardHangs, CardResets
from tests.audit.happenings import CardSlow, NetworkLoses
from tests.audit.play import Played
from tests.audit.statements import Statement
from tests.audit.world import PlantAt, World

SEEN_WITHIN_S: Final = 11.0
"""A poll at 5 s and its reading, a card's second, the batch and the judgement after it, the second of a look."""
AFTER_BLIND_S: Final = 12.0
"""A card that answers again is read on its grid, after a small question first."""
AFTER_START_S: Final = 15.0
"""After a start: what was kept stands until the first poll of each card has been judged."""
TAKEN_OVER_S: Final = 35.0
"""So long after the time of day was set what was judged before may still be shown by the one of then."""
UNNOTICED_S: Final = 30.0
"""So long after a card fell dumb its unit may still be shown as it was last read: three polls, twice where its peers vouch."""
ON: Final = frozenset({Mode.BATTERY, Mode.WALKING_IN, Mode.TESTING})


class So(StrEnum):
    """Whether what was said was so."""

    TRUE = "true"
    FALSE = "false"
    UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class Finding:
    """What came of holding a statement against the plant, and in words why it was not so."""

    so: So
    why: str = ""
    interval: tuple[bool, bool] | None = None
    """Of an interval that was foretold: whether its low end lay before the truth, and its high end behind it."""


TRUE: Final = Finding(So.TRUE)
UNDECIDED: Final = Finding(So.UNDECIDED)


def false(why: str) -> Finding:
    """Return that it was not so."""
    return Finding(So.FALSE, why)


class Sight:
    """A story that was played, as predicates look at it."""

    def __init__(self, played: Played) -> None:
        self.played = played
        self.world: World = played.world
        self.estate = played.story.estate.estate
        self.kept: dict[object, float] = {}
        """What costs much and was reckoned once, by what it is of."""

    def once(self, key: object, reckoned: Callable[[], float]) -> float:
        """Return what is kept by a key, reckoning it the first time."""
        if key not in self.kept:
            self.kept[key] = reckoned()
        return self.kept[key]

    def began(self, at_s: float) -> datetime:
        """Return when the story began, by the time of day that the machine has at a second."""
        moved_s = sum(by_s for set_s, by_s in self.played.jumps if set_s < at_s)
        return self.played.story.estate.now + timedelta(seconds=moved_s)

    def clock_unsure(self, from_s: float, to_s: float) -> bool:
        """Return whether the time of day was being set in some of these seconds."""
        return any(from_s <= set_s + TAKEN_OVER_S and set_s <= to_s for set_s, _ in self.played.jumps)

    # --- what nobody could see ------------------------------------------------------------------------------

    @cached_property
    def _blind(self) -> dict[str, list[tuple[float, float]]]:
        """From when until when each unit's card could not be read as it should be."""
        found: dict[str, list[tuple[float, float]]] = {u: [] for u in self.estate.units}
        for cue in self.played.story.cues:
            event = cue.event
            if isinstance(event, CardHangs | CardFreezes | CardSlow):
                found[event.card.removesuffix("-card")].append((cue.at_s, cue.at_s + event.for_s))
            elif isinstance(event, NetworkLoses) and event.share > 0.0:
                healed = (
                    c.at_s
                    for c in self.played.story.cues
                    if isinstance(c.event, NetworkLoses) and c.event.card == event.card and c.at_s > cue.at_s
                )
                until_s = next(healed, self.played.story.lasts_s)
                found[event.card.removesuffix("-card")].append((cue.at_s, until_s))
            elif isinstance(event, CardResets):
                found[event.card.removesuffix("-card")].append((cue.at_s, cue.at_s + 10.0))
        return found

    def blind(self, units: tuple[str, ...], from_s: float, to_s: float) -> bool:
        """Return whether a card of these units could not be read as it should be in some of these seconds, or the service was down."""
        if any(b <= to_s and from_s <= e + AFTER_START_S for b, e in self.played.down):
            return True
        return any(
            begins <= to_s and from_s <= ends + AFTER_BLIND_S
            for unit in units
            for begins, ends in self._blind[unit]
        )

    def dumb(self, unit: str, at_s: float) -> bool:
        """Return whether a unit's card was dumb or hardly answered at some second shortly before."""
        return any(b <= at_s and at_s - AFTER_BLIND_S <= e for b, e in self._blind[unit])

    def dumb_for_s(self, unit: str, at_s: float) -> float:
        """Return for how long a unit's card has not answered at all by a second, 0 where it answers."""
        hung = (c for c in self.played.story.cues if isinstance(c.event, CardHangs))
        of = [(c.at_s, c.event.for_s) for c in hung if c.event.card == f"{unit}-card"]  # type: ignore[union-attr]
        return max((at_s - began for began, for_s in of if began <= at_s <= began + for_s), default=0.0)

    def units_of(self, about: str) -> tuple[str, ...]:
        """Return the units that a thing of the estate is about: of a system, a supply, a bank, a generator, or itself."""
        estate = self.estate
        if about in estate.units:
            return (about,)
        if about in estate.banks:
            return estate.banks[about].feeds
        if about in estate.systems:
            return tuple(u.id for u in estate.units_of(about))
        supplies = {s.id for s in estate.supplies.values() if about in (s.id, s.generator, s.site)}
        return tuple(u for u, unit in estate.units.items() if estate.systems[unit.system].supply in supplies)

    def system_of(self, about: str) -> str:
        """Return the system that a unit or bank belongs to, or the thing itself."""
        units = self.units_of(about)
        return about if about in self.estate.systems else self.estate.units[units[0]].system

    # --- holding it against the plant ----------------------------------------------------------------------

    def held(
        self,
        said: Statement,
        so: Callable[[PlantAt], bool],
        *,
        within_s: float = SEEN_WITHIN_S,
        units: tuple[str, ...] | None = None,
        why: str = "it was not so",
    ) -> Finding:
        """Return whether what was said was so within `within_s` before every second in which it was said.

        Undecided where that fails while a card of `units` could not be read as it should be.
        """
        last_so = said.at_s - within_s if said.at_s < within_s else None
        for at in range(int(said.at_s - within_s), int(said.until_s) + 1):
            if so(self.world.at(at)):
                last_so = float(at)
            elif at >= said.at_s and (last_so is None or at - last_so > within_s):
                who = self.units_of(said.about) if units is None else units
                if self.blind(who, at - within_s, at):
                    return UNDECIDED
                return false(f"{why} at {at} s (said {said.at_s:.0f} to {said.until_s:.0f} s)")
        return TRUE
