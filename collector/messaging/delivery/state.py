"""The newest state of every system and unit to the brokers, and a wake for the outbox, whenever there is news of alarms."""

from __future__ import annotations

from typing import Any, Final, Protocol, cast

from collector.messaging.delivery.office import PostOffice
from rules.alarms.lifecycle.alarm import Alarm
from rules.phrasing.wire import reading_json, to_json
from rules.plant.reading import Reading
from rules.system.state import SystemState

EXPIRY_S: Final = 60.0
"""State that nobody renews for this long vanishes from the broker: nothing stale is taken for fresh."""


def state_data(value: SystemState | Reading) -> dict[str, Any]:
    """Return the state of a system as `GET /v1/systems` gives it, or of a unit what its card says."""
    if isinstance(value, Reading):
        beside = {"doubts": to_json(value.doubts), "missing": list(value.missing)}
        return {"id": value.unit, "reading": reading_json(value)} | beside
    return cast("dict[str, Any]", to_json(value))


class StateNews(Protocol):
    """What is true now, and a way to wait for news (`collector.recorder.current_state.Present`)."""

    version: int
    readings: dict[str, Reading]
    systems: dict[str, SystemState]
    alarms: dict[str, Alarm]

    def moved_since(self, version: int) -> list[tuple[str, str]]:
        """Return what moved after a version, by kind (unit, system, alarm) and id."""
        ...

    async def news_after(self, version: int) -> int:
        """Return the version once it is past `version`."""
        ...


class StateFeed:
    """Follows what is true now. News comes only after its commit, so waking the outbox then is never early."""

    def __init__(self, office: PostOffice, present: StateNews) -> None:
        self._office = office
        self._present = present
        self._sent: dict[tuple[str, str], SystemState | Reading] = {}

    async def run(self) -> None:
        """Follow until cancelled."""
        version = -1
        while True:
            seen, version = version, await self._present.news_after(version)
            moved = self._present.moved_since(seen)
            alarmed = any(kind == "alarm" for kind, _ in moved)
            if alarmed:  # a plain reading brings no message, and the outbox is a look into the ledger
                self._office.wake()
            if self._office.outbox.touched or alarmed:
                await self._office.refresh_told(
                    {a.incident for a in self._present.alarms.values() if a.incident is not None}
                )
            if self._office.has_brokers:
                for kind, about in moved:
                    self._publish(kind, about)

    def _publish(self, kind: str, about: str) -> None:
        value: SystemState | Reading
        if kind == "system":
            value = self._present.systems[about]
        elif kind == "unit":
            value = self._present.readings[about]
        else:
            return
        if self._sent.get((kind, about)) is not value:
            self._sent[kind, about] = value
            self._office.set_state(kind, about, state_data(value), expiry_s=EXPIRY_S)
