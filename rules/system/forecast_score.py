"""How good the predictions were: each simulated outage's true hold-up beside what was said before it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Prediction:
    """A hold-up as it was said at a moment: 5th, 50th and 95th percentile, seconds; None: cannot tell."""

    system: str
    at: datetime
    low_s: float | None
    median_s: float | None
    high_s: float | None


@dataclass(frozen=True, slots=True)
class Outcome:
    """An outage as it truly was. `hold_up_s` None: longer than was played out."""

    system: str
    at: datetime
    hold_up_s: float | None


@dataclass(frozen=True, slots=True)
class OutageScore:
    """One outage: what was said, what was so.

    `inside`: the truth lay in the 90 % interval. `safe`: it was not shorter than the low end, which is
    what was promised. `error` is the median's, as a share of the truth. None where nothing was said.
    """

    outcome: Outcome
    prediction: Prediction | None
    inside: bool | None
    safe: bool | None
    error: float | None


@dataclass(frozen=True, slots=True)
class Score:
    """All outages, newest last. Shares are of the outages that were predicted; None while there are none."""

    lines: tuple[OutageScore, ...]
    predicted: int
    inside_share: float | None
    safe_share: float | None
    median_error: float | None


def score(predictions: Sequence[Prediction], outcomes: Sequence[Outcome]) -> Score:
    """Return the score of the newest prediction made no later than each outage began."""
    lines = tuple(
        _line(outcome, _before(predictions, outcome)) for outcome in sorted(outcomes, key=lambda o: o.at)
    )
    inside = [line.inside for line in lines if line.inside is not None]
    safe = [line.safe for line in lines if line.safe is not None]
    errors = sorted(abs(line.error) for line in lines if line.error is not None)
    middle = len(errors) // 2
    return Score(
        lines,
        predicted=len(inside),
        inside_share=sum(inside) / len(inside) if inside else None,
        safe_share=sum(safe) / len(safe) if safe else None,
        median_error=None if not errors else (errors[middle] + errors[-middle - 1]) / 2.0,
    )


def _before(predictions: Sequence[Prediction], outcome: Outcome) -> Prediction | None:
    earlier = [p for p in predictions if p.system == outcome.system and p.at <= outcome.at]
    return max(earlier, key=lambda p: p.at, default=None)


def _line(outcome: Outcome, prediction: Prediction | None) -> OutageScore:
    if prediction is None or prediction.low_s is None or outcome.hold_up_s is None:
        return OutageScore(outcome, prediction, None, None, None)
    truth_s = outcome.hold_up_s
    safe = truth_s >= prediction.low_s
    inside = safe and (prediction.high_s is None or truth_s <= prediction.high_s)
    error = None if prediction.median_s is None else prediction.median_s / truth_s - 1.0
    return OutageScore(outcome, prediction, inside, safe, error)
