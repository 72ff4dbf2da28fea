"""What is believed of a bank, as equally likely draws: the currency between judging and hold-up.

A draw is one bank that the evidence allows. *Health* is the time this bank gives over the published time
at the same power and 25 degC; it is specific to the rate and falls as the rate rises, hence
`health_slope` = d(health) / d ln(published time). The *used fraction* counts spent time in shares of the
published time at the bank's temperature, each at the power of its moment. At another power the same counts for
another share: what was taken out slowly is charge that is not there any more when it is asked for fast. So what the
shares stand for is kept beside them in W s a cell, and read as a share of what is published at the power that is asked
(`used_at`). A bank ends when that reaches the health that belongs to the power of the moment; so a step to a higher power
shortens the rest three times: by the rate, by the health, and by what was spent.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time
from functools import lru_cache
from typing import Final, TypeVar, cast

import numpy as np

from rules.battery.model.ageing import REFERENCE_C
from rules.battery.model.inverter_losses import Losses, default_losses
from rules.battery.model.runtime_curve import Beyond, Floats, RuntimeCurve, curve_for
from rules.battery.model.same_error import Weighed
from rules.battery.model.temperature import seconds_at
from rules.battery.state import ShownToCarry
from rules.plant.estate import Bank, FittedBank
from rules.values.constants import DAYS_A_YEAR, GAS_CONSTANT, ZERO_C
from rules.values.verdict import Basis

_LEAST_HEALTH: Final = 0.0
MOST_HEALTH: Final = 1.4
"""No maker's table understates its blocks by as much."""
_ANCHOR_S: Final = 3600.0
LEAST_TAIL: Final = 1.0 / 3.0
"""Share of the median under which the low end of an assumption is its tail."""
REACH: Final = 2.0
"""How far above the largest printed power a table is continued: a table from 5 min on then reaches some 100 s."""
STEEPER_SD: Final = 0.35
CLOSES_PER_HEALTH: Final = 0.9
"""How far above its table's largest power a bank gives nothing at all, as a share of that power for each part of its time that
it has kept there: the voltage across its own resistance, which grows as it wears, meets the end voltage by itself.

Of 70 two-well cells with a resistance of their own, kept 0.25 to 1: 0.8 to 1.0. An assumption, drawn `CLOSES_SD` wide; tables
that print minutes under five fall as steeply.
"""
CLOSES_SD: Final = 0.15
BENT: Final = 0.6
"""How the time falls on the way there, beside the part that is kept: in a straight line in the worn, later and faster in the new."""
LEAST_ABOVE: Final = 0.01
"""Share of the time below which nothing is left that could be told apart."""
BY_CHARGE: Final = (0.3, 1.0)
"""How far what was spent at one power counts at another by its charge (1), rather than by its share of the time (0).

Were a bank a vessel, it would be 1; less, as charge that a high rate leaves behind seeps up meanwhile. Of 36 discharges of
a porous-electrode model with a step of the load the end came where charge alone put it (middle 0.9); in two wells that
exchange it was 0.3 to 0.95, less the longer the first power went on and the steeper the step. Drawn evenly between.
"""


