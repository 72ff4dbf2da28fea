"""What keeping the watch's state costs when one unit of the estate changes.

`pytest -s tests/bench/test_watch_keeping.py`. Beside it, in the same run, the cost of writing the state whole.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from time import perf_counter

import pytest

from collector.recorder.monitor_state import WatchKeeping
from collector.storage.ledger.records import Snapshot
from collector.storage.ledger.transaction import Transaction
from rules.monitor.inputs import SystemJudged
from rules.monitor.live import Live
from rules.monitor.state import Book, WatchState, snapshot
from rules.monitor.step import advance
from rules.plant.estate import Card, Estate
from rules.plant.reading import OutputSource
from tests.rules import sample_plant as plant

UNITS_A_SYSTEM = 3
TIMES = 5


def estate(count: int) -> Estate:
    """Return the tests' plant with `count` units in systems of three, each system on a supply of its own."""
    base = plant.estate()
    names = [(f"s{n // UNITS_A_SYSTEM}", f"u{n}") for n in range(count)]
    systems = dict.fromkeys(system for system, _ in names)
    return replace(
        base,
        supplies={s: replace(base.supplies["north"], id=s) for s in systems},
        systems={s: replace(base.systems["works"], id=s, name=f"System {s}", supply=s) for s in systems},
        units={u: replace(base.units["W1"], id=u, system=s) for s, u in names},
        cards={f"card-{u}": Card(f"card-{u}", (u,)) for _, u in names},
        banks={f"bank-{u}": replace(base.banks["bank-W1"], id=f"bank-{u}", feeds=(u,)) for _, u in names},
    )


def watched(book: Book) -> WatchState:
    """Return the state once every unit was read, a tenth of them with an alarm, and every system judged."""
    live = Live(book)
    for n, unit in enumerate(book.estate.units):
        source = OutputSource.BYPASS if n % 10 == 0 else OutputSource.NORMAL
        advance(live, replace(plant.reading("W1", 1.0, source=source), unit=unit))
    for system in book.estate.systems:
        advance(live, SystemJudged(plant.stamp(2.0), replace(plant.system_state("works", 2.0), id=system)))
    return live.value()


def best_ms(work: Callable[[], object]) -> float:
    """Return the least of some runs, in ms."""
    taken = []
    for _ in range(TIMES):
        began = perf_counter()
        work()
        taken.append(1e3 * (perf_counter() - began))
    return min(taken)


@pytest.mark.parametrize("units", [100, 300, 1000])
def test_one_changed_unit_costs_what_changed_and_not_the_estate(units: int) -> None:
    book = Book(estate(units))
    live = Live.of(watched(book), book)
    keeping = WatchKeeping()
    advance(live, replace(plant.on_bank("W1", 3.0), unit="u1"))
    after, touched = live.now, live.take_touched()

    def in_parts() -> None:
        keeping.note(touched, after)
        keeping.save(Transaction(), plant.START)

    def whole() -> None:
        Transaction().save_snapshot(Snapshot("watch", plant.START, "watch/1", snapshot(after)))

    parts_ms, whole_ms = best_ms(in_parts), best_ms(whole)
    keeping.committed()
    still_ms = best_ms(lambda: keeping.note({}, after))
    print(f"{units} units: parts {parts_ms:.2f} ms, whole {whole_ms:.1f} ms, nothing new {still_ms:.3f} ms")
    assert parts_ms * 5 < whole_ms
    assert parts_ms < 20.0
