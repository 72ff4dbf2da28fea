"""What came back after an outage: the mains or the generator? And how long the generator took, where that is known.

Nothing in RFC 1628 tells that a generator runs; mains back after 18 s looks the same. Evidence, best
first: the site's own word, a person's mark on the outage, and input frequency leaving the mains' band on
every unit of the supply. Only with evidence are start times learnt. A steady generator at 50.0 Hz proves
nothing either way.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from statistics import median
from typing import Final

from rules.plant.estate import Generator, Unit
from rules.values.code import Code
from rules.values.reason import Reason, reason

MAINS_BAND_HZ: Final = 0.5
"""Deviation a public mains keeps within: 1 % by statute in many countries; usually far less."""
LOOKED_AT: Final = timedelta(minutes=10)
"""How long after the return the frequency is looked at: a generator settles, and takes load in steps."""
WORD_AROUND: Final = timedelta(minutes=2)
"""How long after the return the site may still say that its generator took the load: contacts and lines are slow."""


class OutageSource(StrEnum):
    """What feeds a supply."""

    MAINS = "mains"
    GENERATOR = "generator"
    UNKNOWN = "unknown"


class SourceBasis(StrEnum):
    """What the judgement rests on, best first."""

    SITE = "site"
    PERSON = "person"
    FREQUENCY = "frequency"
    NONE = "none"


class SetSays(StrEnum):
    """What the site says of its generator."""

    STANDS = "stands"
    RUNS = "runs"
    CARRIES = "carries"


def says_it_runs(says: SetSays | None) -> bool:
    """Return whether the site said that its generator runs, on load or not; None: it said nothing."""
    return says in (SetSays.RUNS, SetSays.CARRIES)


@dataclass(frozen=True, slots=True)
class SetWord:
    """The site's own word about its generator at a moment; `load_w` where its meter tells what the generator carries."""

    at: datetime
    running: bool
    carries: bool
    load_w: float | None = None

    @property
    def on_load(self) -> bool:
        """Return whether the generator runs and carries."""
        return self.running and self.carries

    @property
    def says(self) -> SetSays:
        """Return what it comes to: one that does not run carries nothing, whatever else is said."""
        return SetSays.CARRIES if self.on_load else SetSays.RUNS if self.running else SetSays.STANDS

    def repeats(self, before: SetWord) -> bool:
        """Return whether nothing but the time and the load is new in it."""
        return (self.running, self.carries) == (before.running, before.carries)


@dataclass(frozen=True, slots=True)
class SourceMark:
    """A person's mark on an outage: what fed the supply when it came back; UNKNOWN: nobody can tell."""

    by: str
    at: datetime
    source: OutageSource


@dataclass(frozen=True, slots=True)
class Returned:
    """What came back, on what ground, and why."""

    source: OutageSource
    ground: SourceBasis
    took_s: float
    because: Reason


