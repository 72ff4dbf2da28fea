"""Whether a supply is lost, and which unit does not do what the others on it do."""

from __future__ import annotations

from collections.abc import Container, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from rules.alarms.conditions.condition import Condition
from rules.alarms.events import PowerEvent
from rules.alarms.lifecycle.course import Observation
from rules.alarms.plant_memory import Scene, UnitMemory
from rules.plant.reading import OutputSource
from rules.values.code import Code
from rules.values.reason import Reason, reason

TOGETHER: Final = timedelta(seconds=30)
"""Units that lose one supply are seen on their banks within this time of each other; one that went earlier had a cause of
its own, as a breaker or a board. Cards are read every few seconds, and may show what they read seconds ago."""
TAKE_UP_S: Final = 30.0
"""How long past all that is declared of them units may take a supply that others have; then what they lack is their own."""


@dataclass(frozen=True, slots=True)
class SupplyMemory:
    """Whether a supply is taken for lost, and since when.

    `dead_since`: since when, within that, no unit that can be read was seen fed or with voltage at its input. A generator's
    starts are judged by the clock from then on: what feeds one unit, or stands at one input, is a start that worked.
    `fed_since`: since when, within that, one unit at least is fed.
    """

    lost_since: datetime | None = None
    dead_since: datetime | None = None
    fed_since: datetime | None = None


@dataclass(frozen=True, slots=True)
class SupplyLook:
    """One look at a supply: who is on battery in earnest, and who has supply. Silent units are neither."""

    supply: str
    members: tuple[str, ...]
    going: tuple[UnitMemory, ...]
    fed: tuple[UnitMemory, ...]

    @classmethod
    def at(cls, scene: Scene, supply: str) -> SupplyLook:
        """Return what is seen of a supply."""
        members = scene.topology.units(supply)
        known = scene.known(members)
        going = tuple(m for m in known if m.on_battery and not m.testing)
        fed = tuple(
            m
            for m in known
            if not m.on_battery and m.mains is not False and m.source is not OutputSource.NONE
        )
        return cls(supply, members, going, fed)

    @property
    def seen(self) -> bool:
        """Return whether anything is seen of it."""
        return bool(self.going or self.fed)

    @property
    def alive(self) -> bool:
        """Return whether one unit at least is fed, or has voltage at its input again."""
        return bool(self.fed) or any(m.volts_since for m in self.going)


def supply_events(
    look: SupplyLook, memory: SupplyMemory, scene: Scene, at: datetime
) -> tuple[SupplyMemory, tuple[PowerEvent, ...]]:
    """Return whether the supply is lost now, and the event if that changed.

    Lost: a unit is on battery, every other that answers was read since and none of them has supply, nor was one that is
    silent now seen with it well after. What went on battery long before the last of them had a cause of its own.
    Back: none is on battery any more, or the others are fed for longer than any of those may take: what they lack then is
    a breaker or a board of their own. Whether mains or a generator feeds it then, RFC 1628 does not say.
    """
    name = scene.topology.name(look.supply)
    since = _went(look)
    if memory.lost_since is None and since is not None and not look.fed:
        memories = [m for unit in look.members if (m := scene.units.get(unit)) is not None]
        read = all(m.silent or m.at is None or m.at >= since for m in memories)
        if read and not any(_stood_after(m, since) for m in memories):
            # a unit that ran alone on its bank before says nothing of when the supply went
            dead = max(m.on_battery_since for m in look.going if m.on_battery_since)
            return SupplyMemory(since, dead), (
                PowerEvent(since, "mains_lost", look.supply, reason(Code.MAINS_LOST, look.supply, name=name)),
            )
    if memory.lost_since is None or not look.seen:
        return memory, ()
    fed_since = (memory.fed_since or at) if look.fed else None
    if fed_since is not None and (not look.going or at - fed_since > _longest(look, scene)):
        back_at = fed_since if look.going else at
        took_s = (back_at - memory.lost_since).total_seconds()
        what = reason(Code.SUPPLY_BACK, look.supply, name=name, took_s=took_s)
        return SupplyMemory(), (PowerEvent(at, "supply_back", look.supply, what),)
    dead_since = None if look.alive else memory.dead_since or at
    return replace(memory, dead_since=dead_since, fed_since=fed_since), ()


def _went(look: SupplyLook) -> datetime | None:
    """Return when the first of those went that lost it together; None where nobody is on battery."""
    went = [m.on_battery_since for m in look.going if m.on_battery_since]
    return min((at for at in went if at >= max(went) - TOGETHER), default=None)


def _stood_after(memory: UnitMemory, since: datetime) -> bool:
    """Return whether a unit was last seen with supply well after others went on battery: theirs was not the supply's loss."""
    fed = memory.on_battery is False and memory.mains is not False and memory.source is not OutputSource.NONE
    return fed and memory.silent and memory.at is not None and memory.at > since + TOGETHER


def _longest(look: SupplyLook, scene: Scene) -> timedelta:
    """Return how long those still on battery may take a supply that others have."""
    units = scene.topology.estate.units
    mine = [units[m.unit] for m in look.going]
    return timedelta(seconds=max(u.accept_s + u.hold_off_s + u.walk_in_s for u in mine) + TAKE_UP_S)


def odd_ones(
    look: SupplyLook, scene: Scene, back: frozenset[str], remembered: Container[str]
) -> Iterator[Condition]:
    """Yield which units that answer stand out, and which of those `remembered` (alarm ids) no longer do.

    `back`: units that came back in this outage.
    """
    returned = {m.unit for m in look.fed if m.unit in back}
    for unit in look.members:
        memory = scene.units.get(unit)
        if memory is None or memory.silent:
            continue
        others = sum(m.unit != unit for m in look.going)
        idle = (
            memory.on_battery is False
            and memory.mains is False
            and memory.source not in (None, OutputSource.NONE)
            and others > 0
        )
        late = bool(memory.on_battery) and not memory.testing and len(look.going) <= len(returned - {unit})
        for kind, present in (("not_on_battery", idle), ("still_on_battery", late)):
            if present:
                yield Condition(
                    kind, unit, Observation(True, _says(kind, scene, unit, others, len(returned)))
                )
            elif f"{kind}:{unit}" in remembered:
                # where the others went back on their banks as well, a unit that never left its own has not come back
                stays = kind == "still_on_battery" and memory.on_battery
                yield Condition(kind, unit, Observation(None if stays else False))


def _says(kind: str, scene: Scene, unit: str, others: int, returned: int) -> Reason:
    name = scene.topology.name(unit)
    if kind == "not_on_battery":
        return reason(Code.NOT_ON_BATTERY, unit, name=name, others=others)
    return reason(Code.STILL_ON_BATTERY, unit, name=name, others=returned)
