"""Estates of banks whose lives have causes in common, with a known truth, judged with and without each other's lessons.

    python -m tests.backtest.estates [--estates 6] [--apart]

Twelve banks on two sites, in systems of three, of three types. The logarithm of a life's length over what its class lets
expect is the sum of five normal effects, of type, site, place, delivery and its own, whose variances (`EFFECTS`) add up
to the spread that single lives have in `tests.backtest.worlds`. In half of the estates the end of the blocks before was
seen. `--apart`: every life has causes of its own alone, so that what others show is worth nothing: what it costs to
believe in common causes where there are none.

All banks go through the same calendar, so nobody learns of what is yet to come. A line an estate: banks, the share warned
of 90 days before their end, the mean share of life thrown away, and how many ends lay before and after the 90 % interval.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from typing import Final

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402 - threads are set before numpy is loaded

from rules.battery.assessment.evidence import capacity_evidence  # noqa: E402
from rules.battery.assessment.fusion import Lives, fuse  # noqa: E402
from rules.battery.assessment.life.shared_life import informed, lesson  # noqa: E402
from rules.battery.assessment.replacement import BankDemand, Forecast, forecast  # noqa: E402
from rules.battery.discharge.evidence import DischargeEvidence  # noqa: E402
from rules.battery.model.ageing import age_curve, life_prior  # noqa: E402
from rules.battery.model.health import BankBelief, anchor_for  # noqa: E402
from rules.battery.model.inverter_losses import default_losses  # noqa: E402
from rules.battery.state import Blocks, LifeLesson  # noqa: E402
from rules.values.verdict import Basis  # noqa: E402
from tests.backtest import lives, worlds  # noqa: E402
from tests.backtest.worlds import INSTALLED, LEAD_DAYS, LONGEST_YEARS, YEAR, World  # noqa: E402

EFFECTS: Final = (0.25, 0.10, 0.15, 0.15, 0.35)
"""Shares of the variance of a life's logarithm: by type, site, place, delivery, and its own."""
SPREAD: Final = 0.5
CLASS_YEARS: Final = 6.5
SYSTEMS, BANKS, TYPES, SITES = 4, 3, 3, 2
DRAWN: Final = 500
SHORTEST_DAYS: Final = 400.0


@dataclass
class Told:
    """What one way of judging has said of one bank so far."""

    warned: float | None = None
    replaced: float | None = None
    before: int = 0
    after: int = 0
    times: int = 0

    def note(self, day: float, end: float | None, found: Forecast) -> None:
        """Note one judgement, which stands until the next."""
        following = day + lives.CHECK_EVERY_DAYS
        order, by = _number(found.dates.order_by), _number(found.dates.replace_by)
        if order is None or order > following:
            self.warned = None
        elif self.warned is None:
            self.warned = max(order, day)
        if by is not None and by <= following and self.replaced is None:
            self.replaced = max(by, day)
        if end is not None:
            early, late = _number(found.ends_early), _number(found.ends_late)
            self.times += 1
            self.before += early is not None and end < early
            self.after += late is not None and end > late


@dataclass
class Place:
    """One bank of an estate, with what was seen of it so far. `since`: days from the calendar's start to its installation."""

    world: World
    of: Blocks
    since: float
    end: float | None
    last: float
    waiting: list[tuple[float, float]]
    rng: np.random.Generator
    earlier: tuple[LifeLesson, ...] = ()
    seen: list[DischargeEvidence] = field(default_factory=list)
    own: LifeLesson | None = None
    alone: Told = field(default_factory=Told)
    told: Told = field(default_factory=Told)


def places(number: int, *, apart: bool) -> list[Place]:
    """Return the banks of one estate before anything happened."""
    rng = np.random.default_rng([number, 777])
    sd = SPREAD * np.sqrt(np.array(EFFECTS if not apart else (0.0, 0.0, 0.0, 0.0, 1.0)))
    by_type, by_site = rng.normal(0.0, sd[0], TYPES), rng.normal(0.0, sd[1], SITES)
    found: list[Place] = []
    for system in range(SYSTEMS):
        site, kind = system % SITES, int(rng.integers(TYPES))
        delivery, since = rng.normal(0.0, sd[3]), float(rng.uniform(0.0, 6.0)) * YEAR
        for _ in range(BANKS):
            n = len(found)
            common = by_type[kind] + by_site[site] + rng.normal(0.0, sd[2])
            life = CLASS_YEARS * float(np.exp(common + delivery + rng.normal(0.0, sd[4])))
            before = CLASS_YEARS * float(np.exp(common + rng.normal(0.0, sd[3]) + rng.normal(0.0, sd[4])))
            of = Blocks(f"p{n}", f"t{kind}", f"s{site}", INSTALLED + timedelta(days=since))
            found.append(_place(_world(number * 100 + n, life, rng), of, since))
            if number % 2 == 0:
                shown = float(np.log(before / CLASS_YEARS)) + float(rng.normal(0.0, 0.15))
                gone = replace(of, from_day=of.from_day - timedelta(days=before * YEAR))
                found[-1].earlier = (LifeLesson(gone, shown, 0.2),)
    return found


