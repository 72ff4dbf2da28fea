"""What the blocks showed of their life that were in a bank's place before those of now."""

from __future__ import annotations

from zlib import crc32

from rules.battery.assessment.evidence import BankEvidence, capacity_evidence
from rules.battery.assessment.findings import AssessedBank
from rules.battery.assessment.fusion import fuse
from rules.battery.assessment.life.by_class import aged
from rules.battery.assessment.life.shared_life import lesson
from rules.battery.model.health import anchor_for
from rules.battery.model.runtime_curve import curve_for
from rules.battery.state import Blocks, LifeLesson
from rules.plant.estate import FittedBank
from rules.values.verdict import Basis


def blocks_of(evidence: BankEvidence, fitted: FittedBank) -> Blocks:
    """Return which blocks these are, for what they share with others."""
    return Blocks(evidence.bank.id, fitted.type, evidence.site, fitted.from_day)


def seed_of(of: Blocks) -> int:
    """Return the seed of some blocks: the same lives are drawn at every judgement."""
    return crc32(f"{of.place} {of.type} {of.from_day}".encode())


def lessons_before(evidence: BankEvidence, now: FittedBank) -> tuple[LifeLesson, ...]:
    """Return what the discharges of earlier blocks showed of their life, those with any, oldest first.

    When and why they were taken out says nothing: blocks are renewed for many reasons.
    """
    found = [_lesson(evidence, one) for one in evidence.bank.fitted if one.from_day < now.from_day]
    return tuple(one for one in found if one is not None)


def _lesson(evidence: BankEvidence, fitted: FittedBank) -> LifeLesson | None:
    until = fitted.until_day or evidence.as_of.date()
    own = sorted(
        (d for d in evidence.discharges if fitted.from_day <= d.at.date() < until), key=lambda d: d.at
    )
    case, curve = AssessedBank(evidence, fitted, tuple(own)), curve_for(fitted)
    seen = capacity_evidence(own)
    if not seen or curve.basis is Basis.NONE:
        return None
    age, prior = aged(case, until)
    of = blocks_of(evidence, fitted)
    return lesson(of, fuse(age, prior, seen, anchor_for(curve), seed_of(of)), prior)
