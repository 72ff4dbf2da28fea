"""What the demonstration plays: a first outage that teaches something, and another event now and then.

About a minute in, Brackmere loses its mains: the generator misses its first start and fires at the second,
while an old bank works beside two younger ones. Later a card hangs, a site without a generator lives on its
bank alone, and a link parts in the old bank. After that, events come at seeded intervals for ever.
A play that was stopped is taken up where it was, with its next event about a minute in.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import chain, count, dropwhile, islice
from random import Random
from typing import Final

from collector.simulation.scenario.director import (
    BankOpens,
    BankRenewed,
    CardFreezes,
    CardHangs,
    CardResets,
    Cue,
    Event,
    MainsFails,
    MainsReturns,
    SetWill,
    TestEnds,
    UnitIsolated,
    UnitReturned,
)

FIRST_OUTAGE_AT_S: Final = 60.0
QUIET_S: Final = (900.0, 2400.0)

_LASTING: Final = (SetWill, BankOpens, BankRenewed)
_ENDINGS: Final = (MainsReturns, UnitReturned, TestEnds)

OPENING: Final[tuple[Cue, ...]] = (
    Cue(0.0, SetWill("brackmere-mains", fires_at=2)),
    Cue(FIRST_OUTAGE_AT_S, MainsFails("brackmere-mains")),
    Cue(300.0, MainsReturns("brackmere-mains")),
    Cue(600.0, CardHangs("ossenby-1-card", 75.0)),
    Cue(900.0, MainsFails("tollwick-mains")),
    Cue(1110.0, MainsReturns("tollwick-mains")),
    # The link holds for some seconds of load, then parts: floating told nothing of it.
    Cue(1500.0, BankOpens("brackmere-3-bank", after_s=20.0)),
    Cue(1500.0, SetWill("brackmere-mains", fires_at=1)),
    Cue(1560.0, MainsFails("brackmere-mains")),
    Cue(1800.0, MainsReturns("brackmere-mains")),
    Cue(2400.0, CardFreezes("ossenby-2-card", 180.0)),
    Cue(3000.0, SetWill("ossenby-mains", fires_at=1, late_s=45.0)),
    Cue(3000.0, MainsFails("ossenby-mains")),
    Cue(3300.0, MainsReturns("ossenby-mains")),
    Cue(3900.0, BankRenewed("brackmere-3-bank")),
)


def _outage(supply: str, lasts_s: float, **the_set: float | None) -> list[tuple[float, Event]]:
    fires_at = the_set.get("fires_at", 1)
    late_s = the_set.get("late_s") or 0.0
    will = SetWill(supply, None if fires_at is None else int(fires_at), late_s)
    return [(0.0, will), (0.0, MainsFails(supply)), (lasts_s, MainsReturns(supply))]


def _episode(dice: Random) -> list[tuple[float, Event]]:
    """Return one episode: events at seconds from its start."""
    choices: list[list[tuple[float, Event]]] = [
        _outage("brackmere-mains", float(dice.randint(90, 400)), fires_at=dice.choice((1, 2, 3))),
        _outage("brackmere-mains", float(dice.randint(150, 300)), fires_at=None),
        _outage("ossenby-mains", float(dice.randint(60, 500)), fires_at=dice.choice((1, 1, 2))),
        _outage("ossenby-mains", 300.0, fires_at=1, late_s=float(dice.randint(20, 90))),
        _outage("tollwick-mains", float(dice.randint(40, 400))),
        [(0.0, CardHangs(f"brackmere-{dice.randint(1, 3)}-card", float(dice.randint(40, 200))))],
        [(0.0, CardFreezes(f"ossenby-{dice.randint(1, 2)}-card", 120.0))],
        [(0.0, CardResets("tollwick-1-card"))],
        [(0.0, UnitIsolated("ossenby-2")), (480.0, UnitReturned("ossenby-2"))],
    ]
    return dice.choice(choices)


def later(seed: int, *, start_s: float) -> Iterator[Cue]:
    """Yield cues without end, in order of time, from `start_s` on; episodes never overlap."""
    dice = Random(seed)  # noqa: S311 - a play's dice, no secret
    at_s = start_s
    for _ in count():
        at_s += float(dice.randint(int(QUIET_S[0]), int(QUIET_S[1])))
        events = _episode(dice)
        for after_s, event in events:
            yield Cue(at_s + after_s, event)
        at_s += max(after_s for after_s, _ in events)


def demonstration(seed: int) -> Iterator[Cue]:
    """Yield the demonstration's whole script."""
    yield from OPENING
    yield from later(seed, start_s=OPENING[-1].at_s)


@dataclass(frozen=True, slots=True)
class TakenUp:
    """A script from some place on.

    `lasting`: what its earlier events left behind, in order; `failures`: how often each supply's mains had
    failed; `cues`: what is still to come.
    """

    lasting: tuple[Event, ...]
    failures: dict[str, int]
    cues: Iterator[Cue]


def taken_up(cues: Iterator[Cue], played: int) -> TakenUp:
    """Return a script of which `played` cues were played before: it goes on with the next thing that begins.

    What was under way when the play stopped has ended meanwhile, so endings are left out. Nobody waits
    again for what they have waited for: the next event comes as soon as the first of all did.
    """
    before = list(islice(cues, played))
    lasting = tuple(cue.event for cue in before if isinstance(cue.event, _LASTING))
    failures: dict[str, int] = {}
    for cue in before:
        if isinstance(cue.event, MainsFails):
            failures[cue.event.supply] = failures.get(cue.event.supply, 0) + 1
    if not before:
        return TakenUp(lasting, failures, cues)
    return TakenUp(lasting, failures, _brought_forward(cues))


def _brought_forward(cues: Iterator[Cue]) -> Iterator[Cue]:
    rest = dropwhile(lambda cue: isinstance(cue.event, _ENDINGS), cues)
    first = next(rest, None)
    if first is None:
        return
    earlier_s = first.at_s - FIRST_OUTAGE_AT_S
    for cue in chain((first,), rest):
        yield replace(cue, at_s=cue.at_s - earlier_s)
