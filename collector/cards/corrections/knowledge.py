"""Everything learnt about one card: from poll to poll, over restarts, until the equipment changes.

    known = CardKnowledge.fresh()                       # or CardKnowledge.from_json(kept, declared)
    reading = known.interpret(unit, stamp, state, declared)   # learns from the state, then decodes it
    known.corrections                                   # the set in force, with its id

`interpret` must be called with each poll's state, in order. It is quick (well under a millisecond), except
that a card whose values contradict each other is thought over now and then (some milliseconds).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from datetime import datetime
from math import log10
from operator import attrgetter
from typing import Any, Final

from collector.cards.corrections.bank import BankLearner
from collector.cards.corrections.clock import ClockLearner
from collector.cards.corrections.conflicts import conflicts
from collector.cards.corrections.input import FeedLearner
from collector.cards.corrections.lines import LineLearner
from collector.cards.corrections.load import LoadLearner, rating_corrections
from collector.cards.corrections.rests import Rests
from collector.cards.corrections.sample import NOTHING_DECLARED, Declared, Sample, sample_of
from collector.cards.corrections.source import SourceLearner
from collector.cards.mib.correction_set import STANDARD, Correction, CorrectionSet, Ruling
from collector.cards.mib.decode import decode
from collector.cards.mib.repeats import Repeats
from collector.cards.mib.wire_values import WireState
from rules.plant.reading import DoubtKind, Reading, Stamp

FORM: Final = 1
_but_evidence: Final = attrgetter(*(item.name for item in fields(Correction) if item.name != "evidence"))
NEAR_A_POWER: Final = 0.1
_ENGINE: Final = "snmpEngineID"
_IDENTITY: Final = (
    "upsIdentManufacturer",
    "upsIdentModel",
    "upsIdentUPSSoftwareVersion",
    "upsIdentAgentSoftwareVersion",
    "upsConfigOutputVA",
    "upsConfigOutputPower",
)


@dataclass(frozen=True, slots=True)
class IdentityChange:
    """One thing that identifies the equipment, before and after."""

    object: str
    before: str | None
    after: str | None


@dataclass(slots=True)
class CardKnowledge:
    """What is known of one card.

    `identity` is what the nameplate said when learning began. `changed` tells what differed in the newest
    state, empty otherwise: whatever had been learnt was set aside then, and learning began anew.
    """

    load: LoadLearner
    bank: BankLearner
    feed: FeedLearner
    lines: LineLearner
    clock: ClockLearner
    source: SourceLearner
    identity: dict[str, str] = field(default_factory=dict)
    changed: tuple[IdentityChange, ...] = ()
    corrections: CorrectionSet = STANDARD
    polls: int = 0
    rests: Rests = field(default_factory=Rests)
    repeats: Repeats = field(default_factory=Repeats)

    @classmethod
    def fresh(cls) -> CardKnowledge:
        """Return what is known of a card never seen before: nothing."""
        return cls(
            LoadLearner(),
            BankLearner.fresh(),
            FeedLearner({}),
            LineLearner({}),
            ClockLearner(),
            SourceLearner(),
        )

    def interpret(
        self,
        unit: str,
        stamp: Stamp,
        state: WireState,
        declared: Declared = NOTHING_DECLARED,
        *,
        counted_at: datetime | None = None,
    ) -> Reading:
        """Learn from a state, then return what it means for `unit`, with all its doubts.

        `counted_at`: its moment by a clock that nobody set since the start, where that is another.
        """
        self.observe(state, counted_at or stamp.at, declared)
        reading = decode(unit, stamp, state, self.corrections, self.repeats)
        found = conflicts(reading, state)
        return replace(reading, doubts=reading.doubts + found) if found else reading

    def observe(self, state: WireState, at: datetime, declared: Declared = NOTHING_DECLARED) -> None:
        """Learn from one poll and bring `corrections` up to date."""
        self._check_identity(state)
        self.polls += 1
        self.clock.observe(state.values, at)
        if self.clock.stale is None and self.changed == () and self.rests.again(state, self.corrections):
            return
        numbering = self.corrections.by_object.get("upsOutputSource")
        sample = sample_of(state, at, by_clause=numbering is not None and numbering.ruling is Ruling.CLAUSE)
        if self.clock.stale is None:
            self.load.observe(sample, declared)
            found = {c.object: c for c in self.load.corrections()}
            self.bank.observe(sample, declared, _factor(found, "upsOutputPower") or 1.0)
            self.feed.observe(sample, _output_watts(sample, found), _output_volts(sample, found))
            self.lines.observe(sample)
            self.source.observe(sample_of(state, at) if sample.by_clause else sample)
        self._conclude(sample, declared)

    def forget(self) -> None:
        """Unlearn everything, as after a change of equipment or at a person's wish."""
        fresh = CardKnowledge.fresh()
        self.load, self.bank, self.feed, self.lines = fresh.load, fresh.bank, fresh.feed, fresh.lines
        self.source, self.rests = fresh.source, fresh.rests
        self.corrections, self.polls = STANDARD, 0

    def told_total(self, watts: float, declared: Declared = NOTHING_DECLARED) -> None:
        """Take in the output watts a person read at the cabinet: they break ties between scales."""
        self.load.total_w = watts
        self.load.think(declared)

    def told_ratio(self, ratio: float, declared: Declared = NOTHING_DECLARED) -> bool:
        """Take in the card's watts over those a person read at the cabinet at the same moment.

        Return whether a power of ten was plain from it (within a quarter). It holds however the load moves on.
        """
        if ratio <= 0.0:
            return False
        power = round(log10(ratio))
        if abs(log10(ratio) - power) > NEAR_A_POWER:
            return False
        self.load.told_factor = 10.0**-power
        self.load.think(declared)
        return True

    def _check_identity(self, state: WireState) -> None:
        self.changed = ()
        known = state.since and state.since == self.rests.number
        if known and state.engine_id is None and self.identity and _ENGINE not in self.identity:
            return  # no more than numbers of the live part moved since the last poll
        now = {name: str(state.values[name]) for name in _IDENTITY if name in state.values}
        if not now:
            return
        before = self.identity
        engine = state.engine_id or before.get(
            _ENGINE
        )  # read without SNMPv3 for once, nothing is known to differ
        if engine is not None:
            now[_ENGINE] = engine
            before = {_ENGINE: engine, **before} if before else before  # seen for the first time is no change
        if before and now != before:
            names = [name for name in (*_IDENTITY, _ENGINE) if now.get(name) != before.get(name)]
            self.changed = tuple(IdentityChange(n, self.identity.get(n), now.get(n)) for n in names)
            self.forget()
        self.identity = now

    def _conclude(self, sample: Sample, declared: Declared) -> None:
        found = {c.object: c for c in self.load.corrections()}
        card_va, card_w = sample.get("upsConfigOutputVA"), sample.get("upsConfigOutputPower")
        for rated in rating_corrections(card_va, card_w, declared):
            if (
                rated.ruling is not Ruling.NOT_KNOWN or rated.object not in found
            ):  # what the load showed is better than a doubt
                found[rated.object] = rated
        found |= {c.object: c for c in self.bank.corrections(declared)}
        found |= {c.object: c for c in self.feed.corrections() + self.source.corrections()}
        for name, factor in (declared.overrides or {}).items():
            found.pop(name, None)
            if factor is None:
                reason = "not to be believed, as the estate file says"
                found[name] = Correction(name, DoubtKind.UNPROVEN, reason, Ruling.NOT_KNOWN, declared=True)
            elif factor != 1.0:
                reason = f"times {factor:g}, as the estate file says"
                found[name] = Correction(name, DoubtKind.SCALE, reason, factor=factor, declared=True)
        fresh = CorrectionSet(found, self.lines.absent(declared), self.clock.stale)
        if not _says_the_same(fresh, self.corrections):
            self.corrections = fresh

    def as_json(self) -> dict[str, Any]:
        """Return what is to be remembered, evidence and all."""
        return {
            "form": FORM,
            "identity": self.identity,
            "polls": self.polls,
            "load": self.load.as_json(),
            "bank": self.bank.as_json(),
            "feed": self.feed.as_json(),
            "lines": self.lines.as_json(),
            "clock": self.clock.as_json(),
            "source": self.source.as_json(),
            "corrections": self.corrections.as_json(),
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any], declared: Declared = NOTHING_DECLARED) -> CardKnowledge:
        """Return what was remembered. Knowledge in a form no longer understood is forgotten, not guessed at."""
        if data.get("form") != FORM:
            return cls.fresh()
        return cls(
            load=LoadLearner.from_json(data["load"], declared),
            bank=BankLearner.from_json(data["bank"]),
            feed=FeedLearner.from_json(data["feed"]),
            lines=LineLearner.from_json(data["lines"]),
            clock=ClockLearner.from_json(data["clock"]),
            source=SourceLearner.from_json(data["source"]),
            identity=dict(data["identity"]),
            polls=int(data["polls"]),
            corrections=CorrectionSet.from_json({**data["corrections"], "stale": None}),
        )


def _factor(found: Mapping[str, Correction], name: str) -> float | None:
    """Return what an object is multiplied by, None while it is not known."""
    known = found.get(name)
    if known is None:
        return 1.0
    return None if known.ruling is Ruling.NOT_KNOWN else known.factor


def _output_watts(sample: Sample, found: Mapping[str, Correction]) -> float | None:
    total, factor = sample.total("upsOutputPower"), _factor(found, "upsOutputPower")
    return None if total is None or factor is None else total * factor


def _output_volts(sample: Sample, found: Mapping[str, Correction]) -> float | None:
    volts, factor = sample.lines("upsOutputVoltage"), _factor(found, "upsOutputVoltage")
    return sum(volts.values()) / len(volts) * factor if volts and factor is not None else None


def _says_the_same(one: CorrectionSet, other: CorrectionSet) -> bool:
    """Return whether two sets do and say the same; how much evidence there is by now does not matter."""
    if one.absent_lines != other.absent_lines or bool(one.stale) != bool(other.stale):
        return False
    if one.by_object.keys() != other.by_object.keys():
        return False
    return all(_but_evidence(c) == _but_evidence(other.by_object[name]) for name, c in one.by_object.items())
