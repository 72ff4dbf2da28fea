"""The truth of a story: its plant at every second, and the cards that speak for it.

The plant goes in whole seconds, however the clock is turned. Every state is kept, so that what was said at any moment
can be held against what was so then, and against what came of it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, cast, get_args

import numpy as np

from collector.process.clock import TurnedClock
from collector.simulation.cards import card as voice
from collector.simulation.cards.agent import Agent, Typed
from collector.simulation.cards.card import AlarmRows
from collector.simulation.cards.faulty_cards import Lie, spoken
from collector.simulation.plant import battery
from collector.simulation.plant import system as sets
from collector.simulation.plant import world as worlds
from collector.simulation.plant.battery import (
    BankPlant,
    CellGroup,
    SimBank,
    capacity_factor,
    full_wells,
)
from collector.simulation.plant.supply import FeedSource
from collector.simulation.plant.system import SimSystem, SystemPlant
from collector.simulation.plant.unit import Feed, Mode, at_terminals
from collector.simulation.plant.world import WorldPlant, WorldState
from collector.simulation.scenario.director import (
    Behaviour,
    CardFreezes,
    CardHangs,
    CardLies,
    CardResets,
    Cue,
    DirectorStage,
    Event,
    played,
)
from tests.audit.estates import AuditEstate
from tests.audit.happenings import CardSlow, Happening, NetworkLoses, PlantHappening, happened

HORIZON_S: Final = 2 * 3600.0
"""How far ahead the end of a system without supply is played."""
REST_S: Final = 60
"""At rest the end is played once in so many seconds while nothing happens: a bank gains less than a part in a hundred."""
_ALONE: Final = frozenset({Mode.BATTERY, Mode.ENDED, Mode.ISOLATED})
FINE_S: Final = 20.0
"""So long by the second, further on by two, and where no bank is near its end by `COARSE_S`."""
COARSE_S: Final = 10.0
NEAR_ITS_END: Final = 1.025
"""Volts over the end voltage: where a bank gets under it, its knee comes within a minute or two."""
BOOTED_BEFORE_S: Final = 900_000.0
_CARDS: Final = (CardHangs, CardFreezes, CardResets, CardLies)


@dataclass(frozen=True, slots=True)
class PlantAt:
    """The plant at one second: what stands where (a room may heat up), and its state."""

    plant: WorldPlant
    state: WorldState

    def modes(self, system: str) -> tuple[Mode, ...]:
        """Return what feeds each unit's output, in their order."""
        return tuple(u.mode for u in self.state.systems[system].units)

    def mode(self, unit: str) -> Mode:
        """Return what feeds a unit's output."""
        return self.state.unit(self.plant.place_of[unit]).mode

    def dead(self, supply: str) -> bool:
        """Return whether nothing stands on a supply's busbar."""
        return self.state.supplies[supply].source is FeedSource.NOTHING

    def fed_at(self, unit: str) -> bool:
        """Return whether something a unit would run from stands at its own terminals."""
        system, _ = self.plant.place_of[unit]
        feed = self.state.feeds[self.plant.systems[system].supply]
        return at_terminals(self.state.unit(self.plant.place_of[unit]), feed).acceptable

    def lost(self, system: str) -> bool:
        """Return whether a system's load is without supply."""
        return self.state.systems[system].lost

    def line_loads(self, system: str) -> tuple[tuple[float, float], ...]:
        """Return watts and volt-amperes of each board line."""
        plant, state = self.plant.systems[system], self.state.systems[system]
        watts, va = [0.0] * len(plant.load.watts), [0.0] * len(plant.load.watts)
        for unit, now in zip(plant.units, state.units, strict=True):
            for own, line in enumerate(unit.line_order):
                if now.watts:
                    watts[line - 1] += now.watts[own]
                    va[line - 1] += now.va[own]
        return tuple(zip(watts, va, strict=True))

    def bare(self, system: str) -> Mapping[str, Mode]:
        """Return the mode of each unit by its id."""
        plant = self.plant.systems[system]
        return {u.id: m for u, m in zip(plant.units, self.modes(system), strict=True)}


def _modes(system: SimSystem) -> tuple[Mode, ...]:
    return tuple(u.mode for u in system.units)


