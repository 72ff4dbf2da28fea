"""What is said of a bank, as values that the page and the HTTP interface show as they are.

Field names and meanings are those of the HTTP interface. None is "not known".
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum

from rules.values.reason import Reason
from rules.values.severity import Severity
from rules.values.verdict import Basis, Verdict


class SiblingFigure(StrEnum):
    """By what a bank is held beside others of its type and age."""

    FLOAT_VOLTAGE = "float_voltage"
    TEMPERATURE = "temperature"
    RESISTANCE = "resistance"


@dataclass(frozen=True, slots=True)
class WouldTell:
    """One step that would tell what cannot be told now, and what it buys."""

    step: Reason
    buys: Reason


@dataclass(frozen=True, slots=True)
class Capacity:
    """A bank's capacity as a fraction of what its table gives, with its 90 % interval."""

    fraction: float | None
    low: float | None
    high: float | None
    as_of: datetime | None
    basis: Basis


@dataclass(frozen=True, slots=True)
class AgeSpan:
    """From when until when a bank may come to its end, as far as its age alone says."""

    from_day: date = field(metadata={"json": "from"})
    to_day: date = field(metadata={"json": "to"})


@dataclass(frozen=True, slots=True)
class ReplacementDates:
    """Three dates, never one; None where nothing can be said.

    Of a bank that nothing was seen of none of them is set, but `by_age_alone`. `shown_over`: evidence showed that
    it no longer gives what is asked, on the day `replace_by`.
    """

    expected_end: date | None
    order_by: date | None
    replace_by: date | None
    falls_under_80: date | None = None
    ends_early: date | None = None
    ends_late: date | None = None
    by_age_alone: AgeSpan | None = None
    shown_over: bool = False


@dataclass(frozen=True, slots=True)
class CheapestDay:
    """The day to replace a bank by at the least cost a year, by the prices that the site states, beside the 5 % rule.

    `cost_per_year` in the site's money, `fails_probability` that it ends before that day; `…_as_told`: the same of the day that
    the 5 % rule tells, None where it tells none.
    """

    replace_by: date
    order_by: date
    cost_per_year: float
    fails_probability: float
    cost_per_year_as_told: float | None = None
    fails_probability_as_told: float | None = None


@dataclass(frozen=True, slots=True)
class Blocks:
    """Which blocks: in which bank's place, of which type, at which site, from which day on."""

    place: str
    type: str
    site: str
    from_day: date


@dataclass(frozen=True, slots=True)
class LifeLesson:
    """What the discharges of some blocks alone showed of ln(life / what their class lets expect), and its standard deviation."""

    of: Blocks
    ln_ratio: float
    sd: float


@dataclass(frozen=True, slots=True)
class LifeByOthers:
    """What other blocks let expect of a bank's life, before any discharge of its own.

    `lasts`, `low` and `high`: its life over what its class lets expect, the middle and the 90 % interval; `low_alone` and
    `high_alone`: by its class alone, where the middle is 1. `banks`: whose discharges were taken in, `before` of them being
    blocks that were in this place.
    """

    lasts: float
    low: float
    high: float
    low_alone: float
    high_alone: float
    banks: int
    before: int


@dataclass(frozen=True, slots=True)
class RestsOn:
    """What the dates of a bank rest on: what would have to change for them to move.

    `told` and `declared`: digests of what its discharges showed, and of what the estate file says of it. `others`: of what
    other blocks showed of their life. `awaits`: something will be asked of it, and is not known yet. `teaches`: what it
    shows others in its turn.
    """

    judged_on: date
    blocks: str
    declared: str
    told: str
    last_discharge: date | None = None
    required_s: float | None = None
    asked_w: float | None = None
    awaits: bool = False
    others: str = ""
    teaches: tuple[LifeLesson, ...] = ()


@dataclass(frozen=True, slots=True)
class JudgedDischarge:
    """One discharge of a bank and what it showed; `because`: what was odd about its record, and why nothing can be told."""

    at: datetime
    kind: str
    depth_fraction: float | None
    capacity_fraction: float | None
    low: float | None
    high: float | None
    because: tuple[Reason, ...] = ()


def best_judged(discharges: Sequence[JudgedDischarge]) -> JudgedDischarge | None:
    """Return the discharge that tells most of the capacity, however little that is; None where none was judged."""
    judged = [one for one in discharges if one.low is not None and one.high is not None]
    return min(judged, key=lambda one: (one.high or 0.0) - (one.low or 0.0), default=None)


