"""What one discharge showed, kept when it was judged, so that all of a bank's can be fused anew at every judgement."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from rules.battery.model.recharge import middle_of
from rules.values.code import Code
from rules.values.reason import Reason

NOT_OF_THIS_BANK: Final = frozenset(
    {
        Code.LOG_NOT_LEAD_ACID,
        Code.LOG_METERS_CONTRADICT,
        Code.LOG_CELLS_DO_NOT_FIT,
        Code.LOG_OFF_EVERY_PRODUCT,
        Code.LOG_GIVES_TOO_MUCH,
        Code.LOG_RUNS_ON_UNDER_END,
    }
)
"""Why a record cannot be of the bank that is declared: cells, strings, table or columns are not what they are said to be."""
BROUGHT: Final = frozenset({"import", "acceptance", "hand"})
"""Kinds of discharge that somebody brought; every other was seen."""
REFUSED: Final = NOT_OF_THIS_BANK | {Code.LOG_VOLTAGE_STANDS}
"""Why a record is not believed at all: beside those, a voltmeter that stands still throughout."""
NO_CURRENT: Final = frozenset(
    {
        Code.LOG_CURRENT_ZERO,
        Code.LOG_CURRENT_STUCK,
        Code.LOG_CURRENT_STANDS,
        Code.LOG_CURRENT_STOPPED,
        Code.LOG_POWER_BY_OUTPUT,
        Code.LOG_METERS_DISAGREE,
    }
)
"""What is said of a record whose amperes are not believed, so that they say nothing of the inverter's losses either."""


@dataclass(frozen=True, slots=True)
class DischargeEvidence:
    """One discharge as judged once, when it ended; dated, and of the blocks then in place.

    `used`: used fraction reached (share of published time at the bank's temperature), with what was missing
    when it began: `missing`, as equally likely values (None: taken as full, by an earlier program).
    `fraction`, `low`,
    `high`: health at its rate, 5th to 95th percentile; None where nothing could be told. `ended`: it
    reached its end voltage. `failed`: it dropped its load, or gave nothing, before that. `removed`:
    ampere-hours taken, as a share of the rated, reckoned from power and voltage where no current was read. Voltages of the whole bank in V. `taken_before`: mean and
    standard deviation of what the estimator took health to be before it looked; divided out when several
    discharges are fused, lest the same assumption count each time. `battery_power_w`: mean volts times
    amperes, None where no current was read. `by_steps`: its resistance is from steps of the
    load, rather than the fall from rest, which reads higher; None: not known. `doubts`: what was odd about its readings.
    `likelihood`: what its rows alone say of health (`rules.battery.discharge.likelihood`), None of a run to its end or by an
    earlier program. `judged_by`: a digest of the run time table that its shares are of, empty by an earlier program.
    """

    at: datetime
    kind: str
    seconds: float
    output_power_w: float
    published_s: float
    used: float
    fraction: float | None = None
    low: float | None = None
    high: float | None = None
    ended: bool = False
    failed: bool = False
    removed: float | None = None
    resistance_ohm: float | None = None
    by_steps: bool | None = None
    offset_v: float | None = None
    offset_sd_v: float | None = None
    before_v: float | None = None
    lowest_v: float | None = None
    opening_current_a: float | None = None
    claimed_s: float | None = None
    said_good: bool = True
    taken_before: tuple[float, float] | None = None
    battery_power_w: float | None = None
    missing: tuple[float, ...] | None = None
    doubts: tuple[Reason, ...] = ()
    likelihood: tuple[float, ...] | None = None
    judged_by: str = field(default="", repr=False)

    @property
    def refused(self) -> bool:
        """Return whether the record is not believed: nothing is learnt from it, of the bank, its type or its inverter."""
        return any(why.code in REFUSED for why in self.doubts)

    @property
    def shows_losses(self) -> bool:
        """Return whether what it drew and what came out of it are both believed."""
        distrusted = REFUSED | NO_CURRENT
        return self.battery_power_w is not None and not any(why.code in distrusted for why in self.doubts)

    @property
    def given(self) -> float:
        """Return what it surely gave, as a share of published time: `used` less the doubt of how full it began."""
        if not self.missing:
            return self.used
        return self.used - middle_of(self.missing) + min(self.missing)

    @property
    def by_itself(self) -> float:
        """Return the used fraction of this discharge alone."""
        return self.used - (middle_of(self.missing) if self.missing else 0.0)
