"""What came back after a supply was lost: evidence is gathered here, `rules.generator.outage_source` judges it.

Words of the site, marks of people and input frequencies of every unit of the supply are kept by outage.
What is found becomes a line of the journal; only where there is evidence that the generator took the load are
its steps learnt. All of it goes on after a restart, from a snapshot in the ledger.

An outage begins when the whole supply is lost: a unit is on its bank and none that answers has supply
(`rules.alarms.conditions.supply.supply_events`). A board or an input breaker that goes alone is none. The others
show the mains at the same transformer, so no generator has reason to start, and what brings that board back
(a breaker closed, a fuse) would teach a start time that no generator ever took. Units that do not answer are
left out on both sides.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Final

from collector.recorder.trackers.outage_memory import (
    MOST_OUTAGES,
    MOST_RUNS,
    MOST_WORDS,
    OutageMemory,
    SeenFrequency,
    SupplyOutage,
    after_outage,
    returns_of,
)
from collector.recorder.trackers.snapshot_keeping import SnapshotKept
from collector.storage.ledger.records import Snapshot
from rules.alarms.catalogue import Cause
from rules.alarms.events import PowerEvent
from rules.alarms.incidents.incident import Incident
from rules.generator.outage_source import (
    Learnt,
    OutageSource,
    Returned,
    SetStart,
    SetWord,
    SourceBasis,
    SourceMark,
    learnt,
    returned,
    seen_steps,
)
from rules.generator.test_runs import Seen, SetRun, SetTest, running_since, runs, set_test
from rules.monitor.clock_moved import moved
from rules.monitor.outputs import Change
from rules.plant.estate import Estate, Generator
from rules.plant.reading import Reading, Sample
from rules.plant.topology import Topology
from rules.values.serial import from_plain, to_plain

AFTERMATH: Final = "aftermath"


SCHEMA: Final = "aftermath/1"


LOADS_EVERY: Final = timedelta(minutes=5)
"""How close words that tell a load are kept: a controller may tell it each second."""


KEEP_RUN_EVERY: Final = timedelta(minutes=5)
"""How often a run under way is kept: a kill loses so much of what the cards saw of it, which stays a least."""


class NoSuchOutage(Exception):  # noqa: N818 - it says how things stand
    """The incident is not an outage of a supply with a generator behind it."""


class OutageTracker(SnapshotKept):
    """Gathers the evidence of what came back, and keeps what `rules.generator.outage_source` makes of it."""

    name = AFTERMATH

    def __init__(self, estate: Estate) -> None:
        super().__init__()
        self._estate = estate
        self._topology = Topology(estate)
        self._outages: list[SupplyOutage] = []
        self._words: dict[str, list[SetWord]] = {}
        self._heard_since: dict[str, datetime] = {}
        self._seen: dict[str, list[Seen]] = {}
        self._run_kept: datetime | None = None
        self._frequency: dict[str, SeenFrequency] = {}

    # --- what comes in ------------------------------------------------------------------------------------

    def take(
        self, sample: Sample, changes: Sequence[Change], incidents: Mapping[str, Incident]
    ) -> tuple[PowerEvent, ...]:
        """Take in a sample and what the watch made of it; return what is found, for the journal."""
        for change in changes:
            if isinstance(change, PowerEvent) and change.kind == "mains_lost":
                self._lost(change)
        supply = self._topology.supply(sample.unit)
        if isinstance(sample, Reading) and supply is not None:
            self._carried(supply, sample)
        outage = next((o for o in reversed(self._outages) if o.supply == supply), None)
        if outage is None or not outage.looked_at(sample.stamp.at):
            return ()
        for change in changes:
            if isinstance(change, PowerEvent) and change.kind == "supply_back" and change.about == supply:
                outage.back_at = change.at
                self.pending = True
        if isinstance(sample, Reading):
            self._read(outage, sample)
        if outage.incident is None:
            outage.incident = self._incident(outage, incidents)
        return self._judge(outage, sample.stamp.at)

    def word(self, generator: str, word: SetWord) -> tuple[PowerEvent, ...]:
        """Take the site's word about a generator; return what it changes, for the journal.

        Of words that repeat each other the first and the last are kept, and one in five minutes that tells a load.
        """
        words = self._words.setdefault(generator, [])
        if words and word.at < words[-1].at:  # two ways in, two clocks: what came later was said later
            word = replace(word, at=words[-1].at)
        if _to_replace(words, word):
            words.pop()
        words.append(word)
        del words[:-MOST_WORDS]
        self._heard_since.setdefault(generator, word.at)
        self._run_told(generator, word)
        self.pending = True
        events: list[PowerEvent] = []
        for outage in self._outages:
            if self._set(outage.supply) == generator and outage.looked_at(word.at):
                events += self._judge(outage, word.at)
        return tuple(events)

    def last_word(self, generator: str) -> SetWord | None:
        """Return what the site said last about a generator."""
        words = self._words.get(generator)
        return words[-1] if words else None

    def mark(
        self, incident: str, mark: SourceMark, lost_at: datetime | None = None
    ) -> tuple[PowerEvent, ...]:
        """Take a person's mark on an outage (see `outage_of`); return what it changes. Raises NoSuchOutage."""
        outage = self.outage_of(incident, lost_at)
        outage.mark = mark
        self.pending = True
        return self._judge(outage, mark.at)

    def outage_of(self, incident: str, lost_at: datetime | None = None) -> SupplyOutage:
        """Return the outage that an incident is about. Raises NoSuchOutage.

        A supply may be lost again within one incident, as when the load goes back from the generator to the mains.
        `lost_at` says which is meant; else it is the first of which nobody knows what ended it, or the last.
        """
        found = [o for o in self._outages if o.incident == incident and lost_at in (None, o.lost_at)]
        if not found:
            raise NoSuchOutage(incident)
        return next((o for o in found if not o.known), found[-1])

    # --- what is known ------------------------------------------------------------------------------------

    @property
    def outages(self) -> tuple[SupplyOutage, ...]:
        """Return the outages that are remembered, oldest first."""
        return tuple(self._outages)

    def seen_steps(self, system: str) -> Mapping[str, float]:
        """Return the seconds last seen of each step of a system's bridge; empty without evidence."""
        supply = self._estate.systems[system].supply
        for outage in reversed(self._outages):
            if outage.supply == supply and outage.steps.get(system):
                return outage.steps[system]
        return {}

    def starts(self, generator: str) -> tuple[SetStart, ...]:
        """Return the starts of a generator for which there is evidence, oldest first."""
        return tuple(
            SetStart(o.lost_at, _supply_s(o), o.found.ground)
            for o in self._outages
            if o.found is not None
            and o.found.source is OutageSource.GENERATOR
            and self._set(o.supply) == generator
        )

    def learnt(self, generator: str) -> Learnt:
        """Return what the starts of a generator say, beside what is declared."""
        known = self._estate.generators[generator]
        return learnt(self.starts(generator), known.detect_s + known.start_s + known.transfer_s)

    def runs(self, generator: str) -> tuple[SetRun, ...]:
        """Return the runs of a generator on load that the site told of; of its load the cards see but a part."""
        return runs(self._words.get(generator, ()), self._seen.get(generator, ()))

    def set_test(self, generator: str, now: datetime) -> SetTest:
        """Return how a generator stands with its tests on load."""
        known = self._estate.generators[generator]
        every = timedelta(days=known.test_every_days)
        since = self._heard_since.get(generator)
        zone = next(
            (
                self._estate.sites[s.site].zone
                for s in self._estate.supplies.values()
                if s.generator == generator
            ),
            UTC,
        )
        return set_test(self.runs(generator), known.rating_w, now, every, heard_since=since, zone=zone)

    def move_clock(self, by: timedelta) -> None:
        """Move along what was noted before the clock was set."""
        self._outages, self._words = moved(self._outages, by), moved(self._words, by)
        self._heard_since, self._seen = moved(self._heard_since, by), moved(self._seen, by)
        self._run_kept, self._frequency = moved(self._run_kept, by), moved(self._frequency, by)
        self.pending = True

    # --- keeping it ---------------------------------------------------------------------------------------

    def snapshot(self, now: datetime) -> Snapshot:
        """Return what the ledger keeps."""
        words = {name: tuple(said) for name, said in self._words.items()}
        seen = {name: tuple(replace(one, taking={}) for one in of) for name, of in self._seen.items()}
        memory = OutageMemory(tuple(self._outages), words, dict(self._heard_since), seen)
        return Snapshot(AFTERMATH, now, SCHEMA, to_plain(memory))

    def go_on_from(self, kept: Snapshot) -> None:
        """Go on from a snapshot; what is no longer in the estate file is let go."""
        memory = from_plain(OutageMemory, kept.body)
        self._outages = [o for o in memory.outages if self._set(o.supply) is not None]
        known = self._estate.generators
        self._words = {n: list(w) for n, w in memory.words.items() if n in known}
        self._heard_since = {n: w[0].at for n, w in self._words.items() if w}
        self._heard_since |= {n: at for n, at in memory.heard_since.items() if n in known}
        self._seen = {n: list(s) for n, s in memory.seen.items() if n in known}

    # --- the steps ----------------------------------------------------------------------------------------

    def _set(self, supply: str) -> str | None:
        known = self._estate.supplies.get(supply)
        return None if known is None else known.generator

    def _run_told(self, generator: str, word: SetWord) -> None:
        """Begin to add up what the cards see of a run, or end it."""
        seen = self._seen.setdefault(generator, [])
        since = running_since(self._words[generator])
        under_way = bool(seen) and not seen[-1].over
        if since is None:
            if under_way:
                seen[-1] = replace(seen[-1].upto(word.at), taking={}, over=True)
        elif not under_way:
            seen.append(Seen(since, word.at))
            del seen[:-MOST_RUNS]

    def _carried(self, supply: str, reading: Reading) -> None:
        """Add what a unit takes to the run of its generator, if one is under way."""
        name = self._set(supply)
        seen = None if name is None else self._seen.get(name)
        if not seen or seen[-1].over:
            return
        seen[-1] = seen[-1].after(reading)
        if self._run_kept is None or reading.at - self._run_kept >= KEEP_RUN_EVERY:
            self._run_kept = reading.at
            self.pending = True

    def _lost(self, event: PowerEvent) -> None:
        if self._set(event.about) is None:
            return
        self._outages.append(SupplyOutage(event.about, event.at))
        self._frequency[event.about] = SeenFrequency()
        del self._outages[:-MOST_OUTAGES]
        self.pending = True

    def _read(self, outage: SupplyOutage, reading: Reading) -> None:
        before = outage.returns.get(reading.unit)
        after = after_outage(before, reading)
        if after != before and after is not None:
            outage.returns = {**outage.returns, reading.unit: after}
            self.pending = True
        if outage.back_at is not None:
            self._frequency.setdefault(outage.supply, SeenFrequency()).add(reading)

    def _incident(self, outage: SupplyOutage, incidents: Mapping[str, Incident]) -> str | None:
        found = [
            i
            for i in incidents.values()
            if i.cause is Cause.POWER and self._topology.supply(i.about) == outage.supply
        ]
        best = max(found, key=lambda i: (i.about == outage.supply, i.opened_at), default=None)
        return None if best is None else best.part_of or best.id

    def _judge(self, outage: SupplyOutage, now: datetime) -> tuple[PowerEvent, ...]:
        """Have the rules judge an outage that is over; return the event where the finding is news."""
        name = self._set(outage.supply)
        if outage.back_at is None or name is None:
            return ()
        generator = self._estate.generators[name]
        frequency = self._frequency.setdefault(outage.supply, SeenFrequency())
        found = returned(
            outage.lost_at,
            _supply_at(outage, outage.back_at),
            words=self._words.get(name, ()),
            mark=outage.mark,
            frequency_hz=frequency.seen,
            nominal_hz=frequency.nominal_hz,
        )
        before = outage.found
        if before is not None and found.ground is SourceBasis.NONE:
            found = before  # frequencies are not kept over a restart; what they showed is
        steps = self._steps(outage, found, generator)
        if found == before and steps == outage.steps:
            return ()
        outage.found, outage.steps = found, steps
        self.pending = True
        if before is not None and (before.source, before.ground) == (found.source, found.ground):
            return ()
        return tuple(self._events(outage, found, generator, now))

    def _events(
        self, outage: SupplyOutage, found: Returned, generator: Generator, now: datetime
    ) -> Iterator[PowerEvent]:
        yield PowerEvent(now, "supply_returned", outage.supply, found.because, outage.incident)
        if found.source is OutageSource.GENERATOR:
            words = self.learnt(generator.id).because
            yield PowerEvent(now, "set_start_learnt", generator.id, words, outage.incident)

    def _steps(
        self, outage: SupplyOutage, found: Returned, generator: Generator
    ) -> dict[str, dict[str, float]]:
        if found.source is not OutageSource.GENERATOR:
            return {}
        systems = [s for s in self._estate.systems.values() if s.supply == outage.supply]
        steps: dict[str, dict[str, float]] = {}
        for system in systems:
            units = self._estate.units_of(system.id)
            seen = seen_steps(generator, units, outage.lost_at, returns_of(outage, units), found.ground)
            if seen:
                steps[system.id] = seen
        return steps


def _to_replace(words: Sequence[SetWord], word: SetWord) -> bool:
    """Return whether the last word may go when this one comes: it stood between two that say the same."""
    if len(words) < 2 or not (word.repeats(words[-1]) and words[-1].repeats(words[-2])):
        return False
    return words[-1].load_w is None or word.at - words[-2].at < LOADS_EVERY


def _supply_at(outage: SupplyOutage, back_at: datetime) -> datetime:
    """Return when the first unit saw supply; when all were back where no unit tells.

    Units wait and ramp in turn, and one may refuse the generator: that is their time, not the generator's.
    """
    return min((r.supply_at for r in outage.returns.values() if r.supply_at is not None), default=back_at)


def _supply_s(outage: SupplyOutage) -> float:
    """Return s from the loss until the first unit saw supply."""
    return (_supply_at(outage, outage.back_at or outage.lost_at) - outage.lost_at).total_seconds()
