"""Amperes, watts, percent and ratings of the output: which powers of ten, which base, which volts.

Theory. Per line, volts times amperes times a power factor of 0.5 to 1.02 are watts. That range spans less
than a power of ten, so it fixes the exponent of watts over amperes, and nothing more. What fixes both
is the card's percent against a rating, since RFC 1628 defines it: the larger of the shares of the line's
watts and volt-amperes. So for each sample every combination of exponents, volts (line to neutral, or
line to line) and percent base is tried, with the rounding of each value as an interval, and what
contradicts too many samples is dropped.

The standard's own reading is privileged: while it contradicts nothing, nothing is corrected. Once it is
contradicted, a value counts only if every surviving combination says the same of it; until then it is
not known. Two survivors that differ leave it undecided for as long as that takes.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import product
from math import isclose, log10
from typing import Any, Final

from collector.cards.corrections.load_sample import (
    KILO,
    POWERS,
    SMALLEST_RATING_VA,
    STANDARD_READING,
    Base,
    Candidate,
    LoadSample,
    fits,
    load_sample,
    volts_of,
)
from collector.cards.corrections.sample import NOTHING_DECLARED, Declared, Sample
from collector.cards.mib.correction_set import Correction, Ruling
from rules.plant.reading import DoubtKind

ENOUGH: Final = 5


_KEPT: Final = 12


_THINK_AT: Final = frozenset({1, ENOUGH, 8, _KEPT})


_THINK_EVERY: Final = 52


_AGREEING: Final = 0.8


def _refinements(how: Candidate, sample: LoadSample, declared: Declared) -> Iterator[Candidate]:
    """Yield `how` with every rating, base and scale of percent that is worth trying."""
    ratings = (1.0,) if declared.rating_va or declared.rating_w else (1.0, KILO)
    has_percent = any(row[3] is not None for row in sample.rows)
    bases: tuple[Base, ...] = (Base.LINE,)
    if has_percent:
        if (
            not sample.high and how.volts == 1.0
        ):  # a percent of watts alone would explain line-to-line volts away
            bases += (Base.LINE_W, Base.LINE_VA)
        if sample.lines > 1:
            bases += (Base.UNIT, Base.TOTAL)
    # RFC 1628 ends at 200 %: more than that on any line can only be tenths, less can only be what it says.
    tenths = any(row[3] is not None and row[3] > 200.0 for row in sample.rows)
    for rating, base, percent in product(ratings, bases, (0.1,) if tenths else (1.0,)):
        yield Candidate(how.amperes, how.watts, how.volts, rating, base, percent)


@dataclass(slots=True)
class LoadLearner:
    """Learns how a card's output values are to be read. `declared` may change between calls."""

    kept: deque[LoadSample] = field(default_factory=lambda: deque(maxlen=_KEPT))
    agreed: int = 0
    contradicted: bool = False
    decided: tuple[Candidate, ...] | None = None
    without_percent: bool = False
    total_w: float | None = None
    told_factor: float | None = None
    """The factor of watts that a reading at the cabinet showed, kept from then on whatever the load does."""
    _since_decided: int = 0

    def observe(self, sample: Sample, declared: Declared) -> None:
        """Take in one poll."""
        seen = load_sample(sample)
        if seen is None:
            return
        if not self.contradicted and not self._both_volts(seen):
            if fits(seen, STANDARD_READING, declared):
                self.agreed = min(self.agreed + 1, 1000)
                return
            self.contradicted = True
            self.kept.clear()
        self.kept.append(seen)
        self.contradicted = True
        self._since_decided += 1
        # Trying every way takes milliseconds; a card that stays undecided is thought over less and less often.
        if (
            len(self.kept) in _THINK_AT and self._since_decided <= _KEPT
        ) or self._since_decided >= _THINK_EVERY:
            if not self._settled(seen, declared):
                self.think(declared)
            if len(self.kept) == _KEPT:
                self._since_decided = _KEPT + 1

    def _settled(self, seen: LoadSample, declared: Declared) -> bool:
        """Return whether one way was left, and still explains what comes."""
        ways = self.decided
        return (
            ways is not None and len(ways) == 1 and len(self.kept) > ENOUGH and fits(seen, ways[0], declared)
        )

    @staticmethod
    def _both_volts(seen: LoadSample) -> bool:
        """Return whether the volts may be line to line: then the standard's reading has no privilege."""
        return seen.lines > 1 and seen.high

    def think(self, declared: Declared) -> None:
        """Try every way to read the samples kept, and keep those that explain them."""
        if not self.kept:
            return
        need = max(1, round(_AGREEING * len(self.kept)))
        self.without_percent = False
        alive = self._survivors(self.kept, declared, need)
        if not alive:
            alive = self._survivors(deque(s.without_percent() for s in self.kept), declared, need)
            self.without_percent = True
        standard = [how for how in alive if how == STANDARD_READING]
        if standard and not self._both_volts(self.kept[-1]):
            if not self.without_percent and len(self.kept) >= ENOUGH:
                self.contradicted, self.decided, self.agreed = False, None, len(self.kept)  # a passing moment
                self.kept.clear()
                return
            alive = standard
        self.decided = tuple(alive)

    def _survivors(self, kept: deque[LoadSample], declared: Declared, need: int) -> list[Candidate]:
        found = []
        bare = [s.without_rating() for s in kept]
        for amperes, watts, volts in product(POWERS, POWERS, volts_of(kept[-1])):
            how = Candidate(amperes, watts, volts)
            if not _fits_most(bare, how, NOTHING_DECLARED, need):
                continue  # the power factor alone forbids it, whatever the rating and the percent
            if self.total_w is not None and not self._meets_total(kept[-1], how):
                continue
            if self.told_factor is not None and not isclose(how.watts, self.told_factor):
                continue
            for finer in _refinements(how, kept[-1], declared):
                if _fits_most(kept, finer, declared, need):
                    found.append(finer)  # noqa: PERF401 - a comprehension of this depth hides the two sieves
        steps = {how: how.steps_aside(self._both_volts(kept[-1])) for how in found}
        return [how for how in found if not any(steps[other] < steps[how] for other in found)]

    def _meets_total(self, sample: LoadSample, how: Candidate) -> bool:
        """Return whether the watts of all lines come near a total that a person read at the cabinet."""
        assert self.total_w is not None  # noqa: S101
        total = sum(row[2] for row in sample.rows) * how.watts
        return 0.8 * self.total_w <= total <= 1.25 * self.total_w

    def corrections(self) -> list[Correction]:
        """Return what follows for each object; nothing where the standard's reading holds."""
        if not self.contradicted or not self.kept:
            return []
        count = len(self.kept)
        enough = count >= ENOUGH
        ways = self.decided or ()
        found: list[Correction] = []
        for name, factors, what in (
            ("upsOutputVoltage", {how.volts for how in ways}, "volts"),
            ("upsOutputCurrent", {how.amperes for how in ways}, "amperes"),
            ("upsOutputPower", {how.watts for how in ways}, "watts"),
        ):
            if factors == {1.0} and (enough or what != "volts" or not self._both_volts(self.kept[-1])):
                continue
            found += _one(name, factors, what, enough, count)
        found += self._percent(ways, enough, count)
        if ways and {how.rating for how in ways} == {KILO} and enough:
            reason = "gives its rating in kVA and kW: its watts exceed the figure, its percent fits a thousand times it"
            found += [
                Correction(name, DoubtKind.SCALE, reason, factor=KILO, evidence=count)
                for name in ("upsConfigOutputVA", "upsConfigOutputPower")
            ]
        return found

    def _percent(self, ways: tuple[Candidate, ...], enough: bool, count: int) -> list[Correction]:
        name = "upsOutputPercentLoad"
        if self.kept and all(row[3] is None for row in self.kept[-1].rows):
            return []
        if self.without_percent or not ways or not enough:
            reason = "does not fit the watts, amperes and rating in any way tried" if enough else _NOT_YET
            return [Correction(name, DoubtKind.UNPROVEN, reason, Ruling.NOT_KNOWN, evidence=count)]
        bases = {Base.LINE if how.base in {Base.LINE_W, Base.LINE_VA} else how.base for how in ways}
        scales = {how.percent for how in ways}
        if len(bases) > 1 or len(scales) > 1:
            reason = "two bases of the percentage fit what was seen"
            return [Correction(name, DoubtKind.BASE, reason, Ruling.NOT_KNOWN, evidence=count)]
        base, scale = bases.pop(), scales.pop()
        if base is Base.TOTAL:
            reason = "repeats the percentage of the whole unit in every line"
            return [Correction(name, DoubtKind.BASE, reason, Ruling.NOT_KNOWN, evidence=count)]
        lines = self.kept[-1].lines if base is Base.UNIT else 1
        if lines * scale == 1.0:
            return []
        reason = (
            "counts each line as a share of the whole unit"
            if base is Base.UNIT
            else "comes in tenths of a percent"
        )
        kind = DoubtKind.BASE if base is Base.UNIT else DoubtKind.SCALE
        return [Correction(name, kind, reason, factor=lines * scale, evidence=count)]

    def as_json(self) -> dict[str, Any]:
        """Return what is to be remembered."""
        return {
            "agreed": self.agreed,
            "contradicted": self.contradicted,
            "total_w": self.total_w,
            "told_factor": self.told_factor,
            "kept": [[list(map(list, s.rows)), s.lines, s.card_va, s.card_w] for s in self.kept],
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any], declared: Declared) -> LoadLearner:
        """Return a learner that remembers; what it concluded is concluded afresh."""
        learner = cls(
            agreed=int(data["agreed"]),
            contradicted=bool(data["contradicted"]),
            total_w=data["total_w"],
            told_factor=data.get("told_factor"),
        )
        for rows, lines, card_va, card_w in data["kept"]:
            learner.kept.append(
                LoadSample(tuple((r[0], r[1], r[2], r[3]) for r in rows), lines, card_va, card_w)
            )
        if learner.kept:
            learner.think(declared)
        return learner


