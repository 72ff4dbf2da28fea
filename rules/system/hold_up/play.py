"""Banks played to their end: they end at different times, and loads move.

Theory of operation. Units share each board line in proportion to their ratings on it. Every bank spends
its *used fraction* at the rate that belongs to its power, and ends when that reaches its health at that
power (`rules.battery.model.health`). A unit leaves when the last of its banks has ended; the others take its
part, so their banks run out faster and their health at the higher rate is lower. The load is lost when
a line with load has no unit left, or when a unit has been overloaded for as long as it bears.

Nothing is summed or averaged: the course is played from event to event (a bank ends, a load steps, an
overload trips), for all draws of the banks' beliefs at once. Between events all rates are constant, so
the play is exact. Draws that have the same units left and the same load are advanced together.

A power far above the largest printed in a bank's table promises nothing: that bank counts as ended, and where it
does so from the start the time is not known.
Recovery of a bank after shedding is left out (small, and on the safe side).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from rules.battery.model.health import counted_at
from rules.system.hold_up.sharing import (
    OVERLOAD_BORNE,
    BoardLoad,
    PlayBank,
    PlayUnit,
    overload_borne_s,
    unit_shares,
)
from rules.system.state import HoldUp
from rules.values.verdict import Basis, EndedBy

Floats = NDArray[np.float64]

Flags = NDArray[np.bool_]

OVERLOADED: Final = 1.0 + 1e-6
"""A unit over its rating by what is asked now stays so, however its load may drift: it is the cautious side."""
LONGEST_S: Final = 48 * 3600.0
"""Play stops here: what holds longer holds "at least" this long."""


class BankStore(Protocol):
    """What play asks of a bank; `rules.battery.model.health.BankBelief` is one.

    Powers are what the units behind the bank put out, in W. Arrays have one entry a draw.
    """

    @property
    def used(self) -> Floats:
        """Return the used fraction."""
        ...

    @property
    def spent_ws(self) -> Floats | None:
        """Return what that stands for, W s a cell as published at the powers it was spent at; None: not known."""
        ...

    @property
    def by_charge(self) -> Floats | float:
        """Return how far that counts by its charge at another power, 0 to 1."""
        ...

    @property
    def basis(self) -> Basis:
        """Return what the belief rests on."""
        ...

    def rate_per_s(self, output_power_w: float, /) -> Floats:
        """Return d(used) / dt, 1/s."""
        ...

    def health_at(self, output_power_w: float, /) -> Floats:
        """Return the used fraction at which the bank ends, at this power."""
        ...

    def published_ws(self, output_power_w: float, /) -> Floats:
        """Return what a whole published time gives at this power, W s a cell."""
        ...

    def beyond_reach(self, output_power_w: float, /) -> bool:
        """Return whether the power is so far above the table that nothing can be said of the time."""
        ...


@dataclass(frozen=True, slots=True)
class LoadChange:
    """At `at_s` this much is added to what the board asks (negative: dropped).

    One time for all draws, or one per draw; inf: never. What is asked never falls below zero.
    """

    at_s: float | Floats
    add: BoardLoad


@dataclass(frozen=True, slots=True)
class Played:
    """One play. Times in s from its start, one per draw; nan where a thing did not happen.

    `held`: the load was still carried when play stopped. `used`: the banks' used fraction at that
    moment, `spent_ws` what it stands for. `above_table` names banks that were asked more than their table reaches, `at_start` those
    that were so from the first moment.
    """

    seconds: Floats
    held: Flags
    by_overload: Flags
    bank_ended_s: Mapping[str, Floats]
    unit_left_s: Mapping[str, Floats]
    used: Mapping[str, Floats]
    above_table: frozenset[str] = frozenset()
    above_table_at_start: frozenset[str] = frozenset()
    spent_ws: Mapping[str, Floats | None] = field(default_factory=dict)

    def hold_up(self, basis: Basis) -> HoldUp:
        """Return the 5th, 50th and 95th percentile, and what ends it most often."""
        low, median, high = percentiles(self.seconds)
        ended = ~self.held
        over = bool(ended.any()) and float(self.by_overload[ended].mean()) > 0.5
        ended_by = (EndedBy.OVERLOAD if over else EndedBy.BANK) if ended.any() else None
        if self.above_table_at_start:
            # what the others carry alone is a least; with none left the time is not known, not none
            return HoldUp(None if low == 0.0 else low, None, None, ended_by, basis)
        return HoldUp(low, median, high, ended_by, basis)


def percentiles(values: Floats) -> tuple[float, float, float]:
    """Return the 5th, 50th and 95th percentile; the low one rounded down, the high one up."""
    ordered = np.sort(values)
    last = len(ordered) - 1
    places = int(np.floor(0.05 * last)), int(np.floor(0.5 * last)), int(np.ceil(0.95 * last))
    low, median, high = (float(ordered[place]) for place in places)
    return low, median, high


@dataclass(frozen=True, slots=True)
class _Stage:
    """What holds while the same banks are left and the same changes of load have happened."""

    bank_rate: Mapping[int, Floats]
    bank_health: Mapping[int, Floats]
    bank_ws: Mapping[int, Floats]
    ended_at_once: tuple[int, ...]
    borne_s: Mapping[int, Floats]
    load_dropped: bool


@dataclass(slots=True)
class _Course:
    """The moving state of one play: one column per draw."""

    time_s: Floats
    left: NDArray[np.int64]  # bit i: bank i has not ended
    changed: NDArray[np.int64]  # bit j: load change j has happened
    used: Floats
    spent_ws: Floats  # nan: not known
    strained: Floats
    held: Flags
    running: Flags
    bank_ended_s: Floats
    by_overload: Flags


@dataclass(frozen=True)
class _Plant:
    units: tuple[PlayUnit, ...]
    banks: tuple[PlayBank, ...]
    stores: tuple[BankStore, ...]
    asked: BoardLoad
    changes: tuple[LoadChange, ...]
    borne: Sequence[tuple[float, float]]
    spread: Floats | None
    drift: Floats
    change_at: Floats
    stop_s: Floats
    stages: dict[tuple[int, int], _Stage] = field(default_factory=dict)
    above_table: set[str] = field(default_factory=set)
    above_at_start: set[str] = field(default_factory=set)

    def standing_units(self, left: int) -> list[PlayUnit]:
        """Return the units that still have a bank."""
        fed = {unit for i, bank in enumerate(self.banks) if left >> i & 1 for unit in bank.feeds}
        return [unit for unit in self.units if unit.id in fed]

    def bank_powers(self, left: int, watts: Mapping[str, float]) -> dict[int, float]:
        """Return the output power behind each bank that is left; banks of one unit share by strings."""
        powers: dict[int, float] = {}
        live = [i for i in range(len(self.banks)) if left >> i & 1]
        for i in live:
            powers[i] = 0.0
            for unit in self.banks[i].feeds:
                if unit in watts:
                    strings = sum(self.banks[k].strings for k in live if unit in self.banks[k].feeds)
                    powers[i] += watts[unit] * self.banks[i].strings / strings
        return powers

    def stage(self, left: int, changed: int) -> _Stage:
        """Return rates and limits for the banks left and the changes of load so far, computed once."""
        if (left, changed) not in self.stages:
            self.stages[left, changed] = self._stage(left, changed)
        return self.stages[left, changed]

    def _stage(self, left: int, changed: int) -> _Stage:
        asked = self.asked.plus(*(c.add for j, c in enumerate(self.changes) if changed >> j & 1))
        shares = unit_shares(self.standing_units(left), asked)
        if shares is None:
            return _Stage({}, {}, {}, (), {}, load_dropped=True)
        powers = self.bank_powers(left, {unit: watts for unit, (watts, _) in shares.items()})
        rate: dict[int, Floats] = {}
        health: dict[int, Floats] = {}
        whole_ws: dict[int, Floats] = {}
        over: list[int] = []
        for i, watts in powers.items():
            if watts > 0.0 and self.stores[i].beyond_reach(watts):
                over.append(i)
                continue
            rate[i] = self.stores[i].rate_per_s(watts)
            health[i] = self.stores[i].health_at(watts)
            whole_ws[i] = self.stores[i].published_ws(watts)
        borne = {
            k: overload_borne_s(np.maximum(shares[unit.id][1] * self.drift, OVERLOADED), self.borne)
            for k, unit in enumerate(self.units)
            if unit.id in shares and shares[unit.id][1] > 1.0
        }
        return _Stage(rate, health, whole_ws, tuple(over), borne, load_dropped=False)


def play(
    units: Sequence[PlayUnit],
    banks: Sequence[PlayBank],
    stores: Mapping[str, BankStore],
    asked: BoardLoad,
    changes: Sequence[LoadChange] = (),
    *,
    lost: frozenset[str] = frozenset(),
    until_s: float | Floats = LONGEST_S,
    borne: Sequence[tuple[float, float]] = OVERLOAD_BORNE,
    spread: Mapping[str, Floats] | None = None,
    drift: Floats | None = None,
) -> Played:
    """Play the banks from their used fraction now until the load is lost, or `until_s`.

    `stores` by bank id, all with the same number of draws. `lost` names units gone from the start;
    their own banks go with them. `spread`: factors on a bank's rate, one per draw, for what is not
    known of sharing and losses; `drift`: on what all units carry: an overload is borne the shorter the more it is.

    Raises:
        ValueError: a bank without its store.
    """
    kept = tuple(unit for unit in units if unit.id not in lost)
    names = {unit.id for unit in kept}
    live = tuple(bank for bank in banks if names.intersection(bank.feeds))
    missing = [bank.id for bank in live if bank.id not in stores]
    if missing:
        raise ValueError(f"nothing is believed of bank {', '.join(missing)}")
    own = tuple(stores[bank.id] for bank in live)
    draws = max((len(store.used) for store in stores.values()), default=1)
    factors = None
    if spread is not None:
        factors = np.array([spread.get(bank.id, np.ones(draws)) for bank in live]).reshape(len(live), draws)
    change_at = np.array([np.broadcast_to(np.asarray(c.at_s, dtype=np.float64), draws) for c in changes])
    change_at = change_at.reshape(len(changes), draws)
    stop_s = np.broadcast_to(np.asarray(until_s, dtype=np.float64), draws)
    plant = _Plant(
        kept,
        live,
        own,
        asked,
        tuple(changes),
        borne,
        factors,
        np.ones(draws) if drift is None else drift,
        change_at,
        stop_s,
    )
    course = _Course(
        time_s=np.zeros(draws),
        left=np.full(draws, (1 << len(live)) - 1, dtype=np.int64),
        changed=np.zeros(draws, dtype=np.int64),
        used=np.array([store.used for store in own], dtype=np.float64).reshape(len(live), draws),
        spent_ws=np.array([_spent_ws(store) for store in own], dtype=np.float64).reshape(len(live), draws),
        strained=np.zeros((len(kept), draws)),
        held=np.zeros(draws, dtype=np.bool_),
        running=np.ones(draws, dtype=np.bool_),
        bank_ended_s=np.full((len(live), draws), np.nan),
        by_overload=np.zeros(draws, dtype=np.bool_),
    )
    for j in range(len(changes)):
        course.changed[change_at[j] <= 0.0] |= 1 << j
    while course.running.any():
        rows = np.flatnonzero(course.running)
        keys = (course.left[rows] << len(changes)) + course.changed[rows]
        for key in np.unique(keys):
            _advance(plant, course, rows[keys == key], int(key))
    return _played(plant, course)


def _advance(plant: _Plant, course: _Course, rows: NDArray[np.intp], key: int) -> None:
    """Advance draws that share the banks left and the load to the next event of each."""
    left, changed = key >> len(plant.changes), key & ((1 << len(plant.changes)) - 1)
    stage = plant.stage(left, changed)
    if stage.load_dropped:
        course.running[rows] = False
        return
    if stage.ended_at_once:
        names = {plant.banks[i].id for i in stage.ended_at_once}
        plant.above_table.update(names)
        if left == (1 << len(plant.banks)) - 1 and not course.time_s[rows].all():
            plant.above_at_start.update(names)
        for i in stage.ended_at_once:
            _end_bank(course, rows, i)
        return
    rate, ends = {}, {}
    for i, full_rate in stage.bank_rate.items():
        rate[i] = full_rate[rows] if plant.spread is None else full_rate[rows] * plant.spread[i, rows]
        used = _used_here(plant.stores[i], course, i, rows, stage.bank_ws[i])
        ends[i] = np.maximum(stage.bank_health[i][rows] - used, 0.0) / rate[i]
    trips = {k: (1.0 - course.strained[k, rows]) * borne_s[rows] for k, borne_s in stage.borne_s.items()}
    pending = {
        j: np.maximum(plant.change_at[j, rows] - course.time_s[rows], 0.0)
        for j in range(len(plant.changes))
        if not changed >> j & 1
    }
    to_stop = np.maximum(plant.stop_s[rows] - course.time_s[rows], 0.0)
    wait = to_stop
    for other in (*ends.values(), *trips.values(), *pending.values()):
        wait = np.minimum(wait, other)
    course.time_s[rows] += wait
    relieved = np.zeros(len(rows), dtype=np.bool_)
    for j, to_change in pending.items():
        course.changed[rows[to_change <= wait]] |= 1 << j
        relieved |= to_change <= wait
    for i, to_end in ends.items():
        course.used[i, rows] += rate[i] * wait
        course.spent_ws[i, rows] += rate[i] * wait * stage.bank_ws[i][rows]
        _end_bank(course, rows[to_end <= wait], i)
    for k, to_trip in trips.items():
        borne_s = stage.borne_s[k][rows]
        course.strained[k, rows] += np.divide(wait, borne_s, out=np.zeros(len(rows)), where=borne_s > 0.0)
        tripped = rows[(to_trip <= wait) & ~relieved]
        course.by_overload[tripped] = True
        course.running[tripped] = False
    stopped = rows[to_stop <= wait]
    course.held[stopped] |= course.running[stopped]
    course.running[stopped] = False


def _spent_ws(store: BankStore) -> Floats:
    """Return what is spent of a bank, W s a cell; nothing of a full one, nan where it is not known."""
    if store.spent_ws is not None:
        return store.spent_ws
    return np.where(store.used > 0.0, np.nan, 0.0)


def _used_here(store: BankStore, course: _Course, i: int, rows: NDArray[np.intp], whole_ws: Floats) -> Floats:
    """Return what is used of a bank as a share of the published time at the power of a stage."""
    used, spent = course.used[i, rows], course.spent_ws[i, rows]
    by_charge = np.broadcast_to(store.by_charge, course.time_s.shape)[rows]
    return np.where(np.isnan(spent), used, counted_at(used, spent, whole_ws[rows], by_charge))


def _end_bank(course: _Course, rows: NDArray[np.intp], i: int) -> None:
    course.bank_ended_s[i, rows] = course.time_s[rows]
    course.left[rows] &= ~np.int64(1 << i)


def _played(plant: _Plant, course: _Course) -> Played:
    """Return the course as a result; what leaves only because play stopped has not ended."""
    unit_left = {}
    for unit in plant.units:
        own = [i for i, bank in enumerate(plant.banks) if unit.id in bank.feeds]
        unit_left[unit.id] = np.max(course.bank_ended_s[own], axis=0) if own else np.zeros_like(course.time_s)
    return Played(
        seconds=course.time_s,
        held=course.held,
        by_overload=course.by_overload,
        bank_ended_s={bank.id: course.bank_ended_s[i] for i, bank in enumerate(plant.banks)},
        unit_left_s=unit_left,
        used={bank.id: course.used[i] for i, bank in enumerate(plant.banks)},
        spent_ws={
            bank.id: None if np.isnan(course.spent_ws[i]).any() else course.spent_ws[i]
            for i, bank in enumerate(plant.banks)
        },
        above_table=frozenset(plant.above_table),
        above_table_at_start=frozenset(plant.above_at_start),
    )
