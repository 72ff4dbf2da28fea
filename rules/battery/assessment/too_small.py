"""Too small is not worn: whether a bank could ever give what is asked of it, and what helps if not.

A bank is too small where new blocks of its type would not give the required time at the load either. Renewing it
like for like helps nothing, so its dates are those of its wear alone; what helps is a larger bank, a shorter wait
or less load. All three are reckoned for the end of a bank's life, when it gives 80 % of its published power
(IEEE 450 and 1188; IEEE 485 sizes by 1/0.8 for it), in the coldest its room gets and with a reserve.
"""

from __future__ import annotations

from dataclasses import replace
from math import ceil
from typing import Final

from rules.battery.assessment.fusion import Lives
from rules.battery.assessment.replacement import BankDemand, fresh_share_met
from rules.battery.model.ageing import END_OF_LIFE
from rules.battery.model.health import BankBelief
from rules.battery.model.size_factors import DESIGN_MARGIN, cold_factor
from rules.plant.estate import FittedBank
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Basis

PROBABLY: Final = 0.5
SURELY: Final = 0.05
"""By a typical curve alone, good to 20 %, only what is plain counts."""


def too_small(lives: Lives, belief: BankBelief, asked: BankDemand | None) -> bool:
    """Return whether new blocks of this type would not give what is asked at today's load.

    Above the table only where they would not give it at its largest power either.
    """
    if asked is None or belief.basis is Basis.NONE:
        return False
    if belief.beyond_table(asked.output_power_w):
        # more power never helps: at the table's largest it gives for longer than at what is asked
        asked = replace(asked, output_power_w=belief.output_power_w(belief.curve.largest_w))
    guessed = belief.unproven and belief.curve.basis is not Basis.TABLE
    return fresh_share_met(lives, belief, asked) < (SURELY if guessed else PROBABLY)


def what_helps(
    belief: BankBelief, fitted: FittedBank, asked: BankDemand, coldest_c: float
) -> tuple[Reason, ...]:
    """Return a larger bank and its size, a shorter wait, and how much less load, each enough by itself: old and cold.

    By the factors that the sizes of its system are reckoned with (`rules.battery.model.size_factors`), for what is asked today.
    """
    curve, strings = belief.curve, belief.strings
    power = belief.power_w_per_cell(asked.output_power_w)
    given = END_OF_LIFE / DESIGN_MARGIN * cold_factor(curve, asked.required_s, coldest_c)
    allowed = given * float(curve.watts(asked.required_s))
    times = power / allowed
    found = []
    if times > 1.0:
        rated = fitted.rated_capacity_ah
        found.append(
            reason(
                Code.HELPS_LARGER_BANK,
                strings=ceil(times * strings - 1e-9),
                of=strings,
                rated_ah=None if rated is None else ceil(times * rated),
                of_rated_ah=rated,
                asked_w=asked.output_power_w,
                required_s=asked.required_s,
            )
        )
    wait_s = float(curve.seconds(power / given))
    if wait_s >= 60.0 and wait_s < asked.required_s and power / given <= curve.largest_w:
        found.append(reason(Code.HELPS_SHORTER_WAIT, wait_s=wait_s, required_s=asked.required_s))
    bank_w = allowed * belief.cells * strings
    carried_w = max(bank_w - belief.loss_fixed_w, 0.0) / (1.0 + belief.loss_share)
    less_w = asked.output_power_w - carried_w
    if less_w > 0.0:
        found.append(reason(Code.HELPS_LESS_LOAD, less_w=less_w))
    return tuple(found)
