"""One sample of a card's output, and which powers of ten, base and volts fit it.

Per line, volts times amperes times a power factor of 0.5 to 1.02 are watts. For each sample every combination of
exponents, volts (line to neutral, or line to line) and percent base is tried, with the rounding of each value as an
interval.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import StrEnum
from math import sqrt
from typing import Final

from collector.cards.corrections.sample import Declared, Sample

_PF_LOW, _PF_HIGH = 0.5, 1.02


_LEAST_PERCENT: Final = 15.0
_BORNE: Final = 1.4


POWERS: Final = tuple(10.0**n for n in range(-3, 4))


KILO: Final = 1000.0


SMALLEST_RATING_VA, LARGEST_RATING_VA = 300.0, 4e6


_TYPICAL_LINE_VA: Final = 10_000.0


_LINE_TO_LINE_BAND: Final = (330.0, 530.0)


_LOW_LINE_TO_LINE_BAND: Final = (170.0, 260.0)


_POINTS: Final = 2.0


class Base(StrEnum):
    """What a card's percent of load is a percentage of."""

    LINE = "line"  # RFC 1628: the larger of W and VA, of one line's rating
    LINE_W = "line_w"
    LINE_VA = "line_va"
    UNIT = "unit"  # a share of the whole unit: three rows add up to the unit's percent
    TOTAL = "total"  # the unit's percent, repeated in every row


@dataclass(frozen=True, slots=True)
class Candidate:
    """One way to read a card: factors on the standard's scales, and the base of its percent."""

    amperes: float = 1.0
    watts: float = 1.0
    volts: float = 1.0
    rating: float = 1.0
    base: Base = Base.LINE
    percent: float = 1.0

    def steps_aside(self, high: bool = False) -> frozenset[tuple[str, float | str]]:
        """Return where this differs from the standard's reading. `high`: volts that may be of either kind.

        Of two that explain the same, one whose steps are among the other's is the better: nobody
        need believe in a second oddity where the first suffices. Different steps stay rivals.
        """
        pairs = ((item.name, getattr(self, item.name)) for item in fields(self))
        return frozenset(p for p in pairs if p[1] not in {1.0, Base.LINE} or (high and p[0] == "volts"))


STANDARD_READING: Final = Candidate()


Row = tuple[float, float, float, float | None]
"""Volts, amperes, watts and percent of one line, by the standard's scales."""


@dataclass(frozen=True, slots=True)
class LoadSample:
    """The loaded lines of one poll, and the ratings the card gives; `lines` counts all its output lines."""

    rows: tuple[Row, ...]
    lines: int
    card_va: float | None
    card_w: float | None

    @property
    def high(self) -> bool:
        """Return whether all volts could be from line to line.

        Of a 230 V system they show by their size. Of a 120 V system they are as large as another's volts to neutral;
        there a power factor that is poor on every line, and fair once divided by 1.73, leaves it open.
        """
        low, high = _LINE_TO_LINE_BAND
        if all(low <= row[0] <= high for row in self.rows):
            return True
        return self.lines > 2 and all(
            _LOW_LINE_TO_LINE_BAND[0] <= volts <= _LOW_LINE_TO_LINE_BAND[1]
            and 0.42 <= watts / (volts * amperes) <= 0.6
            for volts, amperes, watts, _ in self.rows
        )

    def without_percent(self) -> LoadSample:
        """Return the sample as if the card gave no percent."""
        rows = tuple((volts, amperes, watts, None) for volts, amperes, watts, _ in self.rows)
        return LoadSample(rows, self.lines, self.card_va, self.card_w)

    def without_rating(self) -> LoadSample:
        """Return the sample with nothing but volts, amperes and watts."""
        return LoadSample(self.without_percent().rows, self.lines, None, None)


def load_sample(sample: Sample) -> LoadSample | None:
    """Return what one poll can say of scales: None unless a line carries a load worth judging by."""
    volts, amperes = sample.lines("upsOutputVoltage"), sample.lines("upsOutputCurrent")
    watts, percent = sample.lines("upsOutputPower"), sample.lines("upsOutputPercentLoad")
    alive = [line for line in volts if volts[line] > 0 and (watts.get(line) or amperes.get(line))]
    card_va, card_w = sample.get("upsConfigOutputVA"), sample.get("upsConfigOutputPower")
    rated = (card_va or card_w or 0.0) / max(1, len(alive))
    rows = tuple(
        (volts[line], amperes[line], watts[line], percent.get(line))
        for line in alive
        if amperes.get(line, 0.0) > 0
        and watts.get(line, 0.0) > 0
        and (
            percent.get(line, 100.0) >= _LEAST_PERCENT
            or _tenfold_apart(volts[line] * amperes[line], watts[line], rated)
        )
    )
    if not rows or (sample.bypassed and _more_than_rated(rows, rated)):
        return None
    return LoadSample(rows, len(alive), card_va, card_w)


