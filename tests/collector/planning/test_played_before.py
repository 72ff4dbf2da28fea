"""A question that is asked again is not played again; one of another load, of other banks, or about something else is."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from collector.planning.played_before import PlayedBefore
from rules.planning.ridethrough.shutdown import STANDARD
from rules.system.hold_up.task import HoldUpTask
from tests.collector.signing import AtOnce, Site, site
from tests.rules.sample_plants import known_banks


async def test_the_mains_switched_off_is_played_again_only_once_the_load_moved(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    played: list[float] = []
    ask = AtOnce.ask

    async def counting(
        self: AtOnce, key: str, function: Any, task: HoldUpTask, *more: Any, about: Any
    ) -> Any:
        played.append(task.asked.total_w)
        return await ask(self, key, function, task, *more, about=about)

    async def asked(here: Site) -> object:
        await here.read()
        return await here.planner.shutdown("A", STANDARD, None)

    monkeypatch.setattr(AtOnce, "ask", counting)
    async with site(tmp_path) as here:
        first = await asked(here)
        await here.clock.advance(120.0)
        again = await asked(here)
        assert len(played) == 1
        assert again == replace(first, as_of=again.as_of)  # type: ignore[attr-defined, type-var]
        here.watts *= 1.01  # noise
        await asked(here)
        assert len(played) == 1
        here.watts *= 1.2
        await asked(here)
        assert len(played) == 2
        assert played[1] > 1.15 * played[0]
        here.mains = False
        await asked(here)  # on its banks each reading counts
        here.watts *= 1.01
        await asked(here)
        assert played[-1] > played[-2]


async def test_what_came_of_other_banks_or_another_question_is_no_answer(tmp_path: Path) -> None:
    before: PlayedBefore[str] = PlayedBefore()
    async with site(tmp_path) as here:
        await here.read()
        task, beliefs, _ = here.planner.to_shed("A")
    assert before.result("A", task, beliefs) is None
    before.keep("A", task, beliefs, "it holds", asked=[STANDARD])
    assert before.result("A", task, beliefs, asked=[STANDARD]) == "it holds"
    assert before.result("A", task, beliefs) is None
    assert before.result("B", task, beliefs, asked=[STANDARD]) is None
    assert before.result("A", replace(task, bypassed=True), beliefs, asked=[STANDARD]) is None
    assert before.result("A", task, known_banks(here.plant), asked=[STANDARD]) is None
