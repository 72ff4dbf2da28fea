"""An estate and what happens to it, drawn by a seed: wide on purpose, and small enough to be played in a moment.

A story is a value: its seed and number name it, its cues may be left out one by one (`tests.audit.shrink`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

import numpy as np

from collector.simulation.cards.faulty_cards import Lie
from collector.simulation.scenario.director import (
    BankOpens,
    BankWeak,
    CardFreezes,
    CardHangs,
    CardResets,
    Event,
    MainsFails,
    MainsReturns,
    SetWill,
    TestEnds,
    UnitIsolated,
    UnitReturned,
    UnitTested,
)
from tests.audit.estates import AuditEstate, estate_of
from tests.audit.happenings import (
    CardSlow,
    ClockJumps,
    Happening,
    InputCloses,
    InputOpens,
    LoadSteps,
    NetworkLoses,
    PersonAcknowledges,
    RoomHeats,
    ServiceRestarts,
    SetStops,
    WorkAnnounced,
    WorkDone,
)

QUIET_S: Final = 75.0
"""Before anything happens: cards are met, banks are judged, a hold-up is known."""
LONGEST_S: Final = 600.0
WHOLE_EVERY: Final = 20
HARMLESS: Final = (
    Lie.CURRENT_REVERSED, Lie.CURRENT_NEVER, Lie.TEMPERATURE_TENTHS, Lie.MINUTES_CONSTANT, Lie.CHARGE_STUCK,
    Lie.HERTZ_HUNDREDTHS, Lie.GAUGES, Lie.TEXT_PADDED, Lie.SENTINEL_MINUS_ONE, Lie.ALARM_COUNT_WRONG, Lie.ALARM_ROWS_STAY,
)  # fmt: skip
"""Lies that the service is to see through, and after which all it says of power must still be true."""


@dataclass(frozen=True, slots=True)
class StoryCue:
    """Something that happens at a second of the story."""

    at_s: float
    event: Event | Happening


@dataclass(frozen=True)
class Story:
    """An estate, what happens to it, how its cards lie, and how long it is watched, s."""

    seed: int
    number: int
    cues: tuple[StoryCue, ...]
    lasts_s: float
    lies: Mapping[str, tuple[Lie, ...]] = field(default_factory=dict)

    @property
    def whole(self) -> bool:
        """Return whether what is planned is reckoned too: in one story of `WHOLE_EVERY`."""
        return self.number % WHOLE_EVERY == 0

    @property
    def estate(self) -> AuditEstate:
        """Return the estate, made once."""
        return _estate(self.seed, self.number)

    def told(self) -> str:
        """Return the story for a person to read."""
        plant = self.estate.plant
        lines = [f"story {self.number} of seed {self.seed}, {self.estate.now:%Y-%m-%d %H:%M:%S} UTC"]
        for system in plant.systems.values():
            unit = system.units[0]
            lines.append(
                f"  {system.id} on {system.supply}: {len(system.units)} units of {unit.rating_va / 1e3:g} kVA,"
                f" {unit.rating_w / 1e3:g} kW, load {sum(system.load.watts) / 1e3:.1f} kW"
            )
        lines += [f"  {card} lies: {', '.join(lies)}" for card, lies in self.lies.items() if lies]
        lines += [f"  {cue.at_s:5.0f} s  {cue.event}" for cue in self.cues]
        return "\n".join([*lines, f"  {self.lasts_s:5.0f} s  the end"])


@lru_cache(maxsize=4)
def _estate(seed: int, number: int) -> AuditEstate:
    return estate_of(seed * 1_000_003 + number)


def story_of(seed: int, number: int) -> Story:
    """Return a story by its seed and number."""
    return _Telling(seed, number).told()


class _Telling:
    """A story on its way. Each kind of thing that may happen adds its cues, and how long they last."""

    def __init__(self, seed: int, number: int) -> None:
        self.seed, self.number = seed, number
        self.dice = np.random.default_rng([seed, number, 23])
        self.estate = _estate(seed, number)
        self.plant = self.estate.plant
        self.cues: list[StoryCue] = []
        self.units = [u.id for _, _, u in self.plant.units()]

    def told(self) -> Story:
        at_s = QUIET_S + float(self.dice.uniform(0.0, 5.0))
        kinds: tuple[tuple[Callable[[float], float], float], ...] = (
            (self.outage, 8.0),
            (self.dips, 2.0),
            (self.input_opens, 1.5),
            (self.load_steps, 2.0),
            (self.card_fails, 2.0),
            (self.unit_out, 1.5),
            (self.test, 1.0),
            (self.bank_fails, 1.0),
            (self.room, 0.5),
            (self.service, 1.0),
            (self.load_vanishes, 0.7),
            (self.one_board, 1.5),
            (self.twice, 1.5),
            (self.cells_fail, 1.0),
            (self.clock, 0.7),
            (self.network, 0.7),
            (self.work, 1.0),
        )
        weights = np.array([w for _, w in kinds])
        for _ in range(int(self.dice.integers(1, 3))):
            kind = kinds[int(self.dice.choice(len(kinds), p=weights / weights.sum()))][0]
            at_s = min(kind(at_s) + float(self.dice.uniform(0.0, 60.0)), LONGEST_S - 60.0)
        if self.dice.random() < 0.3:
            self.cue(float(self.dice.uniform(QUIET_S, at_s)), PersonAcknowledges())
        self.cues.sort(key=lambda c: c.at_s)
        lies = {
            f"{u}-card": tuple(self.dice.choice(np.array(HARMLESS), int(self.dice.integers(1, 3)), False))
            for u in self.units
            if self.dice.random() < 0.12
        }
        return Story(self.seed, self.number, tuple(self.cues), min(at_s + 60.0, LONGEST_S), lies)

    def cue(self, at_s: float, event: Event | Happening) -> None:
        self.cues.append(StoryCue(round(at_s), event))

    def one(self, things: list[str]) -> str:
        return things[int(self.dice.integers(0, len(things)))]

    # --- what may happen: each returns when it is over --------------------------------------------------------

    def outage(self, at_s: float) -> float:
        supply = self.one(list(self.plant.supplies))
        dice, generator = self.dice, self.plant.supplies[supply].generator
        lasts_s = float(np.exp(dice.uniform(np.log(15.0), np.log(250.0))))
        if generator is not None:
            draw = dice.random()
            fires_at = None if draw < 0.2 else int(dice.integers(1, generator.attempts + 1))
            late_s = float(dice.uniform(5.0, 60.0)) if dice.random() < 0.25 else 0.0
            self.cue(at_s, SetWill(supply, fires_at, late_s, hunts=bool(dice.random() < 0.1)))
            if dice.random() < 0.15:
                self.cue(at_s + float(dice.uniform(60.0, 200.0)), SetStops(supply))
        self.cue(at_s, MainsFails(supply))
        self.cue(at_s + lasts_s, MainsReturns(supply))
        return at_s + lasts_s + 100.0

    def dips(self, at_s: float) -> float:
        supply = self.one(list(self.plant.supplies))
        for _ in range(int(self.dice.integers(2, 5))):
            self.cue(at_s, MainsFails(supply))
            at_s += float(self.dice.uniform(1.0, 25.0))
            self.cue(at_s, MainsReturns(supply))
            at_s += float(self.dice.uniform(5.0, 70.0))
        return at_s + 60.0

    def input_opens(self, at_s: float) -> float:
        unit, lasts_s = self.one(self.units), float(self.dice.uniform(20.0, 200.0))
        self.cue(at_s, InputOpens(unit))
        self.cue(at_s + lasts_s, InputCloses(unit))
        return at_s + lasts_s + 60.0

    def load_steps(self, at_s: float) -> float:
        system = self.one(list(self.plant.systems))
        for _ in range(int(self.dice.integers(1, 3))):
            self.cue(at_s, LoadSteps(system, float(self.dice.choice((-0.5, -0.2, 0.15, 0.3, 0.6)))))
            at_s += float(self.dice.uniform(20.0, 90.0))
        if self.dice.random() < 0.7:
            self.cue(at_s, LoadSteps(system, 0.0))
        return at_s + 30.0

    def card_fails(self, at_s: float) -> float:
        card, lasts_s = f"{self.one(self.units)}-card", float(self.dice.uniform(5.0, 150.0))
        kinds = (
            CardHangs(card, lasts_s),
            CardHangs(card, lasts_s),
            CardFreezes(card, min(lasts_s, 40.0)),
            CardResets(card),
            CardSlow(card, float(self.dice.uniform(0.3, 3.0)), lasts_s),
            NetworkLoses(card, float(self.dice.uniform(0.05, 0.4))),
        )
        self.cue(at_s, kinds[int(self.dice.integers(0, len(kinds)))])
        return at_s + (lasts_s if self.dice.random() < 0.5 else 0.0)

    def unit_out(self, at_s: float) -> float:
        unit, lasts_s = self.one(self.units), float(self.dice.uniform(40.0, 200.0))
        self.cue(at_s, UnitIsolated(unit))
        if self.dice.random() < 0.8:
            self.cue(at_s + lasts_s, UnitReturned(unit))
        return at_s + (lasts_s if self.dice.random() < 0.6 else 20.0)

    def test(self, at_s: float) -> float:
        unit, lasts_s = self.one(self.units), float(self.dice.uniform(15.0, 120.0))
        self.cue(at_s, UnitTested(unit))
        self.cue(at_s + lasts_s, TestEnds(unit))
        return at_s + lasts_s + 30.0

    def bank_fails(self, at_s: float) -> float:
        bank = f"{self.one(self.units)}-bank"
        if self.dice.random() < 0.5:
            self.cue(at_s, BankOpens(bank, float(self.dice.uniform(0.0, 60.0))))
        else:
            self.cue(
                at_s,
                BankWeak(bank, int(self.dice.integers(3, 18)), float(self.dice.uniform(0.4, 0.9))),
            )
        return self.outage(at_s + 10.0) if self.dice.random() < 0.7 else at_s

    def room(self, at_s: float) -> float:
        self.cue(at_s, RoomHeats(self.one(list(self.plant.systems)), float(self.dice.uniform(-8.0, 15.0))))
        return at_s

    def service(self, at_s: float) -> float:
        after_s = float(self.dice.uniform(1.0, 30.0))
        self.cue(at_s, ServiceRestarts(after_s, killed=bool(self.dice.random() < 0.5)))
        return at_s + after_s + (0.0 if self.dice.random() < 0.5 else 60.0)

    def clock(self, at_s: float) -> float:
        """The machine's time of day is set, by seconds or by hours; sometimes while banks carry."""
        by_s = float(np.exp(self.dice.uniform(np.log(3.0), np.log(7200.0)))) * (
            1 if self.dice.random() < 0.5 else -1
        )
        ends_s = self.outage(at_s) if self.dice.random() < 0.6 else at_s + 60.0
        self.cue(float(self.dice.uniform(at_s, min(at_s + 60.0, ends_s))), ClockJumps(round(by_s, 1)))
        return ends_s

    def network(self, at_s: float) -> float:
        """What lies between the cards and the service delays and loses for a while, of all cards of a system alike."""
        system = self.plant.systems[self.one(list(self.plant.systems))]
        lasts_s = float(self.dice.uniform(20.0, 150.0))
        delay_s, share = float(self.dice.uniform(0.05, 1.5)), float(self.dice.uniform(0.02, 0.3))
        for unit in system.units:
            self.cue(at_s, CardSlow(f"{unit.id}-card", delay_s, lasts_s))
            self.cue(at_s, NetworkLoses(f"{unit.id}-card", share))
            self.cue(at_s + lasts_s, NetworkLoses(f"{unit.id}-card", 0.0))
        return self.outage(at_s + 5.0) if self.dice.random() < 0.5 else at_s + lasts_s + 30.0

    def work(self, at_s: float) -> float:
        """A unit is announced to be worked on: it is taken out and comes back as was said, later, not at all, or it is another."""
        # nobody takes out the only unit of a system with its load on it
        shared = [
            u for s in self.plant.systems.values() if len(s.units) > 1 for u in (one.id for one in s.units)
        ]
        if not shared:
            return self.outage(at_s)
        unit, lasts_s = self.one(shared), float(self.dice.uniform(60.0, 200.0))
        truly = unit if self.dice.random() < 0.8 else self.one(shared)
        back_s = at_s + lasts_s * float(self.dice.choice((0.6, 0.9, 1.3)))
        self.cue(at_s, WorkAnnounced(unit, lasts_s))
        if self.dice.random() < 0.85:
            self.cue(at_s + 10.0, UnitIsolated(truly))
            self.cue(back_s, UnitReturned(truly))
        if self.dice.random() < 0.7:
            self.cue(back_s + 20.0, WorkDone(unit))
        if self.dice.random() < 0.3:
            return self.outage(at_s + 0.5 * lasts_s)
        return back_s + 50.0

    def load_vanishes(self, at_s: float) -> float:
        """A hall is switched off whole, and on again; sometimes while its banks carry it."""
        system, lasts_s = self.one(list(self.plant.systems)), float(self.dice.uniform(20.0, 120.0))
        self.cue(at_s, LoadSteps(system, -1.0))
        if self.dice.random() < 0.8:
            self.cue(at_s + lasts_s, LoadSteps(system, 0.0))
        return self.outage(at_s + 0.5 * lasts_s) if self.dice.random() < 0.4 else at_s + lasts_s + 30.0

    def one_board(self, at_s: float) -> float:
        """A generator takes one board only: what hangs on the other stays on its banks until the mains is back."""
        supply = self.one(list(self.plant.supplies))
        systems = [s for s in self.plant.systems.values() if s.supply == supply]
        if not systems:
            return self.outage(at_s)
        left = systems[int(self.dice.integers(0, len(systems)))]
        boards = left.units if len(systems) > 1 else left.units[: max(len(left.units) // 2, 1)]
        lasts_s = float(self.dice.uniform(60.0, 220.0))
        self.cue(at_s, SetWill(supply, 1))
        self.cue(at_s, MainsFails(supply))
        for unit in boards:
            self.cue(at_s + 2.0, InputOpens(unit.id))
            self.cue(at_s + lasts_s + float(self.dice.uniform(2.0, 30.0)), InputCloses(unit.id))
        self.cue(at_s + lasts_s, MainsReturns(supply))
        return at_s + lasts_s + 100.0

    def twice(self, at_s: float) -> float:
        """Two outages, and a recharge between them that does not make the first one good."""
        supply = self.one(list(self.plant.supplies))
        self.cue(at_s, SetWill(supply, None))
        for _ in range(2):
            self.cue(at_s, MainsFails(supply))
            at_s += float(self.dice.uniform(60.0, 140.0))
            self.cue(at_s, MainsReturns(supply))
            at_s += float(self.dice.uniform(50.0, 120.0))
        return at_s

    def cells_fail(self, at_s: float) -> float:
        """Cells of a bank fail, or a link of it parts, in the middle of a discharge."""
        unit = self.one(self.units)
        supply = self.plant.systems[self.plant.place_of[unit][0]].supply
        lasts_s, when_s = float(self.dice.uniform(60.0, 200.0)), float(self.dice.uniform(15.0, 60.0))
        self.cue(at_s, SetWill(supply, None))
        self.cue(at_s, MainsFails(supply))
        if self.dice.random() < 0.5:
            self.cue(at_s + when_s, BankOpens(f"{unit}-bank", float(self.dice.uniform(0.0, 20.0))))
        else:
            cells, left = int(self.dice.integers(3, 18)), float(self.dice.uniform(0.3, 0.8))
            self.cue(at_s + when_s, BankWeak(f"{unit}-bank", cells, left))
        self.cue(at_s + lasts_s, MainsReturns(supply))
        return at_s + lasts_s + 80.0