def _near_an_end(plant: SystemPlant, system: SimSystem) -> bool:
    """Return whether a bank's voltage falls fast, a link of it will part, a unit will trip, or nobody carries any more."""
    if not any(u.on_battery for u in system.units):
        return True
    for unit, now in zip(plant.units, system.units, strict=True):
        if not now.on_battery:
            continue
        emf, resistance = battery.source_of(unit.bank, now.bank)
        volts = (
            emf - resistance * now.bank.current_a
        )  # as it stands; what was read is that of the last step's begin
        low = volts < NEAR_ITS_END * unit.bank.end_voltage_v * unit.bank.cells
        if low or now.bank.opens_after_s is not None or now.heat > 0.0:
            return True
    return False


def filled(plant: BankPlant, bank: SimBank) -> SimBank:
    """Return a bank as it is, but full and long on float, at its temperature."""
    warm = plant.cell.capacity_ah * capacity_factor(bank.temperature_c)
    groups = tuple(
        CellGroup(g.cells, full_wells(plant.cell, capacity_ah=warm * g.wear.capacity), g.wear)
        for g in bank.groups
    )
    return replace(bank, groups=groups, drawn_ah=0.0, below_s=0.0)


@dataclass
class SimCard:
    """One card: its unit, its behaviour, what it last said."""

    unit: str
    agent: Agent
    behaviour: Behaviour
    rows: AlarmRows = field(default_factory=lambda: AlarmRows({}))
    said_at_s: float = -math.inf
    said: Mapping[str, Typed] = field(default_factory=dict)
    slow_until_s: float = 0.0
    delay_s: float = 0.0


