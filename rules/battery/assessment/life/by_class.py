"""How a bank has aged, and how long blocks of its class live in such rooms."""

from __future__ import annotations

from datetime import date

from rules.battery.assessment.findings import AssessedBank
from rules.battery.model.ageing import AgeCurve, LifePrior, age_curve, life_prior
from rules.battery.model.runtime_curve import curve_for
from rules.values.verdict import Basis


def aged(case: AssessedBank, day: date) -> tuple[AgeCurve, LifePrior]:
    """Return how a bank had aged until a day by what was read of its temperature until then, and how long such live."""
    evidence, fitted = case.evidence, case.fitted
    months = [m for m in evidence.months if fitted.from_day.replace(day=1) <= m.first_day <= day]
    age = age_curve(fitted.from_day, day, months, evidence.bank.room_temperature_c)
    generic = curve_for(fitted).basis is not Basis.TABLE
    return age, life_prior(fitted.design_life_years, age, generic_table=generic)
