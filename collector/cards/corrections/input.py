"""Scales of the input and the bypass, judged against the output once that is known.

A converter takes in what it gives out and its losses; a bypass takes in what it gives out. Both fix the power of
ten of watts, or of amperes where watts are missing; the power factor does the rest, as on the output.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import sqrt
from typing import Any, Final

from collector.cards.corrections.sample import Sample
from collector.cards.mib.correction_set import Correction, Ruling
from rules.plant.reading import DoubtKind

ENOUGH: Final = 5
_BYPASS_SOURCE: Final = 4
_POWERS: Final = tuple(range(-3, 4))
# Input watts over output watts: losses, recharging and displays that round; narrower than a power of ten
_INPUT_SHARE: Final = (0.9, 2.2)
_BYPASS_SHARE: Final = (0.85, 1.2)
_PF: Final = (0.5, 1.04)
_ROOT3: Final = sqrt(3.0)
_YOUNG, _SELDOM = 60, 5
_LEAST_W: Final = 300.0
_HIGH_BAND: Final = (330.0, 530.0)


@dataclass(frozen=True, slots=True)
class _Objects:
    volts: str
    amperes: str
    watts: str


_INPUT: Final = _Objects("upsInputVoltage", "upsInputCurrent", "upsInputTruePower")
_BYPASS: Final = _Objects("upsBypassVoltage", "upsBypassCurrent", "upsBypassPower")


def _key(power: int) -> str:
    return f"1e{power}"


@dataclass(slots=True)
class FeedLearner:
    """Learns the scales of input and bypass. Tallies count, by object, the powers of ten that fit."""

    tallies: dict[str, dict[str, int]]
    unfit: dict[str, bool] = field(default_factory=dict)
    high: dict[str, bool] = field(default_factory=dict)
    polls: int = 0

    def observe(self, sample: Sample, output_w: float | None, output_v: float | None) -> None:
        """Take in one poll; `output_w` and `output_v` as corrected, None while they are not known."""
        self.polls += 1
        if self.polls > _YOUNG and self.polls % _SELDOM and not any(self.unfit.values()):
            return  # a card that has fitted for long is looked at now and then
        for names in (_INPUT, _BYPASS):
            self._look(sample, names, output_v)
        if output_w is None or output_w < _LEAST_W:
            return
        if sample.on_mains:
            self._judge(sample, _INPUT, output_w, _INPUT_SHARE, output_v)
        elif sample.source == _BYPASS_SOURCE:
            self._judge(sample, _BYPASS, output_w, _BYPASS_SHARE, output_v)

    def _judge(
        self,
        sample: Sample,
        names: _Objects,
        output_w: float,
        share: tuple[float, float],
        output_v: float | None,
    ) -> None:
        volts, amperes, watts = (sample.lines(n) for n in (names.volts, names.amperes, names.watts))
        per_line = _ROOT3 if self._is_line_to_line(volts, output_v) else 1.0
        total_w = sum(watts.values())
        total_va = sum(volts[line] / per_line * amperes[line] for line in volts.keys() & amperes.keys())
        fits_w = [n for n in _POWERS if total_w and share[0] <= total_w * 10.0**n / output_w <= share[1]]
        # Volt-amperes are at least the watts, and at most twice as many.
        fits_a = [
            n for n in _POWERS if total_va and share[0] <= total_va * 10.0**n / output_w <= share[1] / _PF[0]
        ]
        if total_w and fits_w and total_va:
            real_w = total_w * 10.0 ** fits_w[0]
            fits_a = [n for n in fits_a if _PF[0] <= real_w / (total_va * 10.0**n) <= _PF[1]]
        if total_w:
            self._count(names.watts, fits_w)
        if total_va:
            self._count(names.amperes, fits_a)

    def _look(self, sample: Sample, names: _Objects, output_v: float | None) -> None:
        """Note what one poll shows by itself: volts that may be of either kind, watts that fit no power factor."""
        volts = sample.lines(names.volts)
        if not volts or not any(volts.values()):
            return
        self.high[names.volts] = len(volts) > 2 and all(
            _HIGH_BAND[0] <= v <= _HIGH_BAND[1] for v in volts.values()
        )
        if output_v and len(volts) > 2:
            tally = self.tallies.setdefault(names.volts, {})
            key = "line_to_line" if self._is_line_to_line(volts, output_v) else "line_to_neutral"
            tally[key] = min(tally.get(key, 0) + 1, 10000)
        amperes, watts = sample.lines(names.amperes), sample.lines(names.watts)
        va = sum(v * amperes.get(line, 0.0) for line, v in volts.items())
        total_w = sum(watts.values())
        if va > 0.0 and total_w > 0.0:
            found = self._factors(names)
            share = total_w * found[1] / (va * found[0])
            self.unfit[names.watts] = not 0.4 <= share <= 1.1

    def _factors(self, names: _Objects) -> tuple[float, float]:
        """Return what amperes and watts are multiplied by just now."""
        known = {c.object: c.factor for n in (names.amperes, names.watts) for c in self._scale(n)}
        volts = 1 / _ROOT3 if self._decided_high(names) else 1.0
        return known.get(names.amperes, 1.0) * volts, known.get(names.watts, 1.0)

    @staticmethod
    def _is_line_to_line(volts: Mapping[int, float], output_v: float | None) -> bool:
        """Return whether volts are 1.73 times the output's, which is known to be line to neutral."""
        if len(volts) < 3 or not output_v:
            return False
        ratio = sum(volts.values()) / len(volts) / output_v
        return 0.93 * _ROOT3 <= ratio <= 1.07 * _ROOT3

    def _decided_high(self, names: _Objects) -> bool:
        tally = self.tallies.get(names.volts, {})
        high = tally.get("line_to_line", 0)
        return high >= ENOUGH and high > 20 * tally.get("line_to_neutral", 0)

    def _count(self, name: str, powers: list[int]) -> None:
        tally = self.tallies.setdefault(name, {})
        for key in [_key(n) for n in powers] or ["none"]:
            tally[key] = min(tally.get(key, 0) + 1, 10000)

    def corrections(self) -> list[Correction]:
        """Return what follows for each object."""
        found = []
        for names in (_INPUT, _BYPASS):
            if self._decided_high(names):
                reason = "is 1.73 times the output's: volts from line to line"
                found.append(Correction(names.volts, DoubtKind.BASE, reason, factor=1 / _ROOT3))
            elif (
                self.high.get(names.volts)
                and self.tallies.get(names.volts, {}).get("line_to_neutral", 0) < ENOUGH
            ):
                reason = "may be from line to line or from line to neutral: the output has not told yet"
                found.append(Correction(names.volts, DoubtKind.UNPROVEN, reason, Ruling.NOT_KNOWN))
            scales = self._scale(names.amperes) + self._scale(names.watts)
            if self.unfit.get(names.watts) and not scales:
                reason = "amperes and watts do not fit each other; the output has not told yet which is wrong"
                scales = [
                    Correction(name, DoubtKind.UNPROVEN, reason, Ruling.NOT_KNOWN)
                    for name in (names.amperes, names.watts)
                ]
            found += scales
        return found

    def _scale(self, name: str) -> list[Correction]:
        tally = self.tallies.get(name, {})
        seen = sum(tally.values())
        if not seen or tally.get(_key(0), 0) >= 0.5 * seen:
            return []
        best = max(tally, key=lambda key: tally[key])
        count = tally[best]
        if best == "none" or count < ENOUGH or count < 0.8 * seen:
            if seen < ENOUGH and best == "none":
                return []  # a moment of recharging or of rest says little
            reason = "does not fit what the output carries"
            return [Correction(name, DoubtKind.UNPROVEN, reason, Ruling.NOT_KNOWN, evidence=count)]
        factor = float(best)
        times = f"{1 / factor:g} times too large" if factor < 1 else f"{factor:g} times too small"
        reason = f"{times}: only so does it fit what the output carries"
        return [Correction(name, DoubtKind.SCALE, reason, factor=factor, evidence=count)]

    def as_json(self) -> dict[str, Any]:
        """Return what is to be remembered."""
        return {"tallies": self.tallies}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> FeedLearner:
        """Return a learner that remembers."""
        return cls({name: dict(tally) for name, tally in data["tallies"].items()})
