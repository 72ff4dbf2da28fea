"""Loads that are dropped while a system is on its banks: at a time, or when little is left."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rules.system.hold_up.play import LONGEST_S, BankStore, Floats, LoadChange, Played, play
from rules.system.hold_up.sharing import BoardLoad, PlayBank, PlayUnit


@dataclass(frozen=True, slots=True)
class Shed:
    """Loads dropped together: at a time, or when no more than `when_left_s` is left at the load before."""

    id: str
    asked: BoardLoad
    at_s: float | None = None
    when_left_s: float | None = None


@dataclass(frozen=True, slots=True)
class PlayedWithSheds:
    """A play and when each shed happened, s per draw; inf where it never did."""

    played: Played
    shed_at_s: Mapping[str, Floats]


def play_with_sheds(
    units: Sequence[PlayUnit],
    banks: Sequence[PlayBank],
    stores: Mapping[str, BankStore],
    asked: BoardLoad,
    sheds: Sequence[Shed],
    *,
    lost: frozenset[str] = frozenset(),
    until_s: float = LONGEST_S,
    spread: Mapping[str, Floats] | None = None,
    drift: Floats | None = None,
) -> PlayedWithSheds:
    """Play with sheds by time and by what is left.

    A trigger on what is left fires when the time to the end, at the load of that moment and with the
    sheds by time still to come, falls to `when_left_s`; triggers fire in order of falling `when_left_s`.
    """
    timed = sorted((s for s in sheds if s.when_left_s is None), key=lambda s: s.at_s or 0.0)
    by_left = sorted((s for s in sheds if s.when_left_s is not None), key=lambda s: -(s.when_left_s or 0.0))

    events: list[tuple[Shed, Floats | float]] = [(shed, max(shed.at_s or 0.0, 0.0)) for shed in timed]

    def run() -> Played:
        changes = [LoadChange(at, shed.asked.times(-1.0)) for shed, at in events]
        return play(
            units, banks, stores, asked, changes, lost=lost, until_s=until_s, spread=spread, drift=drift
        )

    played = run()
    fired: Floats = np.zeros_like(played.seconds)
    for shed in by_left:
        ready = np.maximum(played.seconds - (shed.when_left_s or 0.0), fired)
        fired = np.where(played.held, np.inf, ready)
        events.append((shed, fired))
        played = run()
    happened = {
        shed.id: np.where(np.asarray(at) <= played.seconds, np.asarray(at, dtype=np.float64), np.inf)
        for shed, at in events
    }
    return PlayedWithSheds(played, happened)
