"""What somebody should know of a bank, gathered from its evidence: the rules of `condition` and `charging` applied."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np

from rules.battery.assessment.charging import differs_from_siblings
from rules.battery.assessment.evidence import BankEvidence, last_shown
from rules.battery.assessment.faults import (
    beyond_table,
    blocks_out_of_line,
    capacity_fell,
    not_shown,
    open_string,
    resistance_rise,
    shorted_cells,
    undersized,
)
from rules.battery.discharge.evidence import DischargeEvidence
from rules.battery.model.ageing import END_OF_LIFE
from rules.battery.model.health import BankBelief
from rules.battery.model.recharge import ABOUT_FULL, FULL
from rules.battery.state import BankFinding, SiblingFigure
from rules.plant.estate import FittedBank
from rules.values.reason import Reason
from rules.values.verdict import Basis

PROBES_APART_K: Final = 6.0
"""How far the temperatures of sound siblings may read apart: a probe sits in its own cabinet's air, some 3 K off either way."""
_SAME_RATE: Final = 0.7
"""How far apart, in ln of the published time, two discharges may be that are held against each other: at a higher rate more seems lost."""


@dataclass(frozen=True, slots=True)
class AssessedBank:
    """The evidence, with the blocks now in place and the discharges that are theirs, oldest first."""

    evidence: BankEvidence
    fitted: FittedBank
    discharges: tuple[DischargeEvidence, ...]

    @property
    def today(self) -> date:
        """Return the day of the judgement."""
        return self.evidence.as_of.date()


def whether_shown(case: AssessedBank, unseen: BankFinding | None = None) -> tuple[BankFinding, ...]:
    """Return that the bank has not been shown to carry its load, or failed when it was asked to.

    `unseen`: what is said of a bank that nothing was seen of, instead.
    """
    if unseen is not None:
        return (unseen,)
    discharges = case.discharges
    shown = last_shown(discharges)
    failed = bool(discharges) and discharges[-1].failed
    finding = not_shown(
        None if shown is None else shown.at.date(), case.fitted.from_day, case.today, failed=failed
    )
    return () if finding is None else (finding,)


def signs(case: AssessedBank) -> list[BankFinding]:
    """Return what the last discharge, the course of the discharges, and a person's meter say of single blocks."""
    evidence, discharges = case.evidence, case.discharges
    found: list[BankFinding | None] = []
    if discharges:
        last = discharges[-1]
        if last.offset_v is not None and last.offset_sd_v is not None:
            per_block = max(evidence.bank.cells * evidence.bank.strings // max(case.fitted.blocks, 1), 1)
            found.append(shorted_cells(last.offset_v, last.offset_sd_v, cells_per_block=per_block))
        if last.before_v is not None and last.lowest_v is not None:
            found.append(
                open_string(
                    last.before_v,
                    last.lowest_v,
                    last.opening_current_a,
                    cells=evidence.bank.cells,
                    strings=evidence.bank.strings,
                )
            )
    measured = [d for d in discharges if d.resistance_ohm]
    # a fall from rest counts polarisation too: only what was read in one way is held against another
    ohms = [d.resistance_ohm or 0.0 for d in measured if d.by_steps is measured[-1].by_steps]
    if len(ohms) >= 2:
        found.append(resistance_rise(ohms[-1], float(np.median(ohms[:3] if len(ohms) > 3 else ohms[:1]))))
    full = [d for d in discharges if _run_down(d)]
    if len(full) >= 2 and abs(np.log(full[-2].published_s / full[-1].published_s)) < _SAME_RATE:
        found.append(capacity_fell(full[-2].fraction or 0.0, full[-1].fraction or 0.0))
    for what, share in (("voltage", 0.02), ("resistance", 0.25)):
        readings = [h for h in evidence.hand if h.what == what]
        if readings:
            newest = max(readings, key=lambda h: h.on)
            found += blocks_out_of_line(dict(newest.values), what=what, least_share=share)
    return [f for f in found if f is not None]


def _run_down(one: DischargeEvidence) -> bool:
    """Return whether a discharge from about full on went so deep that its capacity was seen rather than judged."""
    began_full = max(one.missing or FULL) < ABOUT_FULL
    return one.fraction is not None and one.used >= 0.8 * one.fraction and began_full


def _worn(belief: BankBelief) -> bool | None:
    """Return whether a bank is at its end of life; None where age alone speaks, or its interval leaves it open."""
    if belief.unproven:
        return None
    low, middle = np.quantile(belief.health, (0.05, 0.5))
    if middle < END_OF_LIFE:
        return True
    return False if low >= END_OF_LIFE else None


def size(case: AssessedBank, belief: BankBelief, offers: Sequence[Reason]) -> list[BankFinding]:
    """Return that the bank is too small for what is asked, whatever its age, or asked more than its table prints.

    `offers`: what helps; empty where it is not too small.
    """
    asked = case.evidence.asked
    if asked is None or belief.basis is Basis.NONE:
        return []
    found = []
    if offers:
        new_s = float(belief.curve.seconds(belief.power_w_per_cell(asked.output_power_w)))
        found.append(undersized(asked.output_power_w, asked.required_s, new_s, offers, worn=_worn(belief)))
    if belief.beyond_table(asked.output_power_w):
        curve, power = belief.curve, belief.power_w_per_cell(asked.output_power_w)
        reached = not belief.beyond_reach(asked.output_power_w)
        found.append(beyond_table(power, curve.largest_w, curve.shortest_s, reached=reached))
    return found


def beside_siblings(case: AssessedBank, float_v: float | None) -> list[BankFinding]:
    """Return where the bank stands apart from its siblings: float voltage, warmth, resistance."""
    evidence, siblings = case.evidence, case.evidence.siblings
    ohms = [d.resistance_ohm for d in case.discharges if d.resistance_ohm]
    own_ohm = ohms[-1] * evidence.bank.strings / evidence.bank.cells if ohms else None
    figures = (
        (SiblingFigure.FLOAT_VOLTAGE, 0.02, float_v, [s.voltage_per_cell_v for s in siblings]),
        (
            SiblingFigure.TEMPERATURE,
            PROBES_APART_K,
            evidence.temperature_c,
            [s.temperature_c for s in siblings],
        ),
        (
            SiblingFigure.RESISTANCE,
            0.25 * (own_ohm or 0.0),
            own_ohm,
            [s.resistance_ohm_per_cell for s in siblings],
        ),
    )
    found = []
    for what, least, own, others in figures:
        known = [value for value in others if value is not None]
        if own is not None:
            found.append(differs_from_siblings(evidence.bank.id, own, known, what=what, least=least))
    return [f for f in found if f is not None]
