"""Where things are found in a live state without looking through it: nothing in here that the parts do not say."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from heapq import heapify, heappop, heappush
from typing import Generic, TypeVar

from rules.alarms.incidents.incident import Incident
from rules.alarms.incidents.regroup import lively
from rules.alarms.lifecycle.alarm import Alarm

M = TypeVar("M", float, datetime)
K = TypeVar("K")


class Many(dict[K, set[str]]):
    """Sets of ids by what they share; a set that became empty is gone."""

    def put(self, key: K, member: str) -> None:
        """Put an id under a key."""
        self.setdefault(key, set()).add(member)

    def take(self, key: K, member: str) -> None:
        """Take an id from under a key."""
        found = self[key]
        found.discard(member)
        if not found:
            del self[key]

    def under(self, keys: Iterable[K] | None) -> set[str]:
        """Return the ids under some keys; under all of them for None."""
        found = self.values() if keys is None else (self[key] for key in keys if key in self)
        return set().union(*found)


@dataclass(eq=False)
class Dues(Generic[M]):
    """When each of many things is due, if ever, and a heap that knows which are due by now.

    Two are equal that say the same. An entry of the heap that `when` does not confirm is out of date.
    """

    when: dict[str, M] = field(default_factory=dict)
    heap: list[tuple[M, str]] = field(default_factory=list)

    def __eq__(self, other: object) -> bool:
        """Return whether the same things are due at the same moments."""
        return isinstance(other, Dues) and self.when == other.when

    __hash__ = None  # type: ignore[assignment]

    def put(self, name: str, when: M | None) -> None:
        """Say when a thing is due; None for never."""
        if self.when.get(name) == when:
            return
        if when is None:
            del self.when[name]
            return
        self.when[name] = when
        heappush(self.heap, (when, name))
        if len(self.heap) > 64 + 4 * len(self.when):
            self.heap = [(moment, one) for one, moment in self.when.items()]
            heapify(self.heap)

    def by(self, now: M) -> set[str]:
        """Return what is due now. It stays due until it is put somewhere else."""
        found: set[str] = set()
        while self.heap and self.heap[0][0] <= now:
            when, name = heappop(self.heap)
            if self.when.get(name) == when:
                found.add(name)
        for name in found:
            heappush(self.heap, (self.when[name], name))
        return found


@dataclass
class Index:
    """Alarms by thing, incident and site, incidents by key, site and thing; what is due; what time may change.

    Sites by id, None for what is on none.
    """

    about: Many[str] = field(default_factory=Many)
    """Alarms by the thing they are about."""
    within: Many[str] = field(default_factory=Many)
    """Alarms by the incident they say they belong to, open or not."""
    at_site: Many[str | None] = field(default_factory=Many)
    """Alarms by site."""
    homeless: Many[str | None] = field(default_factory=Many)
    """Active alarms without an open incident, by site."""
    keys: Many[str] = field(default_factory=Many)
    """Open incidents by key."""
    concerning: Many[str] = field(default_factory=Many)
    """Open incidents by the thing they are about."""
    incidents: Many[str | None] = field(default_factory=Many)
    """Open incidents by site."""
    lively: Many[str | None] = field(default_factory=Many)
    """Of these, those that time or a plain reading may change."""
    due: Dues[float] = field(default_factory=Dues[float])
    """When time alone changes an alarm, in seconds of the watch."""
    shelved: Dues[datetime] = field(default_factory=Dues[datetime])
    """When an alarm's shelving ends."""

    def place_alarm(
        self, one: Alarm, site: str | None, old: Alarm | None, new: Alarm | None, *, housed: bool
    ) -> None:
        """Take note of an alarm that came, changed or went (`one` is either); `housed`: its incident is open."""
        if old is None:
            self.about.put(one.about, one.id)
            self.at_site.put(site, one.id)
        if new is None:
            self.about.take(one.about, one.id)
            self.at_site.take(site, one.id)
        was, now = None if old is None else old.incident, None if new is None else new.incident
        if was != now:
            if was is not None:
                self.within.take(was, one.id)
            if now is not None:
                self.within.put(now, one.id)
        self.shelve(one.id, new)
        self.house(site, one.id, homeless=new is not None and new.state.active and not housed)

    def shelve(self, name: str, alarm: Alarm | None) -> None:
        """Take note of when an alarm's shelving ends, if it is shelved."""
        self.shelved.put(name, None if alarm is None else alarm.shelved_until)

    def house(self, site: str | None, alarm: str, *, homeless: bool) -> None:
        """Take note of whether an alarm needs an incident."""
        known = alarm in self.homeless.get(site, ())
        if homeless and not known:
            self.homeless.put(site, alarm)
        elif known and not homeless:
            self.homeless.take(site, alarm)

    def open_incident(self, site: str | None, incident: Incident) -> None:
        """Take note of an incident that is open."""
        self.keys.put(incident.key, incident.id)
        self.concerning.put(incident.about, incident.id)
        self.incidents.put(site, incident.id)
        if lively(incident):
            self.lively.put(site, incident.id)

    def close_incident(self, site: str | None, incident: Incident) -> None:
        """Take note of an incident that is no longer as it was: closed, or about to be put anew."""
        self.keys.take(incident.key, incident.id)
        self.concerning.take(incident.about, incident.id)
        self.incidents.take(site, incident.id)
        if lively(incident):
            self.lively.take(site, incident.id)
