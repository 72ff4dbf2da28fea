"""The size of what comes next is kept ready, made again each hour and when more of the past is known."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import cast

from collector.planning.planner import NotYet, Planner
from collector.planning.size_answers import AGAIN_S, SizesAhead
from collector.process.background_budget import Budget
from collector.process.clock import TurnedClock
from collector.recorder.current_state import Present
from rules.planning.sizing.replacement import Sizes
from rules.system.load.peaks import DayPeak
from rules.system.load.record import PeakRecord
from rules.system.state import LineLoad
from tests.api.pages import samples

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)


@dataclass
class Answers:
    """Stands for the planner."""

    found: Sizes | None
    raises: bool = False
    asked: list[str] = field(default_factory=list)

    async def sizes(self, system: str) -> Sizes | None:
        self.asked.append(system)
        if self.raises:
            raise NotYet(system)
        return self.found


async def test_an_answer_is_made_again_each_hour_and_when_the_record_grew() -> None:
    planner, clock, record = Answers(samples.sizes()["works"]), TurnedClock(NOW), PeakRecord((1,))
    present = Present(samples.estate())
    ahead = SizesAhead(
        present.estate, cast("Planner", planner), clock, present, lambda _: record, budget=Budget(clock)
    )
    await ahead.once("works")
    assert present.sizes["works"] is planner.found
    await ahead.once("works")
    assert len(planner.asked) == 1
    for back in range(30):
        record.add_day(DayPeak((NOW - timedelta(days=back)).date(), (LineLoad(1, 1.0, 1.0),)))
    await ahead.once("works")
    assert len(planner.asked) == 2
    await clock.advance(AGAIN_S)
    await ahead.once("works")
    assert len(planner.asked) == 3


async def test_a_system_never_read_is_asked_again_at_the_next_look() -> None:
    planner, clock = Answers(None, raises=True), TurnedClock(NOW)
    present = Present(samples.estate())
    ahead = SizesAhead(
        present.estate,
        cast("Planner", planner),
        clock,
        present,
        lambda _: PeakRecord((1,)),
        budget=Budget(clock),
    )
    await ahead.once("works")
    await ahead.once("works")
    assert planner.asked == ["works", "works"]
    assert present.sizes == {}