def _world(seed: int, life: float, rng: np.random.Generator) -> World:
    made = worlds.build(int(rng.integers(300)), 300, seed=seed)
    often = (1, 3)[int(rng.integers(2))]
    return replace(
        made, life_years=life, abrupt_day=None, early=False, lying_card=False, discharges_per_year=often, deep=False
    )  # fmt: skip


def _place(world: World, of: Blocks, since: float) -> Place:
    end = worlds.end_day(world)
    last = LONGEST_YEARS * YEAR if end is None else end
    drawn = lives.events(world, np.random.default_rng([world.seed, world.number, 1]), last)
    return Place(world, of, since, end, last, drawn, np.random.default_rng([world.seed, world.number, 2]))


def live(number: int, *, apart: bool = False) -> list[Place]:
    """Return the banks of one estate after all of them have come to their end."""
    estate = places(number, apart=apart)
    for calendar in np.arange(0.0, max(p.since + p.last for p in estate), lives.CHECK_EVERY_DAYS):
        lessons = [one for p in estate for one in (*p.earlier, *([p.own] if p.own else []))]
        for place in estate:
            day = float(calendar) - place.since
            if 1.0 <= day <= place.last:
                _judge(place, day, lessons)
    return estate


def _judge(place: Place, day: float, lessons: list[LifeLesson]) -> None:
    world = place.world
    while place.waiting and place.waiting[0][0] <= day:
        place.seen.append(lives.observed(world, *place.waiting.pop(0), place.rng))
    if not place.seen:
        return
    today = INSTALLED + timedelta(days=int(day))
    months = worlds.months_until(world, day)
    age = age_curve(INSTALLED, today, months, None)
    by_class, anchor_s = life_prior(world.design_years, age), anchor_for(worlds.curve(world))
    seen = capacity_evidence(place.seen)
    alone = fuse(age, by_class, seen, anchor_s, 11, count=DRAWN)
    told = fuse(age, informed(by_class, place.of, lessons), seen, anchor_s, 11, count=DRAWN)
    for said, found in ((place.alone, alone), (place.told, told)):
        said.note(day, place.end, _forecast(world, day, found))
    place.own = lesson(place.of, alone, by_class)


def _forecast(world: World, day: float, found: Lives) -> Forecast:
    today = INSTALLED + timedelta(days=int(day))
    months = worlds.months_until(world, day)
    health, losses, bank = found.health_draws(today, 1), default_losses(worlds.RATING_W), worlds.bank(world)
    belief = BankBelief(
        bank=bank.id,
        as_of=datetime.combine(today, time(18), tzinfo=UTC),
        basis=Basis.TESTED,
        curve=worlds.curve(world),
        cells=bank.cells,
        strings=bank.strings,
        health=health,
        health_slope=found.slope(health),
        anchor_s=found.anchor_s,
        used=np.zeros(len(health)),
        temperature_c=float(np.mean([m.mean_c for m in months[-12:]])) if months else None,
        loss_fixed_w=losses.fixed_w,
        loss_share=losses.share,
    )
    growth = world.growth * min(day / YEAR / 3.0, 1.0)
    power = worlds.power_on(world, day)
    asked = BankDemand(world.required_s, power, today, growth, shared_w=lives.SHARE * power)
    return forecast(found, belief, today, lead_days=LEAD_DAYS, asked=asked)


def rows(estate: list[Place]) -> Iterator[tuple[str, bool, float, Told]]:
    """Return a row a bank and way of judging: how, whether warned of in time, the share thrown away, what was said."""
    for place in estate:
        if place.end is None or place.end < SHORTEST_DAYS or not place.seen:
            continue
        latest = place.end - lives.MARGIN_DAYS
        for how, told in (("alone", place.alone), ("told", place.told)):
            warned = any(day is not None and day <= latest for day in (told.warned, told.replaced))
            left = 0.0 if told.replaced is None else max(place.end - told.replaced, 0.0) / place.end
            yield how, warned, left, told


def _number(day: object) -> float | None:
    return None if day is None else float((day - INSTALLED).days)  # type: ignore[operator]


def main() -> int:
    """Run the backtest."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--estates", type=int, default=6)
    parser.add_argument("--apart", action="store_true", help="every life has causes of its own alone")
    asked = parser.parse_args()
    found: list[tuple[str, bool, float, Told]] = []
    for number in range(asked.estates):
        found += rows(live(number, apart=asked.apart))
        for how in ("alone", "told"):
            mine = [row for row in found if row[0] == how]
            times = max(sum(row[3].times for row in mine), 1)
            print(
                f"{number + 1} estates, {how:5}: {len(mine)} banks, "
                f"warned {np.mean([row[1] for row in mine]):.1%}, thrown away {np.mean([row[2] for row in mine]):.1%}, "
                f"ended before the interval {sum(row[3].before for row in mine) / times:.1%}, "
                f"after {sum(row[3].after for row in mine) / times:.1%}",
                flush=True,
            )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
