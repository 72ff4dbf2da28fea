"""What should have been said: an outage, a lost spare, an overload, a silent card; and how long it took.

Counted from the moment when the cards showed it, since nobody can say what no card shows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final, cast

from collector.simulation.plant.unit import CARRYING, Mode
from rules.alarms.catalogue import CATALOGUE
from rules.alarms.incidents.incident import Notice, NoticeKind
from rules.alarms.lifecycle.course import STAYS_S
from tests.audit.happenings import WorkAnnounced, WorkDone
from tests.audit.predicates.load import SHARED_UNEVENLY, fullest
from tests.audit.sight import Sight
from tests.audit.world import PlantAt

POLL_S: Final = 7.0
"""A poll on its grid, its reading, and the second of a look."""
GATHERED_S: Final = 5.0
"""How long the first letter of an incident waits for what belongs to it."""
AGAIN_S: Final = 330.0
"""A condition that comes back while its alarm stands, or soon after it returned, is no new one."""


@dataclass(frozen=True, slots=True)
class Omission:
    """Something that was so long enough to be said. `late_s`: how long it took to be said; None: it was not."""

    kind: str
    about: str
    from_s: float
    to_s: float
    late_s: float | None
    allowed_s: float


def omissions(sight: Sight) -> Sequence[Omission]:
    """Return everything that had to be said in a story, with how long that took."""
    return [*_outages(sight), *_lasting(sight)]


def stretches(sight: Sight, so: Callable[[PlantAt], bool]) -> Iterator[tuple[int, int]]:
    """Yield from which second to which something was so."""
    began: int | None = None
    for at, now in enumerate(sight.world.seconds):
        if so(now) and began is None:
            began = at
        elif not so(now) and began is not None:
            yield began, at - 1
            began = None
    if began is not None:
        yield began, len(sight.world.seconds) - 1


def _letters(sight: Sight) -> list[tuple[float, Notice]]:
    return [
        (s.at_s, cast("Notice", s.value)) for s in sight.played.statements if s.kind.startswith("notice ")
    ]


EXPLAINED: Final = frozenset({"output_off", "on_bypass", "redundancy_lost"})
"""What announced work explains, and is held back for it."""


def _said(sight: Sight, kind: str, about: str, from_s: float, to_s: float) -> float | None:
    """Return at which second an alarm stood first within a time, None where it did not."""
    found = [
        max(s.at_s, from_s)
        for s in sight.played.statements
        if s.kind == f"alarm {kind}"
        and s.about == about
        and s.value
        and s.until_s >= from_s
        and s.at_s <= to_s
    ]
    return min(found, default=None)


def _outages(sight: Sight) -> Iterator[Omission]:
    """Each time on its bank of each unit, in earnest and long enough to be read: by alarm and by letter."""
    allowed_s = POLL_S + CATALOGUE["on_battery"].on_delay_s + GATHERED_S
    for unit in sight.estate.units:
        for began, ended in stretches(sight, lambda now, u=unit: now.mode(u) is Mode.BATTERY):  # type: ignore[misc]
            if ended - began < allowed_s or sight.blind((unit,), began - 15.0, began + allowed_s):
                continue
            at_s = _said(sight, "on_battery", unit, began, ended + 5.0)
            yield Omission(
                "on battery", unit, began, ended, None if at_s is None else at_s - began, allowed_s
            )
            about = {unit, *_above(sight, unit)}
            comes_and_goes = _told_to_come_and_go(sight, about, began)
            if comes_and_goes and ended - began < STAYS_S + allowed_s:
                continue
            told = [
                at
                for at, notice in _letters(sight)
                if began <= at <= ended + 30.0
                and (notice.about in about or any(a.partition(":")[2] in about for a in notice.alarms))
            ]
            earlier = any(
                began - AGAIN_S <= at < began and (notice.about in about) for at, notice in _letters(sight)
            )
            late_s = min(told) - began if told else 0.0 if earlier else None
            within_s = allowed_s + (STAYS_S if comes_and_goes else 0.0)
            yield Omission("letter of an outage", unit, began, ended, late_s, within_s)


def _told_to_come_and_go(sight: Sight, about: set[str], before_s: float) -> bool:
    """Return whether people know of a supply that comes and goes: each time more is told once it stays for a minute."""
    for at_s, notice in sorted(_letters(sight), key=lambda one: -one[0]):
        if at_s < before_s and notice.about in about:
            if notice.kind is NoticeKind.CLOSED:
                return False
            of_units = "comes and goes; told" in notice.what or "come and go; told" in notice.what
            named = of_units and any(f"{unit} (" in notice.what for unit in about)
            if "It comes and goes" in notice.what or named:
                return True
    return False


def _above(sight: Sight, unit: str) -> set[str]:
    system = sight.estate.units[unit].system
    return {system, sight.estate.systems[system].supply, sight.estate.systems[system].site}


def _lasting(sight: Sight) -> Iterator[Omission]:
    """Conditions that last beyond their alarm's own delay."""
    for system in sight.estate.systems.values():
        if system.spare_units:
            yield from _condition(
                sight,
                "redundancy_lost",
                system.id,
                lambda now, s=system.id: _fed(now, s) and fullest(now, s) > 1.0 + SHARED_UNEVENLY,  # type: ignore[misc]
            )
    for unit in sight.estate.units:
        yield from _condition(
            sight,
            "output_off",
            unit,
            lambda now, u=unit: now.mode(u) in (Mode.ENDED, Mode.ISOLATED),  # type: ignore[misc]
        )
        yield from _condition(
            sight,
            "on_bypass",
            unit,
            lambda now, u=unit: now.mode(u) is Mode.BYPASS,  # type: ignore[misc]
        )
        yield from _condition(
            sight,
            "overload",
            unit,
            lambda now, u=unit: _over(now, u) > 1.03,  # type: ignore[misc]
        )