@dataclass(frozen=True)
class BankBelief:
    """Draws of one bank's state. Arrays have one entry a draw; entry i of each belongs together.

    `health` at `anchor_s` of published time; `used` at `as_of`, same unit; `spent_ws`: what that stands for, in W s a cell
    as published at the powers it was spent at, None: not known, and the same share at any power; `by_charge`: how far it
    counts by that (`BY_CHARGE`). `cells` of one string, both halves counted. `basis` NONE: nothing is known, health is zero and nothing may be said.
    `correction` scales the temperature coefficient (1: as published). `carrying`: it is seen to
    carry at this moment. `steeper`: standard normal draws of how much faster the time falls above the table. `rests_on`: what the
    partial discharges weigh that stand behind it, whose error the next one shares.
    """

    bank: str
    as_of: datetime
    basis: Basis
    curve: RuntimeCurve
    cells: int
    strings: int
    health: Floats
    health_slope: Floats
    anchor_s: float
    used: Floats
    temperature_c: float | None
    loss_fixed_w: float
    loss_share: float
    shown_to_carry: ShownToCarry | None = None
    correction: Floats | float = 1.0
    carrying: bool = False
    steeper: Floats | float = 0.0
    spent_ws: Floats | None = None
    by_charge: Floats | float = sum(BY_CHARGE) / 2.0
    rests_on: tuple[Weighed, ...] = ()

    @property
    def unproven(self) -> bool:
        """Return whether no discharge stands behind it, only table and age."""
        return self.basis is not Basis.TESTED and not self.carrying

    @property
    def draws(self) -> int:
        """Return the number of draws."""
        return len(self.health)

    def power_w_per_cell(self, output_power_w: float) -> float:
        """Return W per cell behind an output power in W, inverter losses counted."""
        battery_w = max(output_power_w, 0.0) * (1.0 + self.loss_share) + self.loss_fixed_w
        return battery_w / (self.cells * self.strings)

    def output_power_w(self, power_w_per_cell: float) -> float:
        """Return the output power in W that W per cell give, inverter losses counted; never under 0."""
        battery_w = power_w_per_cell * self.cells * self.strings
        return max(battery_w - self.loss_fixed_w, 0.0) / (1.0 + self.loss_share)

    def beyond(self, output_power_w: float) -> Beyond | None:
        """Return on which side an output power lies outside the run time table, None inside."""
        return self.curve.beyond(self.power_w_per_cell(output_power_w))

    @property
    def low_end_told(self) -> bool:
        """Return whether the low end of what it holds may be said.

        Where no discharge stands behind a belief, or a long time has passed since, its low end is the tail of an
        assumption (how fast some banks end): then it is nothing to be told as a time. Decided by the bank, not by
        the load. What a bank gives that carries now, or that failed, is told.
        """
        low, median = np.quantile(self.health, (0.05, 0.5))
        return self.carrying or bool(low >= LEAST_TAIL * median)

    def beyond_table(self, output_power_w: float) -> bool:
        """Return whether the power is above the table's largest, so that its times are extrapolated.

        Below its smallest the answer is "at least" (`beyond`); `seconds_left` then reckons with the
        longest printed time.
        """
        return self.beyond(output_power_w) is Beyond.ABOVE_LARGEST

    def beyond_reach(self, output_power_w: float) -> bool:
        """Return whether the power is so far above the table's largest that physics cannot carry on either."""
        return self.power_w_per_cell(output_power_w) > REACH * self.curve.largest_w

    def rate_per_s(self, output_power_w: float) -> Floats:
        """Return d(used) / dt in 1/s, one per draw.

        Above the table's largest power the curve goes on with its end slope, the exponent +- 0.35, never under one
        (less energy at more power), an assumption made wide; and it closes where the bank gives nothing any more,
        the sooner the more it is worn (`CLOSES_PER_HEALTH`).
        """
        power = self._at_least_smallest(output_power_w)
        seconds = seconds_at(self.curve, power, self.temperature_c, correction=self.correction)
        return np.broadcast_to(1.0 / (seconds * self._shorter_above(power)), self.health.shape)

    def published_ws(self, output_power_w: float) -> Floats:
        """Return what a whole published time at an output power gives at 25 degC, W s a cell, one per draw."""
        power = self._at_least_smallest(output_power_w)
        ws = power * float(self.curve.seconds(power)) * self._shorter_above(power)
        return np.broadcast_to(ws, self.health.shape)

    def used_at(self, output_power_w: float) -> Floats:
        """Return what is used as a share of the published time at an output power, one per draw."""
        if self.spent_ws is None or self.full:
            return self.used
        return counted_at(self.used, self.spent_ws, self.published_ws(output_power_w), self.by_charge)

    def spending(self, used: Floats, output_power_w: float) -> BankBelief:
        """Return the belief with so much used, all of it at one output power."""
        return replace(self, used=used, spent_ws=used * self.published_ws(output_power_w))

    def left_with(self, used: Floats) -> BankBelief:
        """Return the belief with another share used, of the same kind: after a recharge, or in doubt of it."""
        return replace(self, used=used, spent_ws=scaled(self.spent_ws, self.used, used))

    def _at_least_smallest(self, output_power_w: float) -> float:
        """Return W per cell, not under the table's smallest: below it a bank lasts "at least its longest time"."""
        return max(self.power_w_per_cell(output_power_w), self.curve.smallest_w)

    def _shorter_above(self, power_w_per_cell: float) -> Floats | float:
        """Return by what factor time is shorter above the table than its end slope has it."""
        past = float(np.log(power_w_per_cell / self.curve.largest_w))
        if past <= 0.0:
            return 1.0
        doubt, kept = np.asarray(self.steeper), self._health_at_the_largest
        more = np.maximum(STEEPER_SD * doubt, 1.0 + self.curve.slopes[-1])
        closes = CLOSES_PER_HEALTH * np.maximum(kept, LEAST_ABOVE) * np.exp(-CLOSES_SD * doubt)
        way = np.minimum(np.expm1(past) / closes, 1.0) ** (BENT + kept)
        return np.asarray(np.maximum(np.exp(-more * past) * (1.0 - way), LEAST_ABOVE))

    @property
    def _health_at_the_largest(self) -> Floats:
        """Return health at the largest power of the table, one per draw."""
        ln_ratio = np.log(self.curve.shortest_s / self.anchor_s)
        return np.asarray(np.clip(self.health + self.health_slope * ln_ratio, _LEAST_HEALTH, MOST_HEALTH))

    def health_at(self, output_power_w: float) -> Floats:
        """Return health at the rate that belongs to an output power, 0 to 1.4, one per draw."""
        power = self._at_least_smallest(output_power_w)
        ln_ratio = np.log(float(self.curve.seconds(power)) / self.anchor_s)
        return np.asarray(np.clip(self.health + self.health_slope * ln_ratio, _LEAST_HEALTH, MOST_HEALTH))

    def seconds_left(self, output_power_w: float) -> Floats:
        """Return s until the end voltage at a constant output power from `as_of` on, one per draw.

        Above the table's largest power this follows the continued curve; ask `beyond_reach` first.
        """
        left = np.maximum(self.health_at(output_power_w) - self.used_at(output_power_w), 0.0)
        return np.asarray(left / self.rate_per_s(output_power_w))

    def carried(self, output_power_w: float, seconds: float, as_of: datetime) -> BankBelief:
        """Return the belief after `seconds` more at an output power: exact, and cheap."""
        share = self.rate_per_s(output_power_w) * seconds
        spent_ws = more_spent(self.spent_ws, self.used, share, self.published_ws(output_power_w))
        return replace(self, used=self.used + share, spent_ws=spent_ws, as_of=as_of)

    def rested(self, as_of: datetime) -> BankBelief:
        """Return the belief with the bank full again."""
        return replace(self, used=nothing_used(self.draws), spent_ws=None, as_of=as_of)

    @property
    def full(self) -> bool:
        """Return whether nothing is used in any draw."""
        return self.used is nothing_used(self.draws) or not np.any(self.used > 0.0)

    def compact(self) -> BankBelief:
        """Return the same belief in two fifths of the room, for whoever keeps a thousand of them.

        Seven digits are far more than is known of any bank; what is used is added up, so it keeps all of them.
        """
        return replace(
            self,
            health=_short(self.health),
            health_slope=_short(self.health_slope),
            used=nothing_used(self.draws) if self.full else self.used,
            spent_ws=None if self.full else self.spent_ws,
            correction=_short(self.correction),
            steeper=_short(self.steeper),
            by_charge=_short(self.by_charge),
        )


