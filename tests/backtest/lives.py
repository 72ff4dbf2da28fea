"""Walks one life through the real rules, day by day as a site would, and notes what they said and when."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import Final

import numpy as np

from rules.battery.assessment.bank import BankJudgement, judge_bank
from rules.battery.assessment.evidence import BankEvidence
from rules.battery.assessment.faults import NOT_SHOWN, UNPROVEN
from rules.battery.assessment.replacement import BankDemand
from rules.battery.discharge.evidence import DischargeEvidence
from tests.backtest import worlds
from tests.backtest.worlds import INSTALLED, LONGEST_YEARS, RATING_W, YEAR, World

MARGIN_DAYS: Final = 90
CHECK_EVERY_DAYS: Final = 182.0
SHARE: Final = 0.55
"""Of what is asked with a unit lost: a bank's part while both units carry."""


@dataclass(frozen=True)
class Walk:
    """What happened in one life. Days from the installation; None: it did not happen."""

    number: int
    stratum: str
    grows: bool
    replaced: bool
    lying_card: bool
    early: bool
    abrupt_day: float | None
    design_years: float
    end_day: float | None
    warned_day: float | None
    replaced_day: float | None
    false_alarms: int
    years: float
    errors_80: dict[int, float] = field(default_factory=dict)
    life_80_years: float | None = None
    called_after_days: float | None = None
    card_flag_day: float = 0.0
    judgements: int = 0
    ended_before: int = 0
    ended_after: int = 0


def walk(world: World) -> Walk:
    """Return what the rules said over one life."""
    rng = np.random.default_rng([world.seed, world.number, 1])
    end, under_80 = worlds.end_day(world), worlds.under_80_day(world)
    last = min(LONGEST_YEARS * YEAR, end if end is not None else LONGEST_YEARS * YEAR)
    if world.abrupt_day is not None:
        last = world.abrupt_day + 500.0
    drawn = events(world, rng, last)
    marks = {} if under_80 is None else {p: p / 100.0 * under_80 for p in (50, 70, 85)}
    days = sorted({*np.arange(1.0, last, CHECK_EVERY_DAYS), *(d for d, _ in drawn), *marks.values()})
    seen, waiting = list(before(world)), list(drawn)
    heard = Heard(world, end, under_80)
    for day, following in zip(days, [*days[1:], last], strict=True):
        while waiting and waiting[0][0] <= day:
            seen.append(observed(world, *waiting.pop(0), rng))
        judgement = judged(world, day, seen, rng)
        heard.note(day, following, judgement)
        for percent, at in marks.items():
            if at == day:
                heard.mark(percent, judgement)
    return heard.walk(last, len(days))


@dataclass
class Heard:
    """What the rules have said so far in one life."""

    world: World
    end: float | None
    under_80: float | None
    warned: float | None = None
    replaced: float | None = None
    called: float | None = None
    false_alarms: int = 0
    said_over: bool = False
    ended_before: int = 0
    ended_after: int = 0
    errors: dict[int, float] = field(default_factory=dict)

    def note(self, day: float, following: float, judgement: BankJudgement) -> None:
        """Note one judgement, which stands until the `following` day."""
        dates, world = judgement.state.dates, self.world
        order, replace_by = _day_number(dates.order_by), _day_number(dates.replace_by)
        if order is None or order > following:
            self.warned = None  # an advice that was taken back does not count as a warning
        elif self.warned is None:
            self.warned = max(order, day)
        if replace_by is not None and replace_by <= following and self.replaced is None:
            self.replaced = max(replace_by, day)
        if self.end is not None:
            early, late = _day_number(dates.ends_early), _day_number(dates.ends_late)
            self.ended_before += early is not None and self.end < early
            self.ended_after += late is not None and self.end > late
        met = judgement.state.probability_met  # None: nothing was seen of it, so nothing is said
        over = met is not None and met < 0.5
        years_left = ((self.end if self.end is not None else 1e9) - day) / YEAR
        self.false_alarms += over and not self.said_over and years_left > 1.0
        self.said_over = over
        not_carried = any(f.kind in {NOT_SHOWN, UNPROVEN} for f in judgement.state.findings)
        if world.abrupt_day is not None and day >= world.abrupt_day and self.called is None and not_carried:
            self.called = day - world.abrupt_day

    def mark(self, percent: int, judgement: BankJudgement) -> None:
        """Note the error of the 80 % date, in years, at a share of life."""
        predicted = _day_number(judgement.state.dates.falls_under_80)
        at = LONGEST_YEARS * YEAR if predicted is None else predicted
        self.errors[percent] = (at - (self.under_80 or 0.0)) / YEAR

    def walk(self, last: float, judgements: int) -> Walk:
        """Return the life as it went."""
        world = self.world
        return Walk(
            number=world.number,
            stratum=world.name,
            grows=world.growth > 0.0,
            replaced=world.replaced,
            lying_card=world.lying_card,
            early=world.early,
            abrupt_day=world.abrupt_day,
            design_years=world.design_years,
            end_day=self.end,
            warned_day=self.warned,
            replaced_day=self.replaced,
            false_alarms=self.false_alarms,
            years=last / YEAR,
            errors_80=self.errors,
            life_80_years=None if self.under_80 is None else self.under_80 / YEAR,
            called_after_days=self.called,
            card_flag_day=_card_flag(world),
            judgements=judgements,
            ended_before=self.ended_before,
            ended_after=self.ended_after,
        )


