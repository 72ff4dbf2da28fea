"""Kills a telling process at random moments and says what arrived all the same."""

from __future__ import annotations

import asyncio
import sys
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

from collector.messaging.channels.webhook import event_id
from rules.alarms.incidents.incident import IncidentChange
from rules.monitor.state import Book, WatchState
from rules.monitor.step import step
from tests.collector.messaging.sinks import WebSink
from tests.rules.day import recorded_day
from tests.rules.sample_plant import estate


@dataclass(frozen=True)
class Outcome:
    """What a person got of a day, and what they should have got: (incident, number, event id) in order.

    `shorts`: the short form of each by event id, which is what a summary holds of it.
    """

    wanted: list[tuple[str, int, str]]
    shorts: dict[str, str]
    events: list[dict[str, Any]]
    kills: int

    @property
    def first_arrivals(self) -> list[str]:
        return list(dict.fromkeys(str(event["id"]) for event in self.events))


def wanted() -> tuple[list[tuple[str, int, str]], dict[str, str]]:
    """Return what the day says when nothing is killed, and its short forms by event id."""
    state, book = WatchState(), Book(estate())
    found: list[tuple[str, int, str]] = []
    shorts: dict[str, str] = {}
    for given in recorded_day():
        state, changes = step(state, given, book)
        for change in changes:
            if isinstance(change, IncidentChange) and change.notice is not None:
                notice = change.notice
                number = int(notice.id.rpartition(".")[2])
                event = event_id(f"{notice.id}/Night%20desk/desk")
                found.append((notice.incident, number, event))
                shorts[event] = notice.short
    return found, shorts


async def killed(folder: Path, times: int, seed: int, *, most: int = 1000) -> Outcome:
    """Let a process tell of the day, kill it `times` times, and let it finish.

    `most`: how many messages a person may get one by one before they are gathered.
    """
    random = Random(seed)
    sink = WebSink()
    await sink.start()
    kills = 0
    while True:
        child = await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "tests.collector.messaging.killed_teller",
            str(folder),
            sink.url,
            str(most),
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
            return Outcome(*wanted(), sink.events(), kills)
        kills += 1


def check_summaries(outcome: Outcome) -> None:
    """Everything arrived by itself or in a summary, nothing that was not said, and a repetition says the same.

    A summary that says of an incident how it ended need not say how it began.
    """
    by_itself = {event for event in outcome.first_arrivals if event in outcome.shorts}
    summaries = {str(e["id"]): e for e in outcome.events if e["id"] not in outcome.shorts}
    held = [str(line) for summary in summaries.values() for line in summary["data"]["details"]]
    assert summaries, "the limit was passed"
    for incident, number, event in outcome.wanted:
        ended = [
            e for i, n, e in outcome.wanted if i == incident and n > number and outcome.shorts[e] in held
        ]
        told = event in by_itself or outcome.shorts[event] in held
        assert told or ended, (number, outcome.shorts[event])
    assert set(held) <= set(outcome.shorts.values())
    for arrived in outcome.events:
        assert summaries.get(arrived["id"], arrived) == arrived, "a repetition says the same"


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
