"""What size the next bank should be: the constant-power method.

Watts per cell at the required load are multiplied by a temperature factor, a design margin and an ageing
factor, and the sum is looked up in a maker's constant-power table for the required time (IEEE 485, and IEEE
1184 for the banks of UPS, as makers quote them):

* ageing 1.25: a bank is replaced at 80 % of its rating, so that it still carries the load on its last day;
* temperature: the power a cell gives at the coldest its room gets, over that at 25 degC;
* design margin 1.10 to 1.15: loads grow unseen, tables are means.

Strings of one type are counted up until their table gives what is asked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil
from typing import Final

from rules.battery.model.ageing import END_OF_LIFE
from rules.battery.model.inverter_losses import default_losses
from rules.battery.model.runtime_curve import curve_for
from rules.battery.model.size_factors import DESIGN_MARGIN, ColdKnown, cold_factor
from rules.battery.model.temperature import COLDEST_UNKNOWN_C, seconds_at
from rules.plant.estate import FittedBank
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Basis

AGEING: Final = 1.0 / END_OF_LIFE
"""Ageing factor of IEEE 485 and IEEE 1184: 1.25."""
CHARGER_PER_AH: Final = 0.1
"""Charging current a maker of sealed blocks usually asks for, A per Ah at the 10 h rate."""


@dataclass(frozen=True, slots=True)
class BankWanted:
    """What one unit's bank is to do: carry `output_w` for `required_s`, old and cold.

    `cells` of one string, both halves counted; `margin` is the design margin. `why` says where load and time
    come from.
    """

    output_w: float
    required_s: float
    rating_w: float
    cells: int
    coldest_c: float = COLDEST_UNKNOWN_C
    cold: ColdKnown = ColdKnown.ASSUMED
    ageing: float = AGEING
    margin: float = DESIGN_MARGIN
    why: Reason | None = None


@dataclass(frozen=True, slots=True)
class StatedBank:
    """A bank that a unit is imagined with: so many strings of a type; `type.blocks` counts those of all of them."""

    type: FittedBank
    cells: int
    strings: int
    coldest_c: float = COLDEST_UNKNOWN_C
    cold: ColdKnown = ColdKnown.ASSUMED

    @property
    def name(self) -> Reason:
        """Return how it is named: by what it is made of."""
        return reason(Code.STATED_BANK, type_name=self.type.type, cells=self.cells, strings=self.strings)

    def holds(self, output_w: float, rating_w: float) -> tuple[float | None, float | None]:
        """Return s it carries a unit's output new at 25 degC, and at the end of its life in the cold.

        None where no table or rated capacity is known, or the power is above the table's largest.
        """
        curve = curve_for(self.type)
        if curve.basis is Basis.NONE:
            return None, None
        watts = default_losses(rating_w).battery_power_w(output_w) / (self.cells * self.strings)

        def within(asked: float, seconds: float) -> float | None:
            return min(seconds, curve.longest_s) if asked <= curve.largest_w else None

        new = within(watts, float(curve.seconds(watts)))
        old_w = watts * AGEING
        return new, within(old_w, float(seconds_at(curve, old_w, self.coldest_c)))


@dataclass(frozen=True, slots=True)
class BankSize:
    """One block type: strings needed, and what they give new and at the end of life in the cold.

    `cold_factor`: the share of its power that this type gives in the cold; `asked_watts_per_cell` is divided by it.
    """

    type: str
    cold_factor: float
    asked_watts_per_cell: float
    strings: int
    watts_per_cell_allowed: float
    new_s: float
    end_of_life_s: float
    blocks: int | None
    charger_a: float | None


@dataclass(frozen=True, slots=True)
class BankAdvice:
    """Watts per cell asked of all strings together, factor by factor, and what types would give it.

    The last factor, for the cold, is each type's own: see `BankSize`.
    """

    output_w: float
    required_s: float
    coldest_c: float
    cold: ColdKnown
    watts_per_cell: float
    ageing_factor: float
    with_ageing: float
    design_margin: float
    sizes: tuple[BankSize, ...]
    because: tuple[Reason, ...]
    safety: tuple[Reason, ...] = (reason(Code.SAFETY),)


def size_bank(wanted: BankWanted, types: Sequence[StatedBank]) -> BankAdvice:
    """Return how many strings of each bank's type carry the load for the required time, old and cold.

    Types without a table or rated capacity, and times beyond a type's table, are left out and said so.

    Raises:
        ValueError: no type given.
    """
    if not types:
        raise ValueError("want at least one block type to size with")
    losses = default_losses(wanted.rating_w)
    watts = losses.battery_power_w(wanted.output_w) / wanted.cells
    aged = watts * wanted.ageing
    because = [wanted.why] if wanted.why else []
    because.append(
        reason(
            Code.BANK_WATTS,
            output_w=wanted.output_w,
            watts=watts,
            ageing=wanted.ageing,
            aged=aged,
            margin=wanted.margin,
            coldest_c=wanted.coldest_c,
            cold=wanted.cold.value,
        )
    )
    sizes = []
    for stated in types:
        kind = stated.type
        curve = curve_for(kind)
        if curve.basis is Basis.NONE or not curve.shortest_s <= wanted.required_s <= curve.longest_s:
            because.append(reason(Code.TYPE_NOT_REACHING, type_name=kind.type, required_s=wanted.required_s))
            continue
        factor = cold_factor(curve, wanted.required_s, wanted.coldest_c)
        asked = aged * wanted.margin / factor
        printed = float(curve.watts(wanted.required_s))
        strings = max(ceil(asked / printed - 1e-9), 1)
        old_s = float(seconds_at(curve, watts / strings * wanted.ageing, wanted.coldest_c))
        capacity = kind.rated_capacity_ah
        per_string = kind.blocks / stated.strings * wanted.cells / stated.cells
        sizes.append(
            BankSize(
                kind.type,
                factor,
                asked,
                strings,
                printed,
                float(curve.seconds(watts / strings)),
                old_s,
                round(per_string * strings) or None,
                None if capacity is None else CHARGER_PER_AH * capacity * strings,
            )
        )
        because.append(
            reason(
                Code.TYPE_GIVES,
                type_name=kind.type,
                factor=factor,
                asked_w=asked,
                printed_w=printed,
                required_s=wanted.required_s,
                strings=strings,
            )
        )
    return BankAdvice(
        output_w=wanted.output_w,
        required_s=wanted.required_s,
        coldest_c=wanted.coldest_c,
        cold=wanted.cold,
        watts_per_cell=watts,
        ageing_factor=wanted.ageing,
        with_ageing=aged,
        design_margin=wanted.margin,
        sizes=tuple(sizes),
        because=tuple(because),
    )
