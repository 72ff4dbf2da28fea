"""What the dates of a bank rest on: what must have changed for something else to be said of it."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace

from rules.battery.assessment.findings import AssessedBank
from rules.battery.state import LifeLesson, RestsOn


def rests_on(case: AssessedBank, taught: Sequence[LifeLesson], teaches: tuple[LifeLesson, ...]) -> RestsOn:
    """Return what the dates rest on; noise in what is read is none of it."""
    evidence, fitted = case.evidence, case.fitted
    asked = evidence.asked
    shown = repr(
        [(d.at, d.kind, d.used, d.fraction, d.low, d.high, d.ended, d.failed) for d in case.discharges]
    )
    declared = repr((replace(evidence.bank, fitted=()), fitted, evidence.rating_w, evidence.next_test))
    return RestsOn(
        judged_on=case.today,
        blocks=f"{fitted.type} {fitted.from_day}",
        declared=_short_digest(declared),
        told=_short_digest(shown),
        last_discharge=case.discharges[-1].at.date() if case.discharges else None,
        required_s=None if asked is None else asked.required_s,
        asked_w=None if asked is None else asked.output_power_w,
        awaits=asked is None and evidence.awaits,
        others=_short_digest(repr(taught)) if taught else "",
        teaches=teaches,
    )


def _short_digest(text: str) -> str:
    return hashlib.blake2b(text.encode(), digest_size=8).hexdigest()
