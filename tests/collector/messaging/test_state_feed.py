"""The newest state to the brokers: all of it at first, then what moved."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any, cast

from collector.messaging.delivery.office import PostOffice
from collector.messaging.delivery.state import StateFeed
from collector.recorder.current_state import Present
from tests.rules.sample_plant import estate, reading, system_state


@dataclass
class Office:
    """Takes the place of the post office, and notes what it is given."""

    has_brokers: bool = True
    outbox: Any = field(default_factory=lambda: SimpleNamespace(touched=set()))
    given: list[tuple[str, str]] = field(default_factory=list)
    told: list[set[str]] = field(default_factory=list)

    woken: int = 0

    def wake(self) -> None:
        self.woken += 1

    async def refresh_told(self, incidents: set[str]) -> None:
        self.told.append(incidents)

    def set_state(self, kind: str, about: str, _value: object, *, expiry_s: float) -> None:
        assert expiry_s > 0.0
        self.given.append((kind, about))


class Unlooked(dict[str, Any]):
    """Things that must be asked for by name."""

    def __iter__(self) -> Any:
        raise AssertionError("looked through all of them")

    items = values = keys = __iter__


async def test_all_of_the_state_is_sent_first_and_then_what_moved_without_looking_through_the_rest() -> None:
    present, office = Present(estate(), readings=Unlooked(), systems=Unlooked()), Office()
    for unit in present.estate.units:
        present.keep(reading(unit, 1.0))
    present.show_system(system_state("works", 1.0))
    feed = asyncio.create_task(StateFeed(cast("PostOffice", office), present).run())
    await asyncio.sleep(0)
    assert office.given == [*(("unit", unit) for unit in present.estate.units), ("system", "works")]
    office.given.clear()
    present.changed()
    await asyncio.sleep(0)
    assert office.given == [], "nothing is new in it"
    present.keep(reading("W2", 2.0))
    present.changed()
    for _ in range(3):
        await asyncio.sleep(0)
    assert office.given == [("unit", "W2")]
    assert office.told == [], "no alarm moved"
    assert office.woken == 0, "and nobody has a message to send"
    present.show_alarm("a", None)
    present.changed()
    for _ in range(3):
        await asyncio.sleep(0)
    assert (office.woken, office.told) == (1, [set()])
    feed.cancel()
