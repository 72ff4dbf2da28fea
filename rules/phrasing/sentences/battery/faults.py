"""What is said of signs of a bad bank, of its tests, and what to do about them (`rules.battery.assessment.faults`)."""

from __future__ import annotations

from datetime import date

from rules.phrasing.dates import day_words, years_words
from rules.phrasing.durations import minutes, minutes_up
from rules.phrasing.figures import whole_percent
from rules.phrasing.says import says
from rules.phrasing.text import kilowatts
from rules.values.advice import Advice
from rules.values.code import Code

# ---- signs ---------------------------------------------------------------------------------------------------


@says(Code.SHORT_SUSPECTED)
def short_suspected(*, under_v: float, cells: int, backed: bool) -> str:
    """Say by how many volts a bank lies under its reference, and how many cells that is."""
    many = "one cell" if cells == 1 else f"{cells} cells"
    also = " Its float current or recharge time has risen too." if backed else ""
    return f"In discharge the bank lies {under_v:.1f} V under its own reference, about {many}: a short is suspected.{also}"


@says(Code.DO_MEASURE_BLOCK_VOLTAGES)
def do_measure_block_voltages() -> str:
    """Say how a shorted cell is found."""
    return "Measure every block's voltage, at rest and under load; a block with a shorted cell is 2 V low."


@says(Code.STRING_OPEN)
def string_open(*, before_v: float, lowest_v: float, silent: bool, strings: int) -> str:
    """Say how a bank slumped at the transfer; `silent`: it gave no current."""
    which = "its string is" if strings == 1 else "strings are"
    return (
        f"At the transfer the bank fell from {before_v:.0f} to {lowest_v:.0f} V at once"
        f"{' and gave no current' if silent else ''}: {which} suspected to be open."
    )


@says(Code.DO_CHECK_LINKS_AND_FUSES)
def do_check_links_and_fuses() -> str:
    """Say what may have opened."""
    return "Do not count on this bank. Have links, fuses and every block checked by qualified people."


@says(Code.RESISTANCE_ROSE)
def resistance_rose(*, now_ohm: float, rise: float) -> str:
    """Say a bank's resistance, and by which share it rose."""
    return f"The bank's resistance is {now_ohm * 1000.0:.0f} mΩ, {rise * 100.0:.0f} % over its reference."


@says(Code.DO_RETORQUE_LINKS)
def do_retorque_links() -> str:
    """Say what makes a resistance rise that can be mended."""
    return "Have the links retorqued and the blocks' ohmic values measured; test the capacity soon."


@says(Code.CAPACITY_FELL)
def capacity_fell(*, earlier: float, later: float) -> str:
    """Say from what to what capacity fell, as fractions."""
    return f"Capacity fell from {earlier * 100.0:.0f} to {later * 100.0:.0f} % between two tests."


@says(Code.DO_TEST_YEARLY)
def do_test_yearly() -> str:
    """Say what follows from a fall."""
    return "Test yearly from now on, and order the replacement as the dates say."


@says(Code.BLOCKS_APART)
def blocks_apart(*, what: str, odd: int, of: int, middle: float, named: tuple[tuple[str, float], ...]) -> str:
    """Say which blocks stand apart by a person's meter, the first few of them by name."""
    listed = ", ".join(f"{name} ({value:.4g})" for name, value in named)
    return f"By hand-measured {what}, {odd} of {of} blocks stand apart (median {middle:.4g}): {listed}."


@says(Code.DO_MEASURE_BLOCKS_AGAIN)
def do_measure_blocks_again() -> str:
    """Say what to do about blocks that stand apart."""
    return "Measure these blocks again under load; replace whole strings, and do not mix ages."


@says(Code.CARD_PROMISES_WRONG)
def card_promises_wrong(*, ratio: float, discharges: int, missed: int) -> str:
    """Say how many times too much or too little a card promised, and how often it called a failing bank sound."""
    times = (
        f"{ratio:.1f} times what was there" if ratio >= 1.0 else f"{ratio * 100.0:.0f} % of what was there"
    )
    failed = f" It called the bank sound {missed} times when it failed." if missed else ""
    return f"The card promised {times} (median of {discharges} discharges).{failed}"


@says(Code.DO_NOT_PLAN_BY_DISPLAY)
def do_not_plan_by_display() -> str:
    """Say what a wrong promise is good for."""
    return "Do not plan by the minutes on the unit's display."


# ---- tests ---------------------------------------------------------------------------------------------------


@says(Code.TEST_NEVER_ACCEPTED)
def never_accepted() -> str:
    """Say that no test of the new bank is on record, as a clause."""
    return "no acceptance test is known"


@says(Code.TEST_TWO_YEARLY)
def two_yearly() -> str:
    """Say how often a bank is tested, as a clause."""
    return "every two years"


@says(Code.TEST_BY_QUARTERS)
def by_quarters(*, life_years: float | None = None) -> str:
    """Say how often a bank is tested that lives less than eight years, as was known at its last test, as a clause."""
    if life_years is None:  # as it was told once
        return "every quarter of the expected life"
    return f"every quarter of the {life_years:.1f} years of life expected at the last test"