class World:
    """The plant and the cards of a story, played by a clock, and every second of it."""

    def __init__(
        self,
        estate: AuditEstate,
        clock: TurnedClock,
        cues: Sequence[Cue],
        lies: Mapping[str, tuple[Lie, ...]],
    ) -> None:
        """`cues` in order of time, in seconds since the start; those of the plant and of its cards."""
        self.estate = estate
        self.began_s = estate.now.timestamp()
        self._plant = estate.plant
        self._clock = clock
        self._clock_began_s = clock.monotonic_s()
        self._cues = list(cues)
        self._cued = {int(c.at_s) for c in cues}
        self._state = estate.state
        self.seconds: list[PlantAt] = [PlantAt(self._plant, self._state)]
        self.cards = {
            f"{u.id}-card": SimCard(
                u.id,
                Agent(lambda card=f"{u.id}-card": self._values(card), communities={b"public"}),  # type: ignore[misc]
                Behaviour(self.began_s - BOOTED_BEFORE_S, lies.get(f"{u.id}-card", ())),
            )
            for _, _, u in estate.plant.units()
        }
        self._ends: dict[tuple[str, str | None, int], float] = {}

    @property
    def at_s(self) -> int:
        """Return how far the story has come, in s."""
        return len(self.seconds) - 1

    @property
    def now(self) -> PlantAt:
        """Return the plant at this second."""
        return self.seconds[-1]

    def at(self, at_s: float) -> PlantAt:
        """Return the plant at a second of the story, the nearest that was played."""
        return self.seconds[min(max(int(at_s), 0), len(self.seconds) - 1)]

    def span(self, from_s: float, to_s: float) -> Sequence[PlantAt]:
        """Return every second from one to another, both with them."""
        first = min(max(math.floor(from_s), 0), len(self.seconds) - 1)
        return self.seconds[first : max(math.ceil(to_s), first) + 1]

    # --- what comes ---------------------------------------------------------------------------------------

    def advance(self) -> None:
        """Play on to the clock's present second, each cue at its own."""
        target = math.floor(self._clock.monotonic_s() - self._clock_began_s + 1e-6)
        while self.at_s < target:
            self._happen_due()
            self._state = worlds.after(self._plant, self._state, 1.0)
            for card in self.cards.values():
                self._raise_alarms(card)
            self.seconds.append(PlantAt(self._plant, self._state))

    def _happen_due(self) -> None:
        """Let happen what is due before the next step, so that every second shown is one that the plant has settled into."""
        while self._cues and self._cues[0].at_s <= self.at_s:
            self._happen(self._cues.pop(0).event)

    def _happen(self, event: Event | Happening) -> None:
        if isinstance(event, CardSlow):
            card = self.cards[event.card]
            card.slow_until_s, card.delay_s = self.at_s + event.for_s, event.delay_s
        elif isinstance(event, NetworkLoses):
            self.cards[event.card].agent.faults.drop_share = event.share
        elif isinstance(event, get_args(PlantHappening)):
            self._plant, self._state = happened(self._plant, self._state, event)
        else:
            behaviours = {name: card.behaviour for name, card in self.cards.items()}
            stage = played(self._plant, DirectorStage(self._state, behaviours), cast("Event", event))
            self._state = stage.world
            for name, behaviour in stage.cards.items():
                self.cards[name].behaviour = behaviour
            if isinstance(event, CardResets):
                self.cards[event.card].rows = AlarmRows({})

    # --- what cards say -----------------------------------------------------------------------------------

    def delay_s(self, address: str) -> float:
        """Return how late the replies of the card at an address are now, in s."""
        card = list(self.cards.values())[int(address.rpartition(".")[2]) - 1]
        return card.delay_s if self.at_s < card.slow_until_s else 0.0

    def agents(self) -> Mapping[str, Agent]:
        """Return the agents by address."""
        return {f"127.9.0.{n + 1}": card.agent for n, card in enumerate(self.cards.values())}

    def _place(self, card: SimCard) -> tuple[sets.SystemPlant, int, Feed]:
        name, place = self._plant.place_of[card.unit]
        plant = self._plant.systems[name]
        feed = at_terminals(self._state.systems[name].units[place], self._state.feeds[plant.supply])
        return plant, place, feed

    def _raise_alarms(self, card: SimCard) -> None:
        plant, place, feed = self._place(card)
        unit, state = plant.units[place], self._state.systems[plant.id].units[place]
        hung = self._state.t_s < card.behaviour.hung_until_s
        if card.agent.faults.hang != hung:
            card.agent.faults = replace(card.agent.faults, hang=hung)
        minutes = voice.LOW_BATTERY_MIN + 1.0
        if state.on_battery:
            charge = np.array([voice.card_charge(unit, state.bank.drawn_ah)])
            minutes = float(voice.card_minutes(unit, charge, np.array([sum(state.watts)]))[0])
        raised = voice.alarms_of(unit, state, feed, minutes)
        if Lie.ALARM_ROWS_STAY in card.behaviour.lies:
            raised = tuple(dict.fromkeys([*card.rows.rows, *raised]))
        card.rows = card.rows.after(raised, card.behaviour.uptime_s(self._state.t_s))

    def _values(self, name: str) -> Mapping[str, Typed]:
        self.advance()
        card = self.cards[name]
        t_s = self._state.t_s
        if card.said_at_s == t_s:
            return card.said
        uptime_s = card.behaviour.uptime_s(t_s)
        if card.said and t_s < card.behaviour.frozen_until_s:
            ticks = voice.typed({"sysUpTime": int(uptime_s * 100.0) % 2**32})
            card.said = {**card.said, voice.oid_of("sysUpTime"): ticks["sysUpTime"]}
        else:
            plant, place, feed = self._place(card)
            unit, state = plant.units[place], self._state.systems[plant.id].units[place]
            at = voice.moment_of(unit, state, feed, uptime_s=uptime_s)
            meters = self.estate.meters[card.unit]
            card.said = spoken(unit, at, meters, lies=card.behaviour.lies, rows=card.rows)
        card.said_at_s = t_s
        return card.said

    # --- what would come ----------------------------------------------------------------------------------

    def end_s(self, system: str, at_s: float, lost: str | None = None) -> float:
        """Return at which second of the story a system's load is lost, were nothing to feed it from `at_s` on; inf: later.

        `lost`: a unit that is gone from then on. Once the supply is truly gone this is what the story itself comes to,
        as long as nothing else happens.
        """
        second = min(max(int(at_s), 0), len(self.seconds) - 1)
        alike = self._alike(system, second, whole=lost is None)
        key = (system, lost, alike)
        if key not in self._ends:
            self._ends[key] = self._played_out(system, alike, lost)
        if lost is None and self._alone(system, second):
            return self._ends[key]
        return self._ends[key] + second - alike

    def _alone(self, system: str, second: int) -> bool:
        """Return whether no unit of a system takes anything from its supply at a second."""
        return all(m in _ALONE for m in self.seconds[second].modes(system))

    def _alike(self, system: str, second: int, *, whole: bool) -> int:
        """Return a second that comes to the same: the last of a time on the banks, or one shortly before at rest.

        `whole`: of all units together. With one of them gone no second on the banks is like another.
        """
        if self._alone(system, second):
            if not whole:
                return second
            while second + 1 < len(self.seconds) and self._goes_on(system, second, second + 1):
                second += 1
            return second
        first = second
        while (
            first > 0
            and second - first < REST_S
            and first % REST_S
            and self._goes_on(system, second, first - 1)
        ):
            first -= 1
        return first

    def _goes_on(self, system: str, one: int, other: int) -> bool:
        """Return whether nothing but time sets two seconds apart."""
        a, b = self.seconds[one], self.seconds[other]
        same = a.plant is b.plant and not self._cued.intersection(range(min(one, other), max(one, other) + 1))
        return same and a.modes(system) == b.modes(system)

    def _played_out(self, system: str, second: int, lost: str | None) -> float:
        at = self.seconds[second]
        plant, now = at.plant.systems[system], at.state.systems[system]
        if lost is not None:
            units = (
                replace(s, mode=Mode.ISOLATED, mode_s=0.0) if u.id == lost else s
                for u, s in zip(plant.units, now.units, strict=True)
            )
            now = replace(now, units=tuple(units))
        return second + self._lost_after_s(at, system, now)

    @staticmethod
    def _lost_after_s(at: PlantAt, system: str, now: SimSystem) -> float:
        """Return after how many seconds without supply a system's load is lost; inf: over the horizon."""
        plant = at.plant.systems[system]
        nothing = Feed(FeedSource.NOTHING, 0.0, 0.0)
        passed_s = 0.0
        while passed_s < HORIZON_S:
            step_s = 1.0 if passed_s < FINE_S else 2.0 if _near_an_end(plant, now) else COARSE_S
            then = sets.after(plant, now, nothing, at.state.t_s + passed_s + step_s, step_s)
            if step_s == COARSE_S and (_modes(then) != _modes(now) or _near_an_end(plant, then)):
                step_s = 2.0  # within the step somebody left, or came near it: when, is found by smaller ones
                then = sets.after(plant, now, nothing, at.state.t_s + passed_s + step_s, step_s)
            now = then
            passed_s += step_s
            if now.lost:
                return passed_s
        return math.inf

    def hold_up_s(self, system: str, at_s: float, lost: str | None = None) -> float:
        """Return how long a system would hold from a second on without any supply, s; inf: over the horizon."""
        return self.end_s(system, at_s, lost) - min(max(int(at_s), 0), len(self.seconds) - 1)

    def holds_full_s(self, system: str, at_s: float, lost: str | None = None) -> float:
        """Return how long a system would hold without any supply with its banks full, and without `lost`, s; inf: over the horizon."""
        second = min(max(int(at_s), 0), len(self.seconds) - 1)
        key = (system, f"full {lost}", second - second % REST_S)
        if key not in self._ends:
            at = self.seconds[second]
            pairs = zip(at.plant.systems[system].units, at.state.systems[system].units, strict=True)
            units = tuple(
                replace(
                    now,
                    bank=filled(unit.bank, now.bank),
                    mode=Mode.ISOLATED if unit.id == lost else now.mode,
                    mode_s=0.0 if unit.id == lost else now.mode_s,
                )
                for unit, now in pairs
            )
            self._ends[key] = self._lost_after_s(at, system, replace(at.state.systems[system], units=units))
        return self._ends[key]

    def holds_with_less_s(self, system: str, at_s: float, less_w: float) -> float:
        """Return how long a system would hold from a second on without supply and with so much of its load shed, s."""
        second = min(max(int(at_s), 0), len(self.seconds) - 1)
        key = (system, f"less {less_w:.0f}", second)
        if key not in self._ends:
            at = self.seconds[second]
            now = at.state.systems[system]
            self._ends[key] = self._lost_after_s(at, system, replace(now, extra_w=now.extra_w - less_w))
        return self._ends[key]
