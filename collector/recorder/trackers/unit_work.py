"""Work on units, followed from its beginning to its end: `rules.planning.isolation.unit_work` judges, this remembers.

Work begins with a window of planned isolation that names one unit, or when somebody says so; then it is a
window of its own. It ends when its time is over and the unit shares the load again, or when somebody
closes it. All of it goes on after a restart, from a snapshot in the ledger.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Final

from collector.recorder.trackers.snapshot_keeping import SnapshotKept
from collector.storage.ledger.records import Snapshot
from rules.alarms.catalogue import Explanation
from rules.alarms.events import PowerEvent
from rules.alarms.windows import Window
from rules.monitor.clock_moved import moved
from rules.phrasing.reasons import kept, say
from rules.planning.isolation.unit_work import Followed, begun, begun_reason, follow, news, over
from rules.plant.estate import Estate
from rules.system.hold_up.judgement import HoldUpJudgement
from rules.system.observation import SystemObservation
from rules.system.work import UnitWork
from rules.values.code import Code
from rules.values.reason import reason, told
from rules.values.serial import from_plain

UNIT_WORK: Final = "unit work"
SCHEMA: Final = "unit-work/1"
SAID: Final = "said-"
"""What the ids of windows begin with that somebody's word opened."""
LONGEST: Final = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class WorkBegins:
    """Somebody says that work on a unit begins now, and until when it is to take; of work under way, how long yet."""

    at: datetime
    unit: str
    by: str
    until: datetime
    note: str = ""


@dataclass(frozen=True, slots=True)
class WorkCloses:
    """Somebody says that the work on a unit is done."""

    at: datetime
    unit: str
    by: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class WorkMemory:
    """Everything that goes on after a restart. `closed`: windows that are not to be followed again, with their end."""

    followed: Mapping[str, Followed] = field(default_factory=dict)
    said: tuple[Window, ...] = ()
    closed: Mapping[str, datetime] = field(default_factory=dict)