def returned(
    lost_at: datetime,
    back_at: datetime,
    *,
    words: Sequence[SetWord] = (),
    mark: SourceMark | None = None,
    frequency_hz: Mapping[str, Sequence[tuple[datetime, float]]] | None = None,
    nominal_hz: float = 50.0,
) -> Returned:
    """Return what fed the supply when it came back.

    `frequency_hz`: input frequency by unit, with times; every unit of the supply that gives any must
    have left the mains' band for it to count, since one bad meter is no generator. A mark of "not known" is
    no evidence: it only ends the asking.
    """
    took_s = (back_at - lost_at).total_seconds()
    near = [w for w in words if lost_at <= w.at <= back_at + WORD_AROUND]
    if near:
        # any, not the last: a short outage is over, and the load back on the mains, while words still count
        if any(w.on_load for w in near):
            return Returned(
                OutageSource.GENERATOR,
                SourceBasis.SITE,
                took_s,
                reason(Code.SET_TOOK_LOAD, took_s=took_s),
            )
        why = reason(Code.SET_DID_NOT_CARRY, took_s=took_s)
        return Returned(OutageSource.MAINS, SourceBasis.SITE, took_s, why)
    if mark is not None and mark.source is not OutageSource.UNKNOWN:
        why = reason(Code.RETURN_MARKED, took_s=took_s, source=mark.source, by=mark.by)
        return Returned(mark.source, SourceBasis.PERSON, took_s, why)
    seen = {
        unit: [hz for at, hz in values if back_at <= at <= back_at + LOOKED_AT and hz > 0.0]
        for unit, values in (frequency_hz or {}).items()
    }
    seen = {unit: values for unit, values in seen.items() if values}
    away = {unit: max(abs(hz - nominal_hz) for hz in values) for unit, values in seen.items()}
    if away and min(away.values()) > MAINS_BAND_HZ:
        off_hz = min(away.values())
        why = reason(Code.RETURN_BY_FREQUENCY, took_s=took_s, units=len(away), off_hz=off_hz)
        return Returned(OutageSource.GENERATOR, SourceBasis.FREQUENCY, took_s, why)
    if mark is not None:
        why = reason(Code.RETURN_MARKED_UNKNOWN, took_s=took_s, by=mark.by)
        return Returned(OutageSource.UNKNOWN, SourceBasis.PERSON, took_s, why)
    why = reason(Code.RETURN_UNKNOWN, took_s=took_s)
    return Returned(OutageSource.UNKNOWN, SourceBasis.NONE, took_s, why)


@dataclass(frozen=True, slots=True)
class UnitReturn:
    """When a unit saw supply at its input, when its source was normal, when its bank carried nothing more."""

    unit: str
    supply_at: datetime | None
    normal_at: datetime | None
    rested_at: datetime | None


@dataclass(frozen=True, slots=True)
class SetStart:
    """One start of the generator that took the load, for which there is evidence."""

    lost_at: datetime
    supply_s: float
    ground: SourceBasis


def seen_steps(
    generator: Generator,
    units: Sequence[Unit],
    lost_at: datetime,
    returns: Sequence[UnitReturn],
    ground: SourceBasis,
) -> dict[str, float]:
    """Return seconds seen of the steps of the bridge, by step; empty without evidence that it was the generator.

    Cards show when supply is at the input, when the unit takes it, and when the bank rests; what the generator
    did before is one stretch, from which the declared detection, run-up and changeover are taken off.
    """
    if ground is SourceBasis.NONE:
        return {}
    steps: dict[str, float] = {}
    arrivals = [r.supply_at for r in returns if r.supply_at is not None]
    if arrivals:
        supply_s = (min(arrivals) - lost_at).total_seconds()
        steps["starts"] = max(supply_s - generator.detect_s - generator.start_s - generator.transfer_s, 0.0)
    declared = {unit.id: unit for unit in units}
    waits = {
        r.unit: (r.normal_at - r.supply_at).total_seconds()
        for r in returns
        if r.normal_at is not None and r.supply_at is not None and r.unit in declared
    }
    if waits:
        quickest = min(waits.values())
        steps["accept"] = quickest
        steps["hold_off"] = max(waits.values()) - quickest
    ramps = [
        (r.rested_at - r.normal_at).total_seconds()
        for r in returns
        if r.rested_at is not None and r.normal_at is not None
    ]
    if ramps:
        steps["walk_in"] = max(ramps)
    return steps


@dataclass(frozen=True, slots=True)
class Learnt:
    """What the starts seen so far say: how many, the usual and the longest time to supply, s."""

    count: int
    median_s: float | None
    longest_s: float | None
    because: Reason


def learnt(starts: Sequence[SetStart], declared_s: float) -> Learnt:
    """Return what was learnt of a generator's starts, beside what is declared. Only starts with evidence count."""
    known = [start.supply_s for start in starts if start.ground is not SourceBasis.NONE]
    if not known:
        return Learnt(0, None, None, reason(Code.NO_START_ON_RECORD))
    longest = max(known)
    beyond = sum(value > declared_s for value in known)
    why = reason(Code.STARTS_SEEN, starts=len(known), longest_s=longest, declared_s=declared_s, beyond=beyond)
    return Learnt(len(known), float(median(known)), longest, why)
