"""Invented estates of any size: sites of ten systems, most of them well, some short, some silent, some with an alarm."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from functools import cache

from collector.read_model.sheet import Plans, PlanView, Sheet, ShownAlarm, ShownIsolation, ShownUnit
from rules.battery.state import BankState
from rules.planning.ridethrough.shutdown import Shutdown
from rules.planning.ridethrough.signed_course import PlanCourse
from rules.planning.sizing.replacement import Sizes
from rules.plant.estate import Bank, Card, Estate, Generator, LoadGroup, Site, Supply, System, Unit
from rules.system.state import (
    UNKNOWN_HOLD_UP,
    Against,
    EndOfLife,
    HoldUp,
    HoldUps,
    Load,
    Standing,
    SystemState,
    UnitLost,
    UnitStanding,
)
from rules.values.reason import told
from rules.values.verdict import Verdict
from tests.api.pages import samples, shutdowns
from tests.api.pages.samples import NOW

SITES = (
    "Thornley Ings",
    "Harrowgill",
    "Fellbeck",
    "Netherscar",
    "Wether Crag",
    "Ossby",
    "Cold Ash",
    "Low Marr",
    "Sallow",
    "Binnet",
)
PLACES = (
    "Treatment works",
    "Screens",
    "Laboratory",
    "Intake pumps",
    "Ozone plant",
    "Telemetry",
    "Gatehouse",
    "Sludge line",
    "Filter house",
    "Boosters",
)
A_SITE = 10
ROUGH = {3: "short", 7: "silent", 11: "alarm", 5: "peak"}
"""Which of the first systems have something; of a larger estate the same again every `REPEATS`."""
REPEATS = 33
SIGNED = {
    5: datetime(2026, 12, 12, 8, 0, tzinfo=NOW.tzinfo),
    8: datetime(2026, 12, 5, 7, 0, tzinfo=NOW.tzinfo),
}
"""When the mains is switched off at some of the first systems; the first of them drops its load."""


@cache
def sheet_of(systems: int) -> Sheet:
    """Return an estate of so many systems at rest."""
    made = [_System(n, random.Random(10_000 + n)) for n in range(systems)]
    names = [f"site-{n}" for n in range(-(-systems // A_SITE))]
    sites = {
        name: Site(name, f"{SITES[n % 10]}{f' {n // 10 + 1}' if n >= 10 else ''}", "Europe/London")
        for n, name in enumerate(names)
    }
    estate = Estate(
        sites,
        {f"mains-{s}": Supply(f"mains-{s}", s, f"set-{s}") for s in sites},
        {f"set-{s}": Generator(f"set-{s}", 400_000, 5, 3, 15, 15, 12, 3, hand_start_s=240) for s in sites},
        {m.id: m.declared for m in made},
        {u.id: u for m in made for u in m.plant},
        {f"card {u.id}": Card(f"card {u.id}", (u.id,)) for m in made for u in m.plant},
        {b.id: b for m in made for b in m.batteries},
        {g.id: g for m in made for g in m.groups},
    )
    return Sheet(
        NOW,
        "Fellbeck Water",
        estate,
        tuple(m.state() for m in made),
        tuple(s for m in made for s in m.bank_states()),
        tuple(v for m in made for v in m.views()),
        tuple(sorted((a for m in made for a in m.alarms()), key=_to_act)),
        isolations=tuple(i for m in made for i in m.isolations()),
        sizes={m.id: found for m in made if (found := m.sizes()) is not None},
        shutdowns={m.id: m.shutdown() for m in made},
        plans={m.id: Plans((view,)) for m in made if (view := m.signed()) is not None},
        estate_file="fellbeck.toml",
        acts=True,
    )


class _Like:
    """What the systems are made after."""

    works, control = samples.works_state(), samples.control_state()
    banks, views = samples.banks(), samples.views()
    alarms, isolations = samples.alarms(), samples.isolations()
    sizes = samples.sizes(years=1)["works"]


def _to_act(alarm: ShownAlarm) -> tuple[int, str]:
    """Return the key by which a service orders what helps for a day or longer: the graver, then what is due first."""
    return -_RANKS.index(alarm.severity), f"{alarm.by_when}"


_RANKS = ("warning", "minor", "major", "critical")


def with_state(sheet: Sheet, state: SystemState) -> Sheet:
    """Return a sheet in which one system stands otherwise."""
    return replace(sheet, systems=tuple(state if s.id == state.id else s for s in sheet.systems))


class _System:
    """One system of the estate, with all that is known of it."""

    def __init__(self, number: int, chance: random.Random) -> None:
        self.id, self.number = f"sys-{number}", number
        self.name = PLACES[number % A_SITE]
        self.kind = ROUGH.get(number % REPEATS, "well")
        self.chance = chance
        many = (
            3
            if self.kind in {"short", "peak"}
            else 1
            if self.kind == "silent"
            else chance.choice((1, 2, 2, 2, 3))
        )
        self.va = chance.choice((10, 20, 30, 40, 60)) * 1000
        site = f"site-{number // A_SITE}"
        self.declared = System(self.id, self.name, site, f"mains-{site}", spare_units=1 if many > 1 else 0)
        self.plant: list[Unit] = [
            samples.unit_of(f"{number}.{n + 1}", self.id, self.va, 0.9 * self.va) for n in range(many)
        ]
        self.batteries: list[Bank] = [
            samples.bank_of(f"{u.id}", u.id, cells=192, blocks="12 V 24 Ah", since=date(2022, 3, 1))
            for u in self.plant
        ]
        self.groups = [
            LoadGroup(f"{kind} {number}", self.id, (watts,) * 3, importance)
            for kind, watts, importance in (("heaters", 700.0, 3), ("laboratory", 500.0, 2))
            if number % 4
        ]
        self.needed_s = chance.choice((300.0, 360.0, 480.0, 540.0))
        spare_s = -102.0 if self.kind == "short" else 60.0 * chance.choice((1.4, 2.1, 3.6, 5.9, 8.8, 12.0))
        self.lost_s = self.needed_s + spare_s
        self.all_s = self.lost_s * (2.1 if many > 1 else 1.0)

    def state(self) -> SystemState:
        """Return how it stands."""
        silent, several = self.kind == "silent", len(self.plant) > 1
        like = _Like.works if self.kind == "peak" else _Like.control
        low_s = self.lost_s if several else self.all_s
        held = UNKNOWN_HOLD_UP if silent else _about(self.all_s)
        lost = _about(self.lost_s) if several and not silent else UNKNOWN_HOLD_UP
        short = self.kind == "short"
        verdict = Verdict.CANNOT_TELL if silent else Verdict.INADEQUATE if short else Verdict.ADEQUATE
        need = replace(
            _Like.control.requirements[0],
            required_s=self.needed_s,
            against=Against.ONE_UNIT_LOST if several else Against.NOW,
            verdict=verdict,
            because=(told("Silent since 11:20:04, and never yet seen on battery"),)
            if silent
            else (told("It is so"),),
            margin_s=None if silent else low_s - self.needed_s,
        )
        stands = Standing.SILENT if silent else Standing.CARRYING
        at = samples.SILENT_AT if silent else NOW - timedelta(seconds=4)
        return replace(
            like,
            id=self.id,
            name=self.name,
            site=self.declared.site,
            load=Load(None, None, ()) if silent else like.load,
            units=tuple(
                UnitStanding(u.id, stands, None if silent else 1 / len(self.plant), at) for u in self.plant
            ),
            redundancy=like.redundancy if several else None,
            hold_up=HoldUps(
                held,
                lost,
                tuple(UnitLost(u.id, lost) for u in self.plant) if several else (),
                EndOfLife(held, lost),
            ),
            requirements=(need,),
        )

    def bank_states(self) -> Sequence[BankState]:
        """Return its banks: the last of a short system is due."""
        old, well = _Like.banks[2], _Like.banks[3]
        years = self.chance.randint(1, 5)
        made = []
        for n, bank in enumerate(self.batteries):
            like = old if self.kind == "short" and n == len(self.batteries) - 1 else well
            dates = (
                like.dates
                if like is old
                else replace(
                    like.dates, replace_by=date(2026 + years, 3, 1), order_by=date(2026 + years, 1, 4)
                )
            )
            made.append(replace(like, id=bank.id, feeds=bank.feeds, dates=dates))
        return made

    def views(self) -> Sequence[ShownUnit]:
        """Return its units' readings."""
        found = []
        for unit in self.plant:
            view = _Like.views[5] if self.kind == "silent" else _Like.views[0]
            assert view.reading is not None
            found.append(replace(view, id=unit.id, reading=replace(view.reading, unit=unit.id), reads=()))
        return found

    def alarms(self) -> Sequence[ShownAlarm]:
        """Return what is wrong with it."""
        whole = {"short": 0, "silent": 1, "peak": 2, "alarm": 3}
        if self.kind not in whole:
            return ()
        like = _Like.alarms[whole[self.kind]]
        state = "active_acknowledged" if like.acknowledged else "active_unacknowledged"
        what = like.what.replace("Treatment works", self.name).replace("Depot", self.name)
        bank = f"bank {self.batteries[-1].id}"
        do, do_first = (
            text.replace("bank 3", bank).replace("the depot", "the site") for text in (like.do, like.do_first)
        )
        return (
            replace(
                like,
                id=f"al-{self.id}",
                about=self.id,
                what=what,
                do=do,
                do_first=do_first,
                state=state,
                until=None,
                incident=None,
                by_when=like.by_when or date(2026, 12, 1),
            ),
        )

    def isolations(self) -> Sequence[ShownIsolation]:
        """Return whether its units may be taken out."""
        like = _Like.isolations[2 if self.kind == "silent" else 1 if self.kind in {"short", "peak"} else 0]
        why = {"short": "banks too short", "peak": "load too high"}.get(self.kind, "")
        return [replace(like, unit=unit.id, why=why) for unit in self.plant]

    def sizes(self) -> Sizes | None:
        """Return what its units would be if they were bought now: the next smaller; nothing is known of a silent one."""
        if self.kind == "silent":
            return None
        va = {10_000: 10_000.0, 20_000: 15_000.0, 30_000: 20_000.0, 40_000: 30_000.0, 60_000: 40_000.0}[
            self.va
        ]
        like = _Like.sizes
        high = {15_000.0: 20_000.0}.get(va, va) if self.kind == "short" else va
        return replace(
            like, system=self.id, units=replace(like.units, advised_from_va=va, advised_to_va=high)
        )

    def signed(self) -> PlanView | None:
        """Return the shutdown that is signed, of a few."""
        at = SIGNED.get(self.number)
        if at is None:
            return None
        return PlanView(f"plan-{self.number}", replace(shutdowns.signed(at), system=self.id), PlanCourse())

    def shutdown(self) -> Shutdown:
        """Return how half an hour without mains goes, or what is signed."""
        ridden = shutdowns.untold(self.id) if self.kind == "silent" else shutdowns.carried(self.id)
        plain = shutdowns.untold(self.id) if self.kind == "silent" else shutdowns.lost(self.id)
        plan = self.signed()
        if self.number == min(SIGNED):
            ridden = shutdowns.lost(self.id)
        return replace(
            shutdowns.played(
                "works",
                replace(ridden, system=self.id),
                replace(plain, system=self.id),
                plan=None if plan is None else plan.id,
            ),
            system=self.id,
        )


def _about(low_s: float) -> HoldUp:
    return samples.held(low_s / 60, low_s * 1.06 / 60, low_s * 1.13 / 60)