class UnitWorks(SnapshotKept):
    """The work under way, by unit."""

    name = UNIT_WORK

    def __init__(self, estate: Estate) -> None:
        super().__init__()
        self._estate = estate
        self._followed: dict[str, Followed] = {}
        self._said: dict[str, Window] = {}
        self._closed: dict[str, datetime] = {}

    # --- what comes in ------------------------------------------------------------------------------------

    def say(self, word: WorkBegins | WorkCloses) -> tuple[str | None, tuple[PowerEvent, ...]]:
        """Take somebody's word; return why it cannot be taken, or None, and lines for the journal.

        Afterwards the windows are others (`planned`).
        """
        if isinstance(word, WorkCloses):
            return self._close_by(word)
        if not word.at < word.until <= word.at + LONGEST:
            return "the end must be in the future, at most 7 days away", ()
        what = word.note or f"work on unit {word.unit}, begun by {word.by}"
        name = f"{SAID}{word.unit}-{word.at:%Y%m%dT%H%M%S}"
        self._said[name] = Window(name, Explanation.ISOLATION, word.unit, word.at, word.until, told(what))
        self.pending = True
        known = self._followed.get(word.unit)
        if known is None:
            self._followed[word.unit] = begun(
                word.unit, word.at, word.until, by=word.by, what=word.note, window=name
            )
            return None, ()
        self._followed[word.unit] = replace(
            known, windows=(*known.windows, name), work=replace(known.work, until=word.until)
        )
        takes_s = (word.until - word.at).total_seconds()
        longer = reason(Code.WORK_EXTENDED, word.unit, by=word.by, takes_s=takes_s)
        return None, (PowerEvent(word.at, "work_extended", word.unit, longer),)

    def planned(self, declared: Iterable[Window]) -> tuple[Window, ...]:
        """Return all windows of planned work: those declared, less what was closed early, and those that were said."""
        others = (w for w in declared if w.id not in self._closed and not w.id.startswith(SAID))
        return (*others, *self._said.values())

    def take(
        self,
        seen: SystemObservation,
        judged: HoldUpJudgement | None,
        open_now: Iterable[Window],
        now: datetime,
    ) -> tuple[tuple[UnitWork, ...], tuple[PowerEvent, ...]]:
        """Take in one glance at a system; return the work on its units and what is new, for the journal."""
        units = [view.unit.id for view in seen.views]
        self._begin_planned([w for w in open_now if w.about in units], now)
        events: list[PowerEvent] = []
        for unit in units:
            before = self._followed.get(unit)
            if before is not None:
                events += self._step(before, follow(before, seen, judged, now), now)
        return tuple(self._followed[u].work for u in units if u in self._followed), tuple(events)

    # --- the steps ----------------------------------------------------------------------------------------

    def _begin_planned(self, windows: Iterable[Window], now: datetime) -> None:
        for window in sorted(windows, key=lambda w: w.end):
            if window.explains is not Explanation.ISOLATION or window.id in self._closed:
                continue
            known = self._followed.get(window.about)
            if known is None:
                new = begun(window.about, now, window.end, what=say(window.what), window=window.id)
                self._followed[window.about] = new
                self.pending = True
            elif window.id not in known.windows:
                until = max(known.work.until, window.end)
                self._followed[window.about] = replace(
                    known, windows=(*known.windows, window.id), work=replace(known.work, until=until)
                )
                self.pending = True

    def _step(self, before: Followed, after: Followed, now: datetime) -> Iterator[PowerEvent]:
        unit = after.work.unit
        if _lasting(after) != _lasting(before):
            self.pending = True
        self._followed[unit] = after
        if before.before is None and after.before is not None:
            yield PowerEvent(now, "work_begins", unit, begun_reason(after))
        for kind, what in news(before.work, after.work):
            yield PowerEvent(now, kind, unit, what)
        done = over(after.work, now)
        if done is not None:
            self._end(after, now)
            yield PowerEvent(now, "work_over", unit, done)

    def _close_by(self, word: WorkCloses) -> tuple[str | None, tuple[PowerEvent, ...]]:
        known = self._followed.get(word.unit)
        if known is None:
            return f"no work on unit {word.unit} is followed", ()
        self._end(known, word.at)
        what = reason(Code.WORK_CLOSED, word.unit, by=word.by, note=word.note, because=known.work.because)
        return None, (PowerEvent(word.at, "work_closed", word.unit, what),)

    def _end(self, done: Followed, now: datetime) -> None:
        del self._followed[done.work.unit]
        self._closed = {name: end for name, end in self._closed.items() if end > now}
        for name in done.windows:
            if self._said.pop(name, None) is None and done.work.until > now:
                self._closed[name] = done.work.until
        self.pending = True

    # --- keeping it ---------------------------------------------------------------------------------------

    def move_clock(self, by: timedelta) -> None:
        """Move along what was noted before the clock was set; what somebody planned by the clock on the wall stays."""
        followed = {
            unit: one for unit, one in self._followed.items() if any(w in self._said for w in one.windows)
        }
        self._followed |= moved(followed, by)
        self._said = moved(self._said, by)
        self._closed = {
            name: end + by if name.startswith(SAID) else end for name, end in self._closed.items()
        }
        self.pending = True

    def snapshot(self, now: datetime) -> Snapshot:
        """Return what the ledger keeps."""
        memory = WorkMemory(dict(self._followed), tuple(self._said.values()), dict(self._closed))
        return Snapshot(UNIT_WORK, now, SCHEMA, kept(memory))

    def go_on_from(self, kept: Snapshot) -> None:
        """Go on from a snapshot; units that are no longer in the estate file are let go."""
        memory = from_plain(WorkMemory, kept.body)
        units = self._estate.units
        self._followed = {u: f for u, f in memory.followed.items() if u in units}
        self._said = {w.id: w for w in memory.said if w.about in units}
        self._closed = dict(memory.closed)


def _lasting(followed: Followed) -> tuple[object, ...]:
    """Return what of it must survive a kill; sentences with figures in them are made anew at every look."""
    work = followed.work
    unexpected = tuple((one.kind, one.about) for one in work.unexpected)
    return (
        followed.before,
        followed.fell_since,
        followed.windows,
        work.until,
        work.steps,
        unexpected,
        work.overdue,
    )