def _fed(now: PlantAt, system: str) -> bool:
    """Return whether a system carries its load and none of it from a bank: on its banks no spare is judged."""
    modes = {unit.mode for unit in now.state.systems[system].units}
    return Mode.BATTERY not in modes and bool(modes & CARRYING)


def _condition(sight: Sight, kind: str, about: str, so: Callable[[PlantAt], bool]) -> Iterator[Omission]:
    allowed_s = POLL_S + CATALOGUE[kind].on_delay_s + GATHERED_S
    for began, ended in stretches(sight, so):
        if ended - began < allowed_s or sight.blind(
            sight.units_of(about), began - 15.0, began + allowed_s + 10.0
        ):
            continue
        if kind in EXPLAINED and _announced(sight, about, began):
            continue
        at_s = _said(sight, kind, about, began, ended)
        yield Omission(kind, about, began, ended, None if at_s is None else at_s - began, allowed_s)


def _announced(sight: Sight, about: str, at_s: float) -> bool:
    """Return whether work on a unit of a thing was announced, and not said to be done, by a second."""
    units, cues = sight.units_of(about), sight.played.story.cues
    done = {
        u: max((c.at_s for c in cues if c.event == WorkDone(u) and c.at_s <= at_s), default=-1.0)
        for u in units
    }
    return any(
        isinstance(c.event, WorkAnnounced) and c.event.unit in units and done[c.event.unit] < c.at_s <= at_s
        for c in cues
    )


def _over(now: PlantAt, unit: str) -> float:
    """Return what a unit's fullest line carries of its rating."""
    system, place = now.plant.place_of[unit]
    plant, state = now.plant.systems[system].units[place], now.state.systems[system].units[place]
    pairs = zip(state.watts, state.va, strict=True)
    return max(
        (max(w / (plant.rating_w / plant.lines), va / (plant.rating_va / plant.lines)) for w, va in pairs),
        default=0.0,
    )
