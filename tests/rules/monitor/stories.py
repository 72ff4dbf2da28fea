"""Random stories of an estate of several sites, and the check of the live step against the full one at every input."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import timedelta
from random import Random
from typing import Any, Final

from rules.alarms.catalogue import CATALOGUE, AlarmKind, Explanation
from rules.alarms.conditions.generators import SetFigures
from rules.alarms.conditions.service import ServiceFigures
from rules.alarms.conditions.shutdown import Met, ShutdownFigures
from rules.alarms.windows import Window
from rules.generator.test_runs import SetTest
from rules.monitor.inputs import (
    BankJudged,
    EquipmentDeclared,
    Input,
    OperatorAction,
    OperatorCommand,
    PlannedWork,
    ReadingsLooked,
    ServiceLooked,
    SetsLooked,
    ShutdownLooked,
    SystemJudged,
    Tick,
    WorkLooked,
)
from rules.monitor.live import Live
from rules.monitor.state import Book, Touched, WatchState
from rules.monitor.state_diff import changed, clock, whole
from rules.monitor.step import advance
from rules.planning.programme.service_due import WorkDue
from rules.plant.estate import Card, Estate
from rules.plant.reading import BatteryStatus, OutputSource, Reading, Stamp
from rules.plant.unread import OldReading, Unread
from rules.values.reason import told
from rules.values.serial import to_plain
from rules.values.verdict import Verdict
from tests.rules import sample_plant as plant
from tests.rules.day import on_battery_since
from tests.rules.monitor.full_step import full_step
from tests.rules.monitor.watching import difference

SITES: Final = ("fell", "mill", "weir")
WORKS, DEPOT = ("a1", "a2", "a3"), ("b1",)
QUICK_S: Final = (0.0, 0.2, 1.0, 2.0)
WAITS_S: Final = (0.0, 0.2, 1.0, 2.0, 5.0, 12.0, 40.0, 130.0, 700.0)


def sites() -> Estate:
    """Return three sites alike: three units in one system on a board, one unit in another, a generator; two of them on one supply."""
    base = plant.estate()
    works, depot = base.systems["works"], base.systems["depot"]
    units: dict[str, str] = {}
    for site in SITES:
        units |= dict.fromkeys((f"{site}-{u}" for u in WORKS), f"{site}-works")
        units |= dict.fromkeys((f"{site}-{u}" for u in DEPOT), f"{site}-depot")

    def supply(site: str, system: str) -> str:
        return f"{site}-{'north' if system == 'works' or site == 'mill' else 'south'}"

    return replace(
        base,
        sites={s: replace(base.sites["fellbeck"], id=s, name=s.title()) for s in SITES},
        supplies={
            f"{s}-{name}": replace(given, id=f"{s}-{name}", site=s, generator=given.generator and f"{s}-set")
            for s in SITES
            for name, given in base.supplies.items()
        },
        generators={f"{s}-set": replace(base.generators["set-1"], id=f"{s}-set") for s in SITES},
        systems={
            f"{s}-{name}": replace(
                given, id=f"{s}-{name}", name=f"{name} at {s}", site=s, supply=supply(s, name)
            )
            for s in SITES
            for name, given in (("works", works), ("depot", depot))
        },
        units={u: replace(base.units["W1"], id=u, system=system) for u, system in units.items()},
        cards={f"card-{u}": Card(f"card-{u}", (u,)) for u in units},
        banks={f"bank-{u}": replace(base.banks["bank-W1"], id=f"bank-{u}", feeds=(u,)) for u in units},
        watch_power=replace(
            base.watch_power,
            box_fed_by="fell-works",
            switches_fed_by="fell-works",
            way_out_fed_by="mill-works",
        ),
    )


def changed_catalogue() -> Mapping[str, AlarmKind]:
    """Return the catalogue as sites may change it, so that latching, re-alarm and chattering are in a story too."""
    return dict(CATALOGUE) | {
        "on_bypass": replace(CATALOGUE["on_bypass"], on_delay_s=0.0, off_delay_s=0.0),
        "overload": replace(CATALOGUE["overload"], on_delay_s=1.0, off_delay_s=1.0, latching=True),
        "bank_hot": replace(CATALOGUE["bank_hot"], on_delay_s=2.0, realarm_s=60.0),
        "fans_due": replace(CATALOGUE["fans_due"], realarm_s=300.0),
    }


BOOK: Final = Book(sites(), changed_catalogue())
UNITS: Final = tuple(BOOK.estate.units)
SYSTEMS: Final = tuple(BOOK.estate.systems)

READS: Final[Mapping[str, Mapping[str, Any]]] = {
    "mains": {},
    "dark": {"source": OutputSource.BATTERY, "input_v": 0.0, "alarms": ("upsAlarmInputBad", "upsAlarmOnBattery")},
    "low": {"source": OutputSource.BATTERY, "input_v": 0.0, "status": BatteryStatus.LOW},
    "bypass": {"source": OutputSource.BYPASS, "alarms": ("upsAlarmBypassBad",)},
    "off": {"source": OutputSource.NONE, "input_v": 0.0, "power_w": 0.0},
    "idle": {"input_v": 0.0},
    "fan": {"alarms": ("upsAlarmFanFailure", "1.3.6.1.4.1.99999.1")},
    "full": {"power_w": 9900.0, "load_pct": 110.0},
    "hot": {"temperature_c": 44.0},
    "mute": {"source": None, "alarms": None, "temperature_c": None},
    "another": {"model": "Tarn 60"},
}  # fmt: skip


@dataclass
class Story:
    """A watch that lives, is killed and restored by its kept parts, beside one that looks at everything each time."""

    seed: int
    inputs: int = 0
    seconds: float = 0.0
    run: int = 1
    kept: dict[str, object] = field(default_factory=dict)
    unkept: Touched = field(default_factory=dict)
    kept_clock: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.chance = Random(self.seed)
        self.live = Live(BOOK)
        self.state = WatchState()
        self.mood = "mains"

    def go(self, count: int) -> None:
        """Give so many random inputs, checking after each."""
        for _ in range(count):
            waits_s = QUICK_S if self.mood == "quick" else WAITS_S
            self.seconds += self.chance.choice(waits_s) * self.chance.random()
            self.give(self.one())
            if self.chance.random() < 0.5:
                self.keep()
            if self.chance.random() < 0.01:
                self.killed()

    def give(self, given: Input) -> None:
        """Give one input to both, and check that nothing tells them apart."""
        self.state, wanted = full_step(self.state, given, BOOK)
        found = advance(self.live, given)
        self.inputs += 1
        where = f"seed {self.seed}, input {self.inputs}: {given}"
        assert found == wanted, where
        assert self.live.now == self.state, where
        assert self.live.index == Live.of(self.state, BOOK).index, where

    def keep(self) -> bool:
        """Keep what was touched, as a commit does; one in five fails and has to be made up for."""
        for part, before in self.live.take_touched().items():
            self.unkept.setdefault(part, before)
        if self.chance.random() < 0.2:
            return False
        found = changed(self.unkept, self.live.now)
        self.kept |= {name: json.loads(json.dumps(to_plain(value))) for name, value in found.parts.items()}
        for name in found.gone:
            del self.kept[name]
        self.unkept = {}
        self.kept_clock = clock(self.live.now)
        return True

    def killed(self) -> None:
        """Die and start again from what was kept, which must be all that matters of the moment it was kept at."""
        while not self.keep():
            pass
        again = whole(self.kept_clock, self.kept)
        assert not difference(again, self.state), f"seed {self.seed}, input {self.inputs}"
        self.state, self.live, self.run = again, Live.of(again, BOOK), self.run + 1

    # --- what happens ------------------------------------------------------------------------------------

    def stamp(self, late_s: float = 0.0) -> Stamp:
        return plant.stamp(self.seconds - late_s, f"run-{self.run}")

    def one(self) -> Input:
        """Return what happens next: mostly readings and time, now and then anything else."""
        if self.chance.random() < 0.02:
            self.mood = self.chance.choice(("mains", "dark", "mixed", "quick"))
        kinds: tuple[tuple[Callable[[], Input], int], ...] = (
            (self.read, 40),
            (self.time, 20),
            (self.judged, 12),
            (self.silent, 5),
            (self.act, 10),
            (self.planned, 2),
            (self.looked, 3),
        )
        (kind,) = self.chance.choices([k for k, _ in kinds], [w for _, w in kinds])
        return kind()

    def read(self) -> Reading:
        unit, chance = self.chance.choice(UNITS[:2] if self.mood == "quick" else UNITS), self.chance.random()
        dark = self.mood == "dark" and unit.startswith((SITES[0], SITES[1]))
        what = "dark" if dark and chance < 0.9 else "mains"
        if self.mood == "quick":
            what = self.chance.choice(("mains", "bypass", "full", "hot"))
        elif self.mood == "mixed" or chance > 0.9:
            what = self.chance.choice(tuple(READS))
        late_s = self.chance.choice((0.0, 0.0, 0.0, 3.0))
        found = plant.reading("W1", self.seconds - late_s, start=f"run-{self.run}", **READS[what])
        return replace(found, unit=unit if self.chance.random() < 0.99 else "nobody")

    def silent(self) -> Input:
        unit = self.chance.choice(UNITS)
        found = self.chance.choice((plant.silence, plant.silence, plant.fault))(unit, self.seconds)
        return replace(found, stamp=self.stamp())

    def time(self) -> Tick:
        return Tick(self.stamp())

    def judged(self) -> SystemJudged:
        system = self.chance.choice(SYSTEMS)
        dark = self.chance.random() < (0.7 if self.mood == "dark" else 0.1)
        since_s = self.seconds - self.chance.choice((1.0, 60.0))
        outage = on_battery_since(since_s, lasts_s=self.chance.choice((300.0, 900.0, 4000.0)))
        verdict = self.chance.choice(
            (Verdict.ADEQUATE, Verdict.ADEQUATE, Verdict.INADEQUATE, Verdict.CANNOT_TELL)
        )
        state = plant.system_state(
            "works" if system.endswith("works") else "depot",
            self.seconds,
            verdict=verdict,
            margin_s=-60.0 if verdict is Verdict.INADEQUATE else 430.0,
            spare=self.chance.choice((Verdict.ADEQUATE, Verdict.INADEQUATE)),
            spare_margin_w=self.chance.choice((4000.0, -500.0)),
            lines_w=self.chance.choice(((9000.0, 9000.0, 9100.0), (14000.0, 6000.0, 6000.0))),
            on_battery=outage if dark else None,
        )
        given = BOOK.estate.systems[system]
        return SystemJudged(self.stamp(), replace(state, id=system, name=given.name, site=given.site))

    def act(self) -> OperatorAction:
        names = sorted((*self.state.alarms, *self.state.incidents)) or ["nothing"]
        until = plant.START + timedelta(seconds=self.seconds + self.chance.choice((-5.0, 20.0, 300.0)))
        deed = self.chance.choice(tuple(OperatorCommand))
        return OperatorAction(self.stamp(), deed, self.chance.choice(names), "R. Haugen", "seen", until)

    def planned(self) -> PlannedWork:
        places = (*SITES, *SYSTEMS, *UNITS, *BOOK.estate.supplies, "nowhere", "ridethrough")

        def window(name: str) -> Window:
            start = plant.START + timedelta(seconds=self.seconds + self.chance.choice((-50.0, 3.0, 100.0)))
            end = start + timedelta(seconds=self.chance.choice((60.0, 400.0)))
            return Window(
                name, self.chance.choice(tuple(Explanation)), self.chance.choice(places), start, end
            )

        left = [w for w in self.state.windows if self.chance.random() < 0.5]
        new = [window(f"w{self.chance.randrange(9)}") for _ in range(self.chance.randrange(4))]
        return PlannedWork(self.stamp(), tuple({w.id: w for w in (*left, *new)}.values()))

    def looked(self) -> Input:
        bad, unit, system = self.chance.random() < 0.5, self.chance.choice(UNITS), self.chance.choice(SYSTEMS)
        site = self.chance.choice(SITES)
        met = (Met("margin_gone", told("too short."), -3.0),) if bad else ()
        choices: tuple[Input, ...] = (
            EquipmentDeclared(self.stamp(), unit),
            BankJudged(self.stamp(), replace(plant.overdue_bank("W1"), id=f"bank-{unit}", feeds=(unit,))),
            ServiceLooked(
                self.stamp(), ServiceFigures(free_fraction=0.01 if bad else 0.5, late_fraction=0.0)
            ),
            SetsLooked(
                self.stamp(), SetFigures({f"{site}-set": SetTest(None, None, bad, told("Never run."), True)})
            ),
            ShutdownLooked(self.stamp(), ShutdownFigures(system, met)),
            ReadingsLooked(self.stamp(), (OldReading(unit, 17.0, self.chance.choice(tuple(Unread))),), ())
            if bad
            else ReadingsLooked(self.stamp(), (), UNITS),
            WorkLooked(self.stamp(), (WorkDue("fans_due", unit, told("since March") if bad else None),)),
        )
        return self.chance.choice(choices)