@says(Code.TEST_YEARLY_BY_CAPACITY)
def yearly_by_capacity() -> str:
    """Say why a bank is tested every year, as a clause."""
    return "every year: capacity is under 90 %"


@says(Code.TEST_YEARLY_BY_AGE)
def yearly_by_age() -> str:
    """Say why a bank is tested every year, as a clause."""
    return "every year: 85 % of life is over"


@says(Code.TEST_YEARLY_SINCE)
def yearly_since(*, since: date) -> str:
    """Say since when a bank is tested every year, as a clause."""
    return f"every year: worn as known since {day_words(since)}"


@says(Code.TEST_IS_DUE)
def capacity_test_due(*, due: date, why: str, last: date | None) -> str:
    """Say since when a test is due, and when the last was."""
    tested = "never tested" if last is None else f"last tested on {day_words(last)}"
    return f"A capacity test is due since {day_words(due)} ({why}; {tested})."


@says(Code.DO_PLAN_DISCHARGE)
def do_plan_discharge() -> str:
    """Say how deep a test has to be, and what stands ready."""
    return "Plan a discharge of at least half the bank's time, with the generator ready and somebody present."


@says(Code.TEST_MAY_END_BANK)
def may_end_in_test(*, probability: float) -> str:
    """Say how likely a bank ends in its test."""
    return f"In a test to half its published time this bank may end, with a probability of {probability * 100.0:.0f} %."


@says(Code.DO_TEST_WITH_CARE)
def do_test_with_care() -> str:
    """Say how to test a bank that may end in it."""
    return "Test with the load on another unit or the generator running, or replace without a test."


# ---- whether it carries --------------------------------------------------------------------------------------


@says(Code.FAILED_WHEN_ASKED)
def failed_when_asked() -> str:
    """Say that a bank failed its load."""
    return "The bank did not carry its load when it was last asked to."


@says(Code.DO_INSPECT_AT_ONCE)
def do_inspect_at_once() -> str:
    """Say what to do about a bank that failed."""
    return "Do not count on it. Have it inspected and tested at once."


@says(Code.NOT_SHOWN_TO_CARRY)
def not_shown_to_carry(*, days: int, last: date | None) -> str:
    """Say for how many days a bank was not seen to carry."""
    never = "never since its installation" if last is None else f"last on {day_words(last)}"
    return f"The bank has not been shown to carry its load for {days} days ({never}). An open cell would not show."


@says(Code.DO_LET_IT_CARRY)
def do_let_it_carry() -> str:
    """Say how a bank is shown to carry."""
    return "Have it carry the load for a minute or more, at a time when help is at hand."


@says(Code.LOAD_BEYOND_TABLE)
def load_beyond_table(*, power_w_per_cell: float, largest_w: float, shortest_s: float, reached: bool) -> str:
    """Say what a cell would have to give and where its table starts; `reached`: the curve is carried on so far."""
    told = (
        "beyond it the time is carried on by physics, and wide"
        if reached
        else "how long the bank holds then cannot be told"
    )
    return (
        f"With a unit lost each cell would have to give {power_w_per_cell:.0f} W; the table starts at "
        f"{round(shortest_s / 60.0, 1):g} min with {largest_w:.0f} W: {told}."
    )


@says(Code.DO_ASK_FOR_SHORTER_TIMES)
def do_ask_for_shorter_times() -> str:
    """Say who knows more."""
    return "Ask the maker for shorter times, and put them into the estate file."


def _worn_besides(worn: bool | None) -> str:
    return "" if worn is None else " and worn besides" if worn else ", not worn"


@says(Code.BLOCKS_GIVE_LESS)
def blocks_give_less(*, asked_w: float, asked_s: float, given_s: float, worn: bool | None) -> str:
    """Say that new blocks of the type would not do either; `worn`: whether these are worn besides, None: not known."""
    barely = " as published, which too few of them reach" if given_s >= asked_s else ""
    return (
        f"The bank is too small{_worn_besides(worn)}: asked of it are {kilowatts(asked_w)} for {minutes_up(asked_s)}; new "
        f"blocks of this type give that for {minutes(given_s)}{barely}."
    )


@says(Code.DO_NOT_RENEW_ALIKE)
def do_not_renew_alike(*, offers: tuple[str, ...]) -> Advice:
    """Say what helps where the same again would not."""
    return Advice("Do not renew like for like", " ".join((".", *offers)))


@says(Code.BANK_UNSEEN)
def bank_unseen(
    *,
    from_day: date | None,
    to_day: date | None,
    best: date | None = None,
    low: float | None = None,
    high: float | None = None,
) -> str:
    """Say that nothing seen of a bank tells enough, how little the `best` discharge tells, and what its age alone says."""
    age = (
        ""
        if from_day is None or to_day is None
        else f" By its age alone it comes to its end {years_words(from_day, to_day)}."
    )
    little = ""
    if best is not None and low is not None and high is not None:
        between = f"{whole_percent(low)} to {whole_percent(high)} %"
        little = f" The best, of {day_words(best)}, says {between} of rated."
    return f"No discharge of this bank tells enough yet.{little}{age}"
