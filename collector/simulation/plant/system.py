"""Cabinets in parallel on one output: shares, units that take over from one another, load lost."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from collector.simulation.plant import unit as cabinet
from collector.simulation.plant.load import LoadShape
from collector.simulation.plant.unit import CARRYING, Feed, Mode, SimUnit, UnitPlant
from rules.values.constants import SECONDS_A_YEAR


@dataclass(frozen=True, slots=True)
class SystemPlant:
    """Units that feed one output from one supply. `room_c` is the yearly mean of the battery room."""

    id: str
    supply: str
    units: tuple[UnitPlant, ...]
    load: LoadShape
    room_c: float = 22.0
    room_swing_c: float = 2.0

    def room_at(self, t_s: float) -> float:
        """Return the battery room's temperature: warmest at the end of July."""
        year = math.cos(2.0 * math.pi * (t_s / SECONDS_A_YEAR - 0.575))
        return self.room_c + self.room_swing_c * year


@dataclass(frozen=True, slots=True)
class SimSystem:
    """A system at one moment. `lost_at_s`: when its load was dropped, None while it is fed."""

    units: tuple[SimUnit, ...]
    lost_at_s: float | None = None
    extra_w: float = 0.0

    @property
    def lost(self) -> bool:
        """Return whether the load is without supply."""
        return self.lost_at_s is not None


def shares_of(plant: SystemPlant, state: SimSystem) -> tuple[float, ...]:
    """Return each unit's share of the load: by rating and its own bias among those that carry."""
    weights = [
        u.rating_va * (1.0 + u.share_bias) if s.mode in CARRYING or s.mode is Mode.BYPASS else 0.0
        for u, s in zip(plant.units, state.units, strict=True)
    ]
    total = sum(weights)
    return tuple(w / total if total else 0.0 for w in weights)


def after(plant: SystemPlant, state: SimSystem, feed: Feed, t_s: float, dt_s: float) -> SimSystem:
    """Return the system at `t_s` + `dt_s`. Steps of at most two seconds while anything is disturbed."""
    feeds = tuple(cabinet.at_terminals(s, feed) for s in state.units)
    units = tuple(
        cabinet.switched(p, s, own, dt_s) for p, s, own in zip(plant.units, state.units, feeds, strict=True)
    )
    state = replace(state, units=units)
    fed = any(u.mode in CARRYING or u.mode is Mode.BYPASS for u in units)
    lost_at_s = None if fed else (t_s if state.lost_at_s is None else state.lost_at_s)
    board_w = plant.load.at(t_s) if fed else tuple(0.0 for _ in plant.load.watts)
    scale = 1.0 + state.extra_w / sum(plant.load.watts)
    shares = shares_of(plant, state)
    room_c = plant.room_at(t_s)
    moved = []
    for unit, now, share, own in zip(plant.units, units, shares, feeds, strict=True):
        lines = [line - 1 for line in unit.line_order]
        watts = tuple(board_w[i] * share * scale for i in lines)
        va = tuple(w / plant.load.power_factor[i] for w, i in zip(watts, lines, strict=True))
        heat = cabinet.heated(unit, now.heat, watts, va, dt_s)
        moved.append(
            cabinet.powered(unit, replace(now, heat=heat), own, watts=watts, va=va, room_c=room_c, dt_s=dt_s)
        )
    return replace(state, units=_overloaded(tuple(moved), feed), lost_at_s=lost_at_s)


def _overloaded(units: tuple[SimUnit, ...], feed: Feed) -> tuple[SimUnit, ...]:
    """Return the units after an overload that lasted too long: all to bypass, or all off together.

    In a parallel set one unit's trip moves the rest with it: none could carry what it leaves.
    """
    if not any(u.heat >= 1.0 and u.mode in CARRYING for u in units):
        return units
    mode = Mode.BYPASS if feed.acceptable else Mode.ENDED
    return tuple(replace(u, mode=mode, mode_s=0.0, heat=0.0) if u.mode in CARRYING else u for u in units)


def quiet(state: SimSystem) -> bool:
    """Return whether nothing is going on but float or charge, so that a step may be long."""
    return all(u.mode in (Mode.NORMAL, Mode.ISOLATED) for u in state.units)
