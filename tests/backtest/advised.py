"""Bank lives in which the advised discharges are made, beside the same lives in which they are not.

    python -m tests.backtest.advised [--banks 60] [--seed 20]

The worlds are those of `worlds`, without those that have a deep test every year anyway. In each, the outages come as in
`lives`; where the advice is followed, the discharge it names is made on its day, for its minutes at the load of the day. What it
shows is drawn with the figures of `worlds`, not with those that the advice reckons with. Both end when the bank is replaced.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from rules.battery.assessment.bank import BankJudgement
from tests.backtest import lives, worlds
from tests.backtest.lives import CHECK_EVERY_DAYS, Heard, Walk
from tests.backtest.worlds import INSTALLED, LONGEST_YEARS, YEAR, World

AT_LEAST_A_DAY: Final = 1.0


@dataclass(frozen=True)
class Lived:
    """One life: how it went, how many advised discharges were made in it, and in how many the bank ended."""

    walk: Walk
    made: int
    ended: int


def live(world: World, *, followed: bool) -> Lived:
    """Return one life, with the advised discharges made or not."""
    rng = np.random.default_rng([world.seed, world.number, 1])
    advised_rng = np.random.default_rng([world.seed, world.number, 2])
    end, under_80 = worlds.end_day(world), worlds.under_80_day(world)
    last = min(LONGEST_YEARS * YEAR, end if end is not None else LONGEST_YEARS * YEAR)
    waiting = lives.events(world, rng, last)
    seen, heard = list(lives.before(world)), Heard(world, end, under_80)
    day, judged, made, ended = 1.0, 0, 0, 0
    test: tuple[float, float] | None = None
    while day < last and heard.replaced is None:
        while waiting and waiting[0][0] <= day:
            seen.append(lives.observed(world, *waiting.pop(0), rng))
        if test is not None and test[0] <= day:
            shown = lives.observed(world, day, _depth(world, day, test[1]), advised_rng)
            seen.append(replace(shown, kind="test"))
            made, ended = made + 1, ended + shown.ended
        seen.sort(key=lambda d: d.at)
        judgement = lives.judged(world, day, seen, rng)
        judged += 1
        test = _advised(world, day, judgement) if followed else None
        soonest = [day + CHECK_EVERY_DAYS, last, *(e[0] for e in waiting[:1])]
        following = max(min([*soonest, *([] if test is None else [test[0]])]), day + AT_LEAST_A_DAY)
        heard.note(day, following, judgement)
        day = following
    return Lived(heard.walk(last, judged), made, ended)


def _advised(world: World, day: float, judgement: BankJudgement) -> tuple[float, float] | None:
    """Return the day of the advised discharge and the share of published time that it takes, None where none pays."""
    tests = judgement.state.tests
    if tests is None or tests.advice is None:
        return None
    advice = tests.advice
    rate = float(np.median(judgement.belief.rate_per_s(advice.power_w)))
    return float((advice.on - INSTALLED).days), advice.for_s * rate


def _depth(world: World, day: float, used: float) -> float:
    """Return what `lives.observed` calls the depth of a discharge that takes a share of published time."""
    per_cell = max(
        worlds.watts_per_cell(lives.SHARE * worlds.power_on(world, day)), worlds.curve(world).smallest_w
    )
    health = worlds.health_on(world, day, float(worlds.curve(world).seconds(per_cell)))
    return used / 0.9 if used >= 0.45 else min(used / max(health, 0.3), 0.499)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--banks", type=int, default=60)
    parser.add_argument("--seed", type=int, default=20)
    asked = parser.parse_args()
    found: defaultdict[tuple[str, bool], list[Lived]] = defaultdict(list)
    for number in range(asked.banks):
        world = worlds.build(number, asked.banks, asked.seed)
        if not world.deep and world.abrupt_day is None:
            for followed in (False, True):
                found[world.name, followed].append(live(world, followed=followed))
    print(
        "| discharges | advice | lives | warned 90 days before | life thrown away | advised made a life | ended in one |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for name in ("0 a year", "1 a year", "3 a year"):
        for followed in (False, True):
            some = [one for one in found[name, followed] if one.walk.end_day is not None]
            if some:
                print(_row(name, "followed" if followed else "not followed", some))


def _row(name: str, how: str, some: list[Lived]) -> str:
    warned = np.mean([lives.warned_in_time(one.walk) for one in some])
    lost = np.mean([lives.thrown_away(one.walk) or 0.0 for one in some])
    made, ended = np.mean([one.made for one in some]), sum(one.ended for one in some)
    return f"| {name} | {how} | {len(some)} | {warned:.0%} | {lost:.0%} | {made:.1f} | {ended} |"


if __name__ == "__main__":
    main()
