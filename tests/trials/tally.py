"""What came of a trial: how the service kept up, and each message against the outbox that it left from, by id."""

from __future__ import annotations

import json
import sqlite3
from collections import Counter
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from typing import Final

from collector.messaging.channels.webhook import event_id
from tests.trials.people import Desk
from tests.trials.watching import Old, Watching

UNDER_WAY_S: Final = 3.0
"""How long before a kill, or before the broker goes, what was sent may not have been known to be taken."""
SEEN_LATE_S: Final = 1.5
"""How late the listener at the broker may be seen to have got something."""


@dataclass
class Seen:
    """What came of it. Seconds; `old`: readings older than three periods that nothing excuses."""

    old: list[Old]
    oldest_s: float
    oldest_on_battery_s: float
    slowest_answer_s: float
    unanswered: int
    machine_late_s: float
    stops_s: list[float]
    codes: list[int]
    starts_s: list[float]
    damaged: list[str]
    done: Counter[str]
    lost: list[str]
    """Messages that were taken by the outbox's word, and never came."""
    doubled: list[str]
    """Messages that came twice although nothing was killed between sending them and keeping that."""
    repeated: int
    """Messages that came twice for that reason."""
    unknown: list[str]
    untold: list[str]
    """Incidents of which nobody was told."""
    waiting: int
    dead: int
    webhook: int
    broker: int


@dataclass
class _Came:
    """What came to one place: `doubled` without an excuse, `repeated` with one."""

    ids: set[str]
    doubled: list[str]
    repeated: int


def _came(arrivals: list[tuple[float, str]], breaks_s: list[float]) -> _Came:
    """Return what came, and what came again: with an excuse where it was under way at a break."""
    first: dict[str, float] = {}
    doubled, repeated = [], 0
    for at_s, name in arrivals:
        before_s = first.get(name)
        if before_s is None:
            first[name] = at_s
        elif any(b - UNDER_WAY_S <= before_s <= b + SEEN_LATE_S and b <= at_s for b in breaks_s):
            repeated += 1
        else:
            doubled.append(name)
        first[name] = at_s
    return _Came(set(first), doubled, repeated)


@dataclass
class Tally:
    """What is counted as it is done. Seconds; `kills_s` and `gone_s` (of the broker) by the monotonic clock."""

    done: Counter[str] = field(default_factory=Counter)
    stops_s: list[float] = field(default_factory=list)
    codes: list[int] = field(default_factory=list)
    starts_s: list[float] = field(default_factory=list)
    kills_s: list[float] = field(default_factory=list)
    gone_s: list[float] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)

    def seen(self, data: Path, desk: Desk, watching: Watching, open_ones: tuple[int, int]) -> Seen:
        """Return what came of it; `open_ones`: how many messages wait, and were given up."""
        web = _came(desk.taken(), self.kills_s)
        mqtt = _came(watching.posts, [*self.kills_s, *self.gone_s])
        lost, unknown, untold = _compared(data, web.ids, mqtt.ids)
        return Seen(
            old=watching.old, oldest_s=max(watching.ages_s[False], default=0.0),
            oldest_on_battery_s=max(watching.ages_s[True], default=0.0),
            slowest_answer_s=max(watching.waits_s, default=0.0), unanswered=watching.unanswered,
            machine_late_s=watching.own_late_s, stops_s=self.stops_s, codes=self.codes, starts_s=self.starts_s,
            damaged=self.damaged, done=self.done, lost=lost, doubled=[*web.doubled, *mqtt.doubled],
            repeated=web.repeated + mqtt.repeated, unknown=unknown, untold=untold, waiting=open_ones[0],
            dead=open_ones[1], webhook=len(web.ids), broker=len(mqtt.ids),
        )  # fmt: skip


def _compared(data: Path, web: set[str], mqtt: set[str]) -> tuple[list[str], list[str], list[str]]:
    """Return what was lost, what came that the outbox knows nothing of, and incidents of which nothing was told."""
    with closing(sqlite3.connect(f"file:{data / 'ledger.sqlite'}?mode=ro", uri=True)) as file:
        rows = file.execute(
            "SELECT id, channel, incident, body, result FROM outbox WHERE sending = 'sent'"
        ).fetchall()
        incidents = {row[0] for row in file.execute("SELECT id FROM incidents")}
    lost, known, told = [], {"desk": set[str](), "site": set[str]()}, set()
    for name, channel, incident, body, result in rows:
        told |= {incident} if channel == "desk" else set()
        at_broker = channel == "site"
        if at_broker and not str(json.loads(body)["topic"]).startswith("incident/"):
            continue  # the listener counts the notices alone: what is retained comes again by itself
        _, held, rest = str(result).partition(" in summary ")
        sent = (
            str(json.loads(body)["payload"]["message_id"])
            if at_broker
            else event_id(rest.split(": ")[0] if held else name)
        )
        known[channel].add(sent)
        if sent not in (mqtt if at_broker else web):
            lost.append(f"{name} by {channel}: {result}")
    unknown = [f"{one} at the desk" for one in web - known["desk"]]
    unknown += [f"{one} at the broker" for one in mqtt - known["site"]]
    return lost, unknown, sorted(incidents - told)


def unharmed(seen: Seen) -> None:
    """Hold what came of it to what the service promises."""
    assert not seen.old, seen.old
    assert not seen.unanswered
    assert (seen.lost, seen.doubled, seen.unknown, seen.untold) == ([], [], [], [])
    assert (seen.waiting, seen.dead) == (0, 0)
    assert set(seen.codes) == {0}
    assert max(seen.stops_s) < 5.0
    assert not seen.damaged, seen.damaged
    assert min(seen.webhook, seen.broker) > 0, "or nothing was tried"


def print_seen(seen: Seen) -> None:
    """Print what came of it in a few lines."""
    print(f"done: {', '.join(f'{name} {count}' for name, count in sorted(seen.done.items()))}")
    print(
        f"oldest reading {seen.oldest_s:.1f} s at rest, {seen.oldest_on_battery_s:.1f} s on battery, where its card "
        f"answered and the service ran; {len(seen.old)} older than three periods {seen.old[:5]}"
    )
    print(
        f"slowest answer over HTTP {seen.slowest_answer_s:.2f} s, {seen.unanswered} without one; "
        f"who asked was itself up to {seen.machine_late_s:.2f} s late"
    )
    print(
        f"{len(seen.stops_s)} stops: median {median(seen.stops_s):.2f} s, longest {max(seen.stops_s):.2f} s, codes "
        f"{sorted(set(seen.codes))}; {len(seen.starts_s)} starts: longest {max(seen.starts_s):.1f} s"
    )
    print(
        f"messages: {seen.webhook} at the web address, {seen.broker} at the broker; lost {len(seen.lost)}, doubled "
        f"{len(seen.doubled)}, repeated under the same id since under way at a kill or when the broker went "
        f"{seen.repeated}, unknown {len(seen.unknown)}, waiting {seen.waiting}, given up {seen.dead}, "
        f"incidents untold {len(seen.untold)}"
    )
    for what in (seen.lost, seen.doubled, seen.unknown, seen.untold, seen.damaged):
        for line in what[:10]:
            print(f"    {line}")