@dataclass(frozen=True, slots=True)
class ShownToCarry:
    """The last time a bank was seen to carry a load."""

    at: datetime
    power_w: float
    for_s: float


@dataclass(frozen=True, slots=True)
class ChargingVerdict:
    """How a bank is kept: adequate, inadequate or cannot tell, with reasons."""

    verdict: Verdict
    because: tuple[Reason, ...]
    float_voltage_per_cell_v: float | None = None


@dataclass(frozen=True, slots=True)
class BankFinding:
    """Something about a bank that somebody should know: what, what to do, how grave (ITU-T X.733 words).

    `kind` is one of the names in `rules.battery.assessment.charging` and `rules.battery.assessment.faults`.
    """

    kind: str
    what: Reason
    do: Reason
    severity: Severity


class DischargeMeans(StrEnum):
    """By what a bank is discharged: its unit's input switched off, or the unit's own test, started at its panel."""

    INPUT_OFF = "input_off"
    OWN_TEST = "own_test"


@dataclass(frozen=True, slots=True)
class DischargeAdvice:
    """A discharge that pays: when, how long at which load, how the day to order moves by it, and what it risks.

    `on`: the day proposed; up to `latest` it buys nearly as much. `for_s` at `power_w` (output of its units, its part
    of today's load) takes `depth_fraction` of what the bank is expected to give then. `order_by`: as it stands without it, None of a bank
    that nothing was seen of. `later_probability`: that the day comes later by more than a fortnight, and then by
    `later_days` in the median; likewise sooner. `expected_days`: how much later on the average; where the day to order comes
    before `on`, all of them from `on`. `order_early` and `order_late`: between these it then lies with 90 % probability. `ends_probability`: that the bank ends in it;
    `least_s`: for how long it holds that load with 95 % probability, None where no low end is told of it.
    """

    on: date
    latest: date
    for_s: float
    power_w: float
    depth_fraction: float
    order_by: date | None
    order_early: date
    order_late: date
    expected_days: float | None
    later_probability: float
    later_days: float
    sooner_probability: float
    sooner_days: float
    ends_probability: float
    least_s: float | None
    means: DischargeMeans = DischargeMeans.INPUT_OFF


@dataclass(frozen=True, slots=True)
class TestPlan:
    """When a bank's next capacity test is due, why, and how likely the bank ends in it.

    `advice`: the discharge that pays until then, None where none does: `without_advice` says why.
    """

    __test__ = False  # not a test case, whatever its name suggests to pytest

    last: date | None
    due: date
    interval_days: int
    because: Reason
    ends_in_test_probability: float | None = None
    advice: DischargeAdvice | None = None
    without_advice: Reason | None = None


@dataclass(frozen=True, slots=True)
class CardClaims:
    """What the card promised against what happened: `ratio` of claimed to true seconds, median."""

    count: int
    ratio: float | None
    worst_ratio: float | None
    missed: int


@dataclass(frozen=True, slots=True)
class ExpectedCapacity:
    """The capacity to be expected of a bank on a day: median and 90 % interval, as `Capacity` counts it."""

    day: date
    median: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class BankState:
    """Everything said of one bank (BANK of the HTTP interface).

    `unproven`: nothing was seen of it yet, only table and age speak; `would_tell`: what would tell. `too_small`:
    new blocks of its type would not give what is asked either, so its dates are those of its wear alone, and
    `offers` what helps instead. `by_cost`: what the prices that the site states would say of its replacement. `by_others`:
    what other blocks let expect of its life; None where none showed anything.
    `effective_age_years`: its age in years at 22 °C; `worn_as_c`: the constant temperature, °C, that would have worn it as much.
    """

    id: str
    feeds: tuple[str, ...]
    fitted: str | None
    capacity: Capacity
    asked_fraction: float | None
    dates: ReplacementDates
    charging: ChargingVerdict
    effective_age_years: float | None
    discharges: tuple[JudgedDischarge, ...]
    shown_to_carry: ShownToCarry | None
    findings: tuple[BankFinding, ...] = ()
    probability_met: float | None = None
    tests: TestPlan | None = None
    claims: CardClaims | None = None
    expected: tuple[ExpectedCapacity, ...] = ()
    unproven: bool = False
    would_tell: tuple[WouldTell, ...] = ()
    too_small: bool = False
    offers: tuple[Reason, ...] = ()
    rests_on: RestsOn | None = None
    by_cost: CheapestDay | None = None
    by_others: LifeByOthers | None = None
    worn_as_c: float | None = None
