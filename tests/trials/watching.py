"""Who watches the service during a trial: ages of readings, waits for answers and what the broker gave, each second.

What it says of a reading's age is the worse of two: what the service says, and how long a card saw no request.
"""

from __future__ import annotations

import re
import threading
import time
from dataclasses import dataclass, field
from typing import Any, Final

import httpx

from tests.daemon import Daemon
from tests.trials.brokers import Listener
from tests.trials.plant import Plant

EVERY_S: Final = 1.0
_AGE: Final = re.compile(r'^ridethrough_reading_age_s\{unit="([^"]+)"\} (\S+)', re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Old:
    """A reading that was older than three periods although nothing excused it. Seconds of the story."""

    at_s: float
    unit: str
    age_s: float
    limit_s: float


@dataclass
class Watching:
    """Looks once a second. `excused_s`: until when each unit could not be read, by the monotonic clock.

    `silent`: units whose card does not answer now. `service`: None while there is none that answers.
    """

    plant: Plant
    listener: Listener
    every_s: float
    on_battery_every_s: float
    machine_s: float = 0.0
    """What a machine that many tests share may add to three periods."""
    service: Daemon | None = None
    silent: set[str] = field(default_factory=set)
    excused_s: dict[str, float] = field(default_factory=dict)
    ages_s: dict[bool, list[float]] = field(default_factory=lambda: {False: [], True: []})
    """Every age that nothing excused, in s; of units whose system was on battery apart."""
    old: list[Old] = field(default_factory=list)
    waits_s: list[float] = field(default_factory=list)
    unanswered: int = 0
    own_late_s: float = 0.0
    """How late this thread itself was woken at the most: what the machine adds."""
    posts: list[tuple[float, str]] = field(default_factory=list)
    """What came from the broker: monotonic second of its being seen, and the notice's id."""
    _hurried_s: dict[str, float] = field(default_factory=dict)
    _asked: dict[str, tuple[int, float]] = field(default_factory=dict)
    _over: threading.Event = field(default_factory=threading.Event)

    def start(self, began_s: float) -> threading.Thread:
        """Watch in a thread of its own until `end`."""
        self._began_s = began_s
        thread = threading.Thread(target=self._run, daemon=True)
        thread.start()
        return thread

    def end(self) -> None:
        """Watch no more."""
        self._over.set()

    def unreadable(self, *units: str) -> None:
        """Note that units could not be read until now."""
        for unit in units:
            self.excused_s[unit] = time.monotonic()

    def newest(self) -> str:
        """Return one line on what was seen last."""
        rest, fast = (max(self.ages_s[on][-60:], default=0.0) for on in (False, True))
        return (
            f"oldest reading of late {rest:.1f} s at rest, {fast:.1f} s on battery; "
            f"slowest answer {max(self.waits_s[-20:], default=0.0):.2f} s; {len(self.posts)} at the broker"
        )

    def _run(self) -> None:
        due_s = time.monotonic()
        while not self._over.is_set():
            self._look()
            due_s = max(due_s + EVERY_S, time.monotonic())
            self._over.wait(max(0.0, due_s - time.monotonic()))
            self.own_late_s = max(self.own_late_s, time.monotonic() - due_s)

    def _look(self) -> None:
        for notice in self.listener.incidents()[len(self.posts) :]:
            self.posts.append((time.monotonic(), notice["message_id"]))
        service = self.service
        if service is None:
            self._hurried_s.clear()
            return
        base = f"http://127.0.0.1:{service.port}"
        asked_s = time.monotonic()
        try:
            with httpx.Client(base_url=base, timeout=30.0, trust_env=False) as client:
                text = client.get("/metrics").text
                took_s = time.monotonic() - asked_s
                systems = client.get("/v1/systems").json()["items"]
        except (httpx.HTTPError, ValueError, KeyError):
            if self.service is service:  # else it was ended under us
                self.unanswered += 1
            return
        if self.service is not service:
            return
        self.waits_s.append(took_s)
        self._judge(asked_s, text, systems)

    def _judge(self, now_s: float, text: str, systems: list[dict[str, Any]]) -> None:
        hurried = {unit["id"] for s in systems if s["on_battery"] for unit in s["units"]}
        self._hurried_s = {unit: self._hurried_s.get(unit, now_s) for unit in hurried}
        ages = {unit: float(age) for unit, age in _AGE.findall(text)}
        for unit, count in self.plant.requests().items():
            if self._asked.get(unit, (None, 0.0))[0] != count:
                self._asked[unit] = count, now_s
            if unit in self.silent:
                self.excused_s[unit] = now_s
                continue
            unasked_s = now_s - self._asked[unit][1] - EVERY_S
            since_s = now_s - self.excused_s.get(unit, self._began_s)
            age_s = min(max(ages.get(unit, since_s), unasked_s), since_s)
            fast_s = min(age_s, now_s - self._hurried_s[unit]) if unit in hurried else None
            for period_s, seen_s in ((self.every_s, age_s), (self.on_battery_every_s, fast_s)):
                if seen_s is None:
                    continue
                self.ages_s[period_s == self.on_battery_every_s].append(seen_s)
                if seen_s > 3 * period_s + self.machine_s:
                    self.old.append(Old(now_s - self._began_s, unit, seen_s, 3 * period_s))