V = TypeVar("V", Floats, Floats | float)


def _short(values: V) -> V:
    """Return draws in single precision; arithmetic with what is not stays double."""
    return values if isinstance(values, float) else cast("V", np.asarray(values, dtype=np.float32))


def counted_at(used: Floats, spent_ws: Floats, published_ws: Floats, by_charge: Floats | float) -> Floats:
    """Return a used fraction as a share of the published time at another power, of which `published_ws` is the whole."""
    return np.asarray(used + by_charge * (spent_ws / published_ws - used))


def more_spent(before_ws: Floats | None, used: Floats, share: Floats, published_ws: Floats) -> Floats:
    """Return what is spent, W s a cell, after a `share` more at a power whose whole is `published_ws`.

    Of what was used nobody knows how (`before_ws` None) the same is taken.
    """
    before = used * published_ws if before_ws is None else before_ws
    return before + share * published_ws


def scaled(spent_ws: Floats | None, before: Floats, after: Floats) -> Floats | None:
    """Return what is spent once another share is used: of each watt-second the same part, where draws are others on the average."""
    if spent_ws is None or not np.any(before > 0.0):
        return None
    if len(before) != len(after):
        return after * float(np.sum(spent_ws) / np.sum(before))
    mean = float(np.sum(spent_ws) / np.sum(before))
    return after * np.divide(spent_ws, before, out=np.full_like(spent_ws, mean), where=before > 0.0)


def by_charge_draws(rng: np.random.Generator, draws: int) -> Floats:
    """Return how far what was spent at one power counts by its charge at another, one a draw."""
    return np.asarray(rng.uniform(*BY_CHARGE, draws))


@lru_cache(maxsize=8)
def nothing_used(draws: int) -> Floats:
    """Return the used fraction of a full bank: zeros, which all full banks share and nobody can write into."""
    zeros = np.zeros(draws)
    zeros.flags.writeable = False
    return zeros


