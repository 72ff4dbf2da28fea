"""What one step of the watch costs: a reading, a judged system and a tick, at three sizes of an estate.

`pytest -s tests/bench/test_watch_step.py`. Beside it, in the same run, the step that looks at everything
(`tests/rules/monitor/full_step.py`). Sites of thirty units; every tenth unit stands on bypass. At rest, and with one
system on its banks: its incident is looked at with each reading of its site and each tick.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from statistics import median
from time import process_time
from typing import Final

import pytest

from rules.monitor.inputs import Input, SystemJudged, Tick
from rules.monitor.live import Live
from rules.monitor.state import Book
from rules.monitor.step import advance
from rules.plant.estate import Card, Estate
from rules.plant.reading import OutputSource
from tests.rules import sample_plant as plant
from tests.rules.monitor.full_step import full_step

SIZES: Final = (30, 300, 1000)
A_SITE, A_SYSTEM = 30, 3
STEPS, FULL_STEPS = 300, 10


def estate(count: int) -> Estate:
    """Return the tests' plant with `count` units in systems of three on supplies of their own, ten systems a site."""
    base = plant.estate()
    systems = {f"s{n}": f"site{n * A_SYSTEM // A_SITE}" for n in range(-(-count // A_SYSTEM))}
    units = {f"u{n}": f"s{n // A_SYSTEM}" for n in range(count)}
    return replace(
        base,
        sites={s: replace(base.sites["fellbeck"], id=s) for s in systems.values()},
        supplies={s: replace(base.supplies["north"], id=s, site=at) for s, at in systems.items()},
        systems={
            s: replace(base.systems["works"], id=s, name=f"System {s}", supply=s, site=at)
            for s, at in systems.items()
        },
        units={u: replace(base.units["W1"], id=u, system=s) for u, s in units.items()},
        cards={f"card-{u}": Card(f"card-{u}", (u,)) for u in units},
        banks={f"bank-{u}": replace(base.banks["bank-W1"], id=f"bank-{u}", feeds=(u,)) for u in units},
    )


class Site:
    """A watch some minutes after its start, and what may come next."""

    def __init__(self, count: int, *, dark: bool) -> None:
        self.count = count
        self.dark = dark
        self.book = Book(estate(count))
        self.live = Live(self.book)
        for n in range(count):
            advance(self.live, self.reading(n, 1.0))
        for n in range(len(self.book.estate.systems)):
            advance(self.live, self.judged(n, 2.0))
        for seconds in range(3, 400):
            advance(self.live, Tick(plant.stamp(seconds)))

    def reading(self, n: int, seconds: float) -> Input:
        unit = n % self.count
        if self.dark and unit < A_SYSTEM:
            given = plant.on_bank("W1", seconds)
        else:
            source = OutputSource.BYPASS if unit % 10 == 0 else OutputSource.NORMAL
            given = plant.reading("W1", seconds, source=source, power_w=5100.0 + seconds % 7)
        return replace(given, unit=f"u{unit}")

    def judged(self, n: int, seconds: float) -> Input:
        state = plant.system_state("works", seconds)
        return SystemJudged(plant.stamp(seconds), replace(state, id=f"s{n % len(self.book.estate.systems)}"))

    def costs_ms(self, step: Callable[[Input], object], count: int) -> Mapping[str, float]:
        """Return the median cost of each kind of input, in ms."""
        kinds: dict[str, Callable[[int, float], Input]] = {
            "reading": lambda n, at: self.reading(7 * n + A_SYSTEM, at),
            "judged system": lambda n, at: self.judged(3 * n + 1, at),
            "tick": lambda _n, at: Tick(plant.stamp(at)),
        }
        found: dict[str, float] = {}
        for name, made in kinds.items():
            took: list[float] = []
            for n in range(count):
                given = made(n, 400.0 + n / 100)
                began = process_time()
                step(given)
                took.append(1e3 * (process_time() - began))
            found[name] = median(took)
        return found


@pytest.mark.parametrize("dark", [False, True])
def test_a_step_costs_the_same_whatever_the_estate(*, dark: bool) -> None:
    live: dict[int, Mapping[str, float]] = {}
    full: dict[int, Mapping[str, float]] = {}
    for count in SIZES:
        site = Site(count, dark=dark)
        live[count] = site.costs_ms(lambda given, site=site: advance(site.live, given), STEPS)  # type: ignore[misc]
        state = site.live.value()
        full[count] = site.costs_ms(
            lambda given, state=state, book=site.book: full_step(state, given, book),  # type: ignore[misc]
            FULL_STEPS,
        )
        row = ", ".join(f"{name} {live[count][name]:.3f} ({full[count][name]:.2f})" for name in live[count])
        print(
            f"{count} units, {len(state.alarms)} alarms, {'an outage' if dark else 'at rest'}: {row} ms; in brackets by looking at everything"
        )
    for name in live[SIZES[0]]:
        assert live[SIZES[-1]][name] < 2.0 * live[SIZES[0]][name], name
        assert live[SIZES[-1]][name] < full[SIZES[-1]][name] / 2, name