def _fits_most(samples: Collection[LoadSample], how: Candidate, declared: Declared, need: int) -> bool:
    """Return whether a way explains `need` of the samples; told as soon as it cannot any more, as of nearly every way."""
    spare = len(samples) - need
    for sample in samples:
        if not fits(sample, how, declared):
            spare -= 1
            if spare < 0:
                return False
    return True


_NOT_YET: Final = "contradicts the other values of its line; too few samples yet to say which is wrong"


def _one(name: str, factors: set[float], what: str, enough: bool, count: int) -> list[Correction]:
    """Return the correction of one object: one factor that all survivors share, or not known."""
    if not enough:
        return [Correction(name, DoubtKind.UNPROVEN, _NOT_YET, Ruling.NOT_KNOWN, evidence=count)]
    if len(factors) != 1:
        why = "no reading of it fits" if not factors else "more than one reading of it fits"
        reason = f"{why} the other values; a reading at the cabinet would decide"
        return [Correction(name, DoubtKind.UNPROVEN, reason, Ruling.NOT_KNOWN, evidence=count)]
    (factor,) = factors
    if name == "upsOutputVoltage":
        reason = "gives volts from line to line: only divided by 1.73 do they fit amperes, watts and percent"
        return [Correction(name, DoubtKind.BASE, reason, factor=factor, evidence=count)]
    times = f"{1 / factor:g} times too large" if factor < 1 else f"{factor:g} times too small"
    reason = f"{times} for {what}: only so do volts, amperes, watts and percent fit together"
    return [Correction(name, DoubtKind.SCALE, reason, factor=factor, evidence=count)]


def rating_corrections(card_va: float | None, card_w: float | None, declared: Declared) -> list[Correction]:
    """Return corrections of a nameplate whose figures are a power of ten from the declared ones, or none's at all."""
    found = []
    for name, card, known in (
        ("upsConfigOutputVA", card_va, declared.rating_va),
        ("upsConfigOutputPower", card_w, declared.rating_w),
    ):
        if not card:
            continue
        if not known:
            if card < SMALLEST_RATING_VA and not declared.rating_va and not declared.rating_w:
                reason = f"no cabinet is rated at {card:g}: in thousands? read it from the plate"
                found.append(Correction(name, DoubtKind.SCALE, reason, Ruling.NOT_KNOWN, evidence=1))
            continue
        power = round(log10(known / card))
        if power and abs(known / card / 10.0**power - 1.0) <= 0.05:
            reason = f"gives {card:g} where {known:g} is declared"
            found.append(Correction(name, DoubtKind.SCALE, reason, factor=10.0**power, evidence=1))
    return found