def anchor_for(curve: RuntimeCurve) -> float:
    """Return the published time in s at which health is quoted: one hour, or the nearest printed time."""
    return float(np.clip(_ANCHOR_S, curve.shortest_s, curve.longest_s))


def slope_draws(health: Floats, rng: np.random.Generator) -> Floats:
    """Return d(health) / d ln(T) for draws of health: the more is lost, the more it is lost at high rates.

    In simulated ageing (dry-out, sulphation, resistance, in random mixes) the slope was 0.09 of the loss,
    5th to 95th percentile 0.02 to 0.2; a fresh bank has none. Never negative: more power never helps.
    """
    loss = np.maximum(1.03 - health, 0.0)
    return np.asarray(loss * np.exp(rng.normal(np.log(0.085), 0.6, len(health))))


def belief_from_age(  # noqa: PLR0917 - five things that name a bank, in the order of the question
    bank: Bank,
    fitted: FittedBank | None,
    day: date,
    temperature_c: float | None,
    seed: int,
    draws: int = 1000,
    *,
    rating_w: float | None = None,
    losses: Losses | None = None,
) -> BankBelief:
    """Return what table and age alone say on `day`: wide, and needing no discharge at all.

    Capacity follows c0 (1 - a u - (0.2 - a) u**m), u the effective age over the service life: 80 % at
    u = 1, a knee after. Service life about 0.65 of the printed design life in a room of 22 degC
    (log-normal, sd 0.5), 4 % early failures at 0.3 of it; effective age by Arrhenius with about 51 kJ/mol
    relative to 22 degC; the temperature reading is good to 3 K. A new bank gives 0.95 +- 0.08 of its
    table, never simply 1. A generic table adds 20 %. These ranges are assumptions, made wide.
    `rating_w`: the units behind the bank, summed, for the inverter's fixed losses.
    """
    rng = np.random.default_rng(seed)
    as_of = datetime.combine(day, time(), tzinfo=UTC)
    losses = losses or default_losses(rating_w)
    curve = curve_for(fitted or FittedBank(day, None, "", 0, 1.75))
    health = _health_by_age(fitted, day, temperature_c, curve, rng=rng, draws=draws)
    slope = slope_draws(health, rng)
    if curve.basis is Basis.NONE:
        health, slope = np.zeros(draws), np.zeros(draws)
    return BankBelief(
        bank=bank.id,
        as_of=as_of,
        basis=curve.basis,
        curve=curve,
        cells=bank.cells,
        strings=bank.strings,
        health=health,
        health_slope=slope,
        anchor_s=anchor_for(curve),
        used=nothing_used(draws),
        temperature_c=temperature_c,
        loss_fixed_w=losses.fixed_w,
        loss_share=losses.share,
        correction=np.clip(rng.normal(1.0, 0.2, draws), 0.2, 2.0),
        steeper=rng.normal(0.0, 1.0, draws),
        by_charge=by_charge_draws(rng, draws),
    )


def _health_by_age(
    fitted: FittedBank | None,
    day: date,
    temperature_c: float | None,
    curve: RuntimeCurve,
    *,
    rng: np.random.Generator,
    draws: int,
) -> Floats:
    fresh = np.clip(rng.normal(0.95, 0.08, draws), 0.6, 1.15)
    if curve.basis is not Basis.TABLE:
        fresh = fresh * np.exp(rng.normal(0.0, 0.2, draws))
    design_years = fitted.design_life_years if fitted and fitted.design_life_years else 8.0
    spread = 0.5 if fitted and fitted.design_life_years else 0.7
    life = 0.65 * design_years * np.exp(rng.normal(0.0, spread, draws))
    life = np.where(rng.random(draws) < 0.04, 0.3 * life, life)
    years = max((day - fitted.from_day).days, 0) / DAYS_A_YEAR if fitted else 0.0
    room_c = (22.0 if temperature_c is None else temperature_c) + rng.normal(0.0, 3.0, draws)
    energy = rng.uniform(42e3, 62e3, draws)
    speed = np.exp(energy / GAS_CONSTANT * (1.0 / (REFERENCE_C + ZERO_C) - 1.0 / (room_c + ZERO_C)))
    u = years * speed / life
    a, m = rng.uniform(0.0, 0.15, draws), rng.uniform(2.5, 11.0, draws)
    share = 1.0 - a * u - (0.2 - a) * u ** np.minimum(m, 11.0)
    return np.asarray(np.clip(fresh * np.maximum(share, 0.02), _LEAST_HEALTH, MOST_HEALTH))