def _more_than_rated(rows: tuple[Row, ...], rated: float) -> bool:
    """Return whether lines take more than any inverter bears, and the standard's percent, which ends at 200, can follow.

    A bypass carries it, and then neither the rating nor the percent says anything of the scales. `rated` as in `_tenfold_apart`.
    """
    rating = rated * KILO if 0.0 < rated < SMALLEST_RATING_VA / 3.0 else rated
    return rating > 0.0 and sum(row[2] for row in rows) > _BORNE * rating * len(rows)


def _tenfold_apart(va: float, watts: float, rated: float) -> bool:
    """Return whether a line's volt-amperes and watts contradict each other whatever its percent says.

    Small loads have poor power factors, and say nothing; a tenth of the volt-amperes has none that is no small load.
    `rated`: the card's rating of a line, in kVA where it is too small to be in VA; 0 where it gives none.
    """
    rating_va = rated * KILO if 0.0 < rated < SMALLEST_RATING_VA / 3.0 else rated or _TYPICAL_LINE_VA
    large, small = max(va, watts), min(va, watts)
    return large >= _LEAST_PERCENT / 100.0 * rating_va and small < 0.1 * large


def fits(sample: LoadSample, how: Candidate, declared: Declared) -> bool:
    """Return whether a sample, read this way, contradicts neither itself nor the rating."""
    rating_va = declared.rating_va or _rated(sample.card_va, how.rating)
    rating_w = declared.rating_w or _rated(sample.card_w, how.rating) or rating_va
    rating_va = rating_va or rating_w
    if rating_va is not None and not SMALLEST_RATING_VA <= rating_va <= LARGEST_RATING_VA:
        return False
    total_w = total_va = 0.0
    read: list[tuple[tuple[float, float], tuple[float, float], float | None]] = []
    for volts, amperes, watts, percent in sample.rows:
        # One step of each value's resolution either way: cards round, truncate, and measure a moment apart.
        watts_low, watts_high = (max(watts - 1.0, 0.0) * 0.97 * how.watts, (watts + 1.0) * 1.03 * how.watts)
        amps_low, amps_high = (max(amperes - 0.1, 0.0) * how.amperes, (amperes + 0.1) * how.amperes)
        va_low, va_high = volts * how.volts * amps_low * 0.97, volts * how.volts * amps_high * 1.03
        if watts_high < _PF_LOW * va_low or watts_low > _PF_HIGH * va_high:
            return False
        total_w += watts * how.watts
        total_va += volts * how.volts * amperes * how.amperes
        read.append(((watts_low, watts_high), (va_low, va_high), percent))
    if rating_va is None or rating_w is None:
        return True
    if total_w > 1.5 * rating_w or total_va > 1.6 * rating_va:
        return False
    return all(
        percent is None
        or _percent_fits(
            percent * how.percent,
            _shares(watts, va, how.base, rating_w, rating_va, sample.lines, (total_w, total_va)),
        )
        for watts, va, percent in read
    )


def _rated(card: float | None, factor: float) -> float | None:
    return card * factor if card else None


Range = tuple[float, float]


def _shares(  # noqa: PLR0917 - the terms of one formula
    watts: Range,
    va: Range,
    base: Base,
    rating_w: float,
    rating_va: float,
    lines: int,
    totals: tuple[float, float],
) -> Range:
    """Return the range in which the percent must lie if it has this base."""
    if base is Base.TOTAL:
        share = 100.0 * max(totals[0] / rating_w, totals[1] / rating_va)
        return share * 0.97, share * 1.03
    parts = 1 if base is Base.UNIT else lines
    of_watts = (100.0 * watts[0] * parts / rating_w, 100.0 * watts[1] * parts / rating_w)
    of_va = (100.0 * va[0] * parts / rating_va, 100.0 * va[1] * parts / rating_va)
    if base is Base.LINE_W:
        return of_watts
    if base is Base.LINE_VA:
        return of_va
    return max(of_watts[0], of_va[0]), max(of_watts[1], of_va[1])


def _percent_fits(percent: float, share: Range) -> bool:
    if percent in {100.0, 200.0} and share[1] >= percent:
        return True  # a percent that stops at its limit says only "at least"
    return share[0] - _POINTS <= percent <= share[1] + _POINTS


def volts_of(sample: LoadSample) -> tuple[float, ...]:
    """Return what volts may be between line and neutral over those told: the same, or told between lines."""
    return (1.0, 1.0 / sqrt(3.0)) if sample.lines > 1 else (1.0,)
