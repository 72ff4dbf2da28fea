"""Signs of life of other sites' collectors, as they publish them to a broker that this one publishes to as well.

Each says within how long it will be heard again; a last will says "lost" for it. What is retained may be old,
so its own time counts, and what comes fresh counts from when it came: clocks of two sites may differ.
While no broker is connected nothing can be heard, which says nothing of the others.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from datetime import datetime
from typing import Any, Final

from collector.process.clock import Clock

FIRST_WITHIN_S: Final = 300.0
"""A collector that was never heard counts as silent after being listened for so long."""
LONGEST_S: Final = 7 * 86_400.0
LARGEST_BYTES: Final = 1024


class Neighbours:
    """What is heard of the collectors named. Each broker's channel tells `listening` and `hear`."""

    def __init__(self, names: Collection[str], clock: Clock) -> None:
        self.names = tuple(names)
        self._clock = clock
        self._listening: dict[str, float] = {}
        self._heard_until_s: dict[str, float] = {}

    def listening(self, broker: str, *, on: bool) -> None:
        """Take in that a broker is listened to from now on, or no longer."""
        if on:
            self._listening.setdefault(broker, self._clock.monotonic_s())
        else:
            self._listening.pop(broker, None)

    def hear(self, name: str, payload: object, *, retained: bool) -> None:
        """Take in one sign of life. Nothing in it can do harm; what is none is passed over."""
        if name not in self.names or not isinstance(payload, bytes) or not 0 < len(payload) <= LARGEST_BYTES:
            return
        try:
            said = json.loads(payload)
            left_s = self._left_s(said, retained=retained) if said["state"] == "running" else 0.0
        except (ValueError, KeyError, TypeError, OverflowError, RecursionError):
            return
        self._heard_until_s[name] = self._clock.monotonic_s() + left_s

    def _left_s(self, said: Mapping[str, Any], *, retained: bool) -> float:
        """Return for how long from now the sender counts as heard. Raises ValueError, KeyError or TypeError."""
        within_s = float(said["next_within_s"])
        if not 0.0 <= within_s <= LONGEST_S:
            raise ValueError("no time within which anybody is heard again")
        if not retained:
            return within_s
        age_s = (self._clock.now() - datetime.fromisoformat(said["at"])).total_seconds()
        return within_s - max(age_s, 0.0)

    def overdue(self) -> Mapping[str, bool | None]:
        """Return for each collector whether it should have been heard; None while that cannot be told."""
        now_s = self._clock.monotonic_s()
        since_s = min(self._listening.values(), default=None)
        found: dict[str, bool | None] = {}
        for name in self.names:
            until_s = self._heard_until_s.get(name)
            if since_s is None:
                found[name] = None
            elif until_s is None:
                found[name] = True if now_s - since_s >= FIRST_WITHIN_S else None
            else:
                found[name] = now_s >= until_s
        return found
