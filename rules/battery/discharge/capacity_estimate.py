"""What a discharge says of its bank, as a value, and the belief that hold-up is played with made of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

import numpy as np

from rules.battery.discharge.curve.voltage import VoltageCourse
from rules.battery.discharge.likelihood import Shape
from rules.battery.discharge.record.clean_discharge import Battery, CleanDischarge
from rules.battery.model.health import BankBelief
from rules.battery.model.inverter_losses import Losses
from rules.battery.model.recharge import FULL, Nodes
from rules.battery.model.runtime_curve import Floats, RuntimeCurve
from rules.battery.model.temperature import seconds_at
from rules.battery.state import ShownToCarry
from rules.values.reason import Reason
from rules.values.verdict import Basis


@dataclass(frozen=True)
class CapacityEstimate:
    """What a discharge says of its bank. Fields named as in the command's JSON; draws for what follows.

    Health draws are at 25 degC and at the mean power of the record; `health_here` the same draws in shares
    of published time at the bank's temperature, as `used_fraction` is counted. `missing`: what was not in the
    bank at its start, as equally likely shares of published time; `used_draws` what was used at the last row,
    with it. `likelihood`: what the rows alone say of health, empty of a discharge that came to its end. All numbers are None, and `draws` empty, where `cannot_tell` says why.
    """

    cannot_tell: Reason | None
    basis: Reason
    capacity_fraction: float | None = None
    capacity_fraction_low: float | None = None
    capacity_fraction_high: float | None = None
    capacity_rate_adjusted_fraction: float | None = None
    at_power_w_per_cell: float | None = None
    at_published_time_s: float | None = None
    end_of_discharge_s: float | None = None
    end_of_discharge_low_s: float | None = None
    end_of_discharge_high_s: float | None = None
    depth_fraction: float | None = None
    resistance_ohm: float | None = None
    by_steps: bool | None = None
    end_voltage_v: float | None = None
    because: tuple[Reason, ...] = ()
    table_basis: Basis = Basis.NONE
    ended: bool = False
    anchor_s: float | None = None
    used_fraction: float | None = None
    temperature_c: float | None = None
    correction: float = 1.0
    curve: RuntimeCurve | None = None
    missing: Nodes = FULL
    used_draws: Floats = field(default_factory=lambda: np.zeros(0))
    health_draws: Floats = field(default_factory=lambda: np.zeros(0))
    health_here: Floats = field(default_factory=lambda: np.zeros(0))
    slope_draws: Floats = field(default_factory=lambda: np.zeros(0))
    correction_draws: Floats = field(default_factory=lambda: np.zeros(0))
    course: VoltageCourse | None = None
    discharge: CleanDischarge | None = None
    likelihood: Shape = ()


def belief_from_posterior(
    estimate: CapacityEstimate,
    *,
    bank: str,
    battery: Battery,
    as_of: datetime,
    losses: Losses | None = None,
    shown_to_carry: ShownToCarry | None = None,
    still_discharging: bool = True,
) -> BankBelief:
    """Return the belief that hold-up is played with, from a judgement that could tell.

    Each draw keeps its own temperature correction, so that at the bank's temperature the doubt about it
    cancels and the time left is that of the judgement. Raises ValueError where the judgement cannot tell.
    """
    if estimate.cannot_tell is not None or estimate.curve is None or estimate.anchor_s is None:
        raise ValueError("no judgement" if estimate.cannot_tell is None else estimate.cannot_tell.code)
    losses = losses or battery.losses
    power = estimate.at_power_w_per_cell or 1.0
    used = estimate.used_draws if still_discharging else np.zeros_like(estimate.health_draws)
    factor = seconds_at(estimate.curve, power, estimate.temperature_c, correction=estimate.correction_draws)
    nominal = seconds_at(estimate.curve, power, estimate.temperature_c, correction=estimate.correction)
    # In this draw's own count, the same seconds are another share of its published time.
    per_draw = np.asarray(nominal / factor)
    basis = Basis.TESTED if estimate.table_basis is not Basis.GENERIC else Basis.GENERIC
    health = estimate.health_here * per_draw if still_discharging else estimate.health_draws
    return BankBelief(
        bank=bank,
        as_of=as_of,
        basis=basis,
        curve=estimate.curve,
        cells=battery.cells,
        strings=battery.strings,
        health=health,
        health_slope=estimate.slope_draws,
        anchor_s=estimate.anchor_s,
        used=used * per_draw,
        temperature_c=estimate.temperature_c,
        loss_fixed_w=losses.fixed_w,
        loss_share=losses.share,
        shown_to_carry=shown_to_carry,
        correction=estimate.correction_draws,
        carrying=still_discharging,
    )
