"""Kills a telling process at random moments and says what arrived all the same."""

from __future__ import annotations

import asyncio
import sys
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

from collector.delivery.webhook import event_id
from rules.alarms.incidents import IncidentChange
from rules.watch.state import Book, WatchState
from rules.watch.step import step
from tests.collector.delivery.sinks import WebSink
from tests.rules.day import recorded_day
from tests.rules.plant import estate


@dataclass(frozen=True)
class Outcome:
    """What a person got of a day, and what they should have got: (incident, number, event id) in order."""

    wanted: list[tuple[str, int, str]]
    events: list[dict[str, Any]]
    kills: int

    @property
    def first_arrivals(self) -> list[str]:
        return list(dict.fromkeys(str(event["id"]) for event in self.events))


def wanted() -> list[tuple[str, int, str]]:
    """Return what the day says when nothing is killed."""
    state, book = WatchState(), Book(estate())
    found: list[tuple[str, int, str]] = []
    for given in recorded_day():
        state, changes = step(state, given, book)
        for change in changes:
            if isinstance(change, IncidentChange) and change.notice is not None:
                notice = change.notice
                number = int(notice.id.rpartition(".")[2])
                found.append((notice.incident, number, event_id(f"{notice.id}/Night%20desk/desk")))
    return found


async def killed(folder: Path, times: int, seed: int) -> Outcome:
    """Let a process tell of the day, kill it `times` times, and let it finish."""
    random = Random(seed)
    sink = WebSink()
    await sink.start()
    kills = 0
    while True:
        child = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "tests.collector.delivery.killed_teller",
            str(folder),
            sink.url,
            stdout=asyncio.subprocess.PIPE,
            cwd=Path(__file__).parents[3],
        )
        assert child.stdout is not None
        try:
            async with asyncio.timeout(120):
                assert await child.stdout.readline() == b"ready\n"
                if kills < times:
                    await asyncio.sleep(random.uniform(0.0, 0.3))
                else:
                    assert await child.stdout.readline() == b"done\n"
        finally:
            if child.returncode is None:
                child.kill()
            await child.communicate()
        if kills == times:
            await sink.stop()
            return Outcome(wanted(), sink.events(), kills)
        kills += 1


def check(outcome: Outcome) -> None:
    """Everything arrived, in order for each incident, and nothing that was not said."""
    ids = {event for _, _, event in outcome.wanted}
    assert set(outcome.first_arrivals) == ids
    place = {event: n for n, event in enumerate(outcome.first_arrivals)}
    by_incident: dict[str, list[int]] = {}
    for incident, _, event in sorted(outcome.wanted, key=lambda w: (w[0], w[1])):
        by_incident.setdefault(incident, []).append(place[event])
    for incident, places in by_incident.items():
        assert places == sorted(places), incident
    contents: dict[str, Any] = {}
    for arrived in outcome.events:
        assert contents.setdefault(arrived["id"], arrived) == arrived, "a repetition says the same"