def _day_number(day: date | None) -> float | None:
    return None if day is None else float((day - INSTALLED).days)


def events(world: World, rng: np.random.Generator, last: float) -> list[tuple[float, float]]:
    """Return (day, depth) of every discharge: partial ones at random, a deep one once a year where planned."""
    found: list[tuple[float, float]] = []
    for year in range(int(last / YEAR) + 1):
        found += [
            ((year + rng.random()) * YEAR, float(rng.uniform(0.05, 0.40)))
            for _ in range(world.discharges_per_year)
        ]
        if world.deep:
            found.append(((year + 0.5) * YEAR, float(rng.uniform(0.6, 0.9))))
    return sorted(e for e in found if 1.0 < e[0] < last)


def observed(world: World, day: float, depth: float, rng: np.random.Generator) -> DischargeEvidence:
    """Return what one discharge shows, at the load that both units share."""
    line = worlds.curve(world)
    power = SHARE * worlds.power_on(world, day)
    per_cell = max(worlds.watts_per_cell(power), line.smallest_w)
    published = float(line.seconds(per_cell))
    health = worlds.health_on(world, day, published)
    planned = depth * max(health, 0.3) if depth < 0.5 else depth * 0.9
    used = min(planned, health)
    failed = health <= 0.01
    ended = not failed and used >= health
    at = datetime.combine(INSTALLED + timedelta(days=int(day)), time(12), tzinfo=UTC)
    share = 1.0 if ended else used / max(health, 1e-6)
    sd, half_width = worlds.estimate(min(share, 1.0))
    shared = 0.0 if ended else worlds.SHARED
    error = sd * (np.sqrt(shared) * world.shared_error + np.sqrt(1.0 - shared) * rng.normal())
    fraction = None if failed else max(float(health + error), used)
    claimed = 3600.0 * (2.5 if world.lying_card else 1.0)
    return DischargeEvidence(
        at=at,
        kind="outage",
        seconds=used * published,
        output_power_w=power,
        published_s=published,
        used=used,
        fraction=fraction,
        low=None if fraction is None else fraction - half_width,
        high=None if fraction is None else fraction + half_width,
        ended=ended,
        failed=failed,
        claimed_s=claimed,
    )


def before(world: World) -> tuple[DischargeEvidence, ...]:
    """Return what the blocks before these showed: worn out. It must not be held against the new ones."""
    if not world.replaced:
        return ()
    at = datetime.combine(INSTALLED - timedelta(days=30), time(12), tzinfo=UTC)
    return (DischargeEvidence(at, "test", 500.0, world.power_w, 1800.0, 0.4, 0.4, 0.38, 0.42, ended=True),)


def judged(
    world: World, day: float, seen: list[DischargeEvidence], rng: np.random.Generator
) -> BankJudgement:
    at = datetime.combine(INSTALLED + timedelta(days=int(day)), time(18), tzinfo=UTC)
    months = worlds.months_until(world, day)
    recent = [m.mean_c for m in months[-12:]]
    known = min(day / YEAR / 3.0, 1.0)
    growth = world.growth * known + float(rng.normal(0.0, 0.01)) * known
    asked = BankDemand(
        world.required_s,
        worlds.power_on(world, day),
        at.date(),
        growth,
        shared_w=SHARE * worlds.power_on(world, day),
    )
    return judge_bank(
        BankEvidence(
            bank=worlds.bank(world),
            as_of=at,
            temperature_c=float(np.mean(recent)) if recent else None,
            months=months,
            discharges=tuple(seen),
            asked=asked,
            next_test=_next_test(world, day),
            rating_w=RATING_W,
        )
    )


def _next_test(world: World, day: float) -> date | None:
    """Return the next planned deep test: in the middle of every year where there is one a year."""
    if not world.deep:
        return None
    return INSTALLED + timedelta(days=int((np.ceil(day / YEAR - 0.5) + 0.5) * YEAR))


def _card_flag(world: World) -> float:
    """Return when the card's own flag comes up: at its design life by the calendar, or when a short self-test
    (monthly) finds less than 30 % left. A lying card raises it never (after the horizon).
    """
    if world.lying_card:
        return LONGEST_YEARS * YEAR
    for day in np.arange(0.0, world.design_years * YEAR, 30.0):
        if worlds.health_on(world, float(day), 3600.0) < 0.3:
            return float(day)
    return world.design_years * YEAR


def warned_in_time(walked: Walk) -> bool:
    """Return whether, 90 days before the requirement is lost, the advice to order stood, or the bank had been
    replaced on the advice of the day."""
    if walked.end_day is None:
        return False
    latest = walked.end_day - MARGIN_DAYS
    said = [d for d in (walked.warned_day, walked.replaced_day) if d is not None]
    return any(d <= latest for d in said)


def thrown_away(walked: Walk) -> float | None:
    """Return the share of the bank's useful life lost by replacing it when the moving `replace_by` was
    reached; 0 where it came late or never."""
    if walked.end_day is None or walked.end_day <= 0.0:
        return None
    if walked.replaced_day is None:
        return 0.0
    return max(walked.end_day - walked.replaced_day, 0.0) / walked.end_day
