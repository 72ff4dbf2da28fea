"""A lasting step of a load: a hall cleared, a plant moved in. After it only what came since says what is asked.

Weeks stand for their highest load. A step is where the medians of four weeks on either side lie a fifth apart, over
what the load was moving by anyway, and where Pettitt's test (`rules.statistics.trend.step_change`) finds a jump in the half
year around it; it lasts if the weeks after it stay on its side of the middle. What goes back to where it was within a
year was an interruption or a season, and so is what came at the same time of an earlier year: neither is a step.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import exp, log
from statistics import median
from typing import Final

from rules.statistics.trend import step_change
from rules.system.load.peaks import DayPeak, line_by_day, total_by_day
from rules.values.code import Code
from rules.values.reason import Reason, reason

LEAST_STEP: Final = 0.20
"""How far apart the levels before and after are, over the lower one: a load moves by less in a month of any season."""
BESIDE: Final = 4
"""Weeks on either side whose medians are compared."""
WINDOW: Final = 26
"""Weeks on either side that Pettitt's test looks at."""
STAYS: Final = 0.9
"""Part of the weeks after a step that must lie on its side of the middle."""
A_YEAR: Final = 52


@dataclass(frozen=True, slots=True)
class LoadStep:
    """A lasting step: the first day that counts since, the levels before and after in W, and the weeks since."""

    since: date
    before_w: float
    after_w: float
    weeks: int

    @property
    def reason(self) -> Reason:
        """Return it as a reason."""
        return reason(
            Code.LOAD_STEP,
            before_w=self.before_w,
            after_w=self.after_w,
            since=self.since,
            weeks=self.weeks,
        )


def weekly(daily_w: Iterable[tuple[date, float]]) -> list[tuple[date, float]]:
    """Return the highest load of every week on record, by its Monday, in order."""
    weeks: dict[date, float] = {}
    for day, load_w in daily_w:
        monday = day - timedelta(days=day.weekday())
        weeks[monday] = max(load_w, weeks.get(monday, 0.0))
    return sorted(weeks.items())


def last_step(daily_w: Iterable[tuple[date, float]]) -> LoadStep | None:
    """Return the last lasting step of a load from its highest of each day in W; None where there is none."""
    weeks = weekly(daily_w)
    values = [max(w, 1.0) for _, w in weeks]
    jumps = _jumps(values)
    passed: set[int] = set()
    for k in reversed(jumps):
        if k in passed:
            continue
        back = next((j for j in reversed(jumps) if j < k and _undoes(values, j, k)), None)
        if back is not None:
            passed.add(back)
        elif _lasts(values, k) and _seen_by_test(values, k) and not _came_a_year_before(values, k, jumps):
            before, after = median(values[max(k - WINDOW, 0) : k]), median(values[k : k + WINDOW])
            first = _first_week(values, k)
            return LoadStep(weeks[first][0], before, after, len(weeks) - first)
    return None


def _level(values: Sequence[float], k: int) -> float | None:
    """Return the logarithm of the level of the four weeks from `k` on, None where they are not on record."""
    return log(median(values[k : k + BESIDE])) if 0 <= k <= len(values) - BESIDE else None


def _apart(values: Sequence[float], k: int) -> float:
    """Return the logarithm of the level from week `k` on over that before it, less what it was moving by anyway."""
    levels = [_level(values, k + n * BESIDE) for n in (-2, -1, 0, 1)]
    earlier, before, after, later = levels
    if before is None or after is None:
        return 0.0
    around = [b - a for a, b in ((earlier, before), (after, later)) if a is not None and b is not None]
    drift = sum(around) / len(around) if around else 0.0
    jump = after - before
    if drift * jump <= 0.0:
        return jump
    return jump - drift if abs(drift) < abs(jump) else 0.0


def _jumps(values: Sequence[float]) -> list[int]:
    """Return the weeks that begin on another level than the one before them, each the steepest of its month."""
    apart = {k: _apart(values, k) for k in range(BESIDE, len(values) - BESIDE + 1)}
    large = [k for k, a in apart.items() if abs(a) >= log(1.0 + LEAST_STEP)]

    def steepness(k: int) -> tuple[float, float]:
        return round(abs(apart[k]), 9), abs(log(values[k] / values[k - 1]))

    return [
        k
        for k in large
        if all(
            steepness(k) >= steepness(j) for j in large if abs(j - k) < BESIDE and apart[j] * apart[k] > 0.0
        )
    ]


def _first_week(values: Sequence[float], k: int) -> int:
    """Return the week near `k` that begins on the new level: the one that is furthest from the week before it."""
    sign = 1.0 if _apart(values, k) > 0.0 else -1.0
    near = range(max(k - 2, 1), min(k + 3, len(values)))
    return max(near, key=lambda j: sign * log(values[j] / values[j - 1]))


def _lasts(values: Sequence[float], k: int) -> bool:
    """Return whether the weeks from `k` on stay on its side of the middle.

    Those of which the same week a year before is on record, before the step, are held against that: no season in it.
    """
    before, after = median(values[k - BESIDE : k]), median(values[k : k + BESIDE])
    rises, half = after > before, exp(0.5 * _apart(values, k))
    since = range(k, len(values))
    a_year = [j for j in since if 0 <= j - A_YEAR < k]
    if len(a_year) >= BESIDE:
        held = [(values[j] / values[j - A_YEAR] > half) == rises for j in a_year]
    else:
        held = [(values[j] / before > half) == rises for j in since]
    return sum(held) >= STAYS * len(held)


def _seen_by_test(values: Sequence[float], k: int) -> bool:
    first = max(k - WINDOW, 0)
    found = step_change(values[first : k + WINDOW])
    return found is not None and found.p <= 0.05 and abs(first + found.after + 1 - k) < BESIDE


def _undoes(values: Sequence[float], j: int, k: int) -> bool:
    """Return whether the jump at `k` takes back that at `j`, within a year."""
    one, other = _apart(values, j), _apart(values, k)
    return k - j <= A_YEAR and one * other < 0.0 and abs(one + other) < 0.5 * log(1.0 + LEAST_STEP)


def _came_a_year_before(values: Sequence[float], k: int, jumps: Sequence[int]) -> bool:
    mine = _apart(values, k)
    return any(
        abs(k - j - years * A_YEAR) <= BESIDE and _apart(values, j) * mine > 0.0
        for j in jumps
        for years in range(1, k // A_YEAR + 2)
        if j < k
    )


def line_steps(days: Sequence[DayPeak]) -> dict[int, LoadStep]:
    """Return the last lasting step of each board line that has one."""
    lines = {item.line for day in days for item in day.lines}
    found = {line: last_step(line_by_day(days, line)) for line in sorted(lines)}
    return {line: step for line, step in found.items() if step is not None}


def since_step(days: Sequence[DayPeak]) -> tuple[tuple[DayPeak, ...], LoadStep | None]:
    """Return the days that count of a system's record, and the step of the whole load that the others came before."""
    step = last_step(total_by_day(days))
    return (tuple(days) if step is None else tuple(d for d in days if d.day >= step.since)), step
