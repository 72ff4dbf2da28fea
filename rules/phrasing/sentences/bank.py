"""What is said of a bank and of a generator at rest (`rules.alarms.conditions.bank`, `generators`)."""

from __future__ import annotations

from datetime import date

from rules.phrasing.dates import about_day, about_words, day_words
from rules.phrasing.durations import minutes_up
from rules.phrasing.figures import plural
from rules.phrasing.says import says
from rules.values.advice import Advice
from rules.values.code import Code


@says(Code.BANK_PAST_AGE)
def bank_past_age(about: str, *, years: float, worn_years: float | None, design_life_years: float) -> str:
    """Say how old a bank is, and as after how many years it is worn where that is more."""
    warm = "" if worn_years is None else f", worn as after {worn_years:.1f}"
    return f"Bank {about} is {years:.1f} years old{warm}; its design life is {design_life_years:g}."


@says(Code.BANK_RENEW_NOW)
def bank_renew_now(about: str) -> str:
    """Say that a bank is due today."""
    return f"Bank {about} is to be renewed now."


@says(Code.BANK_RENEWAL_MISSED)
def bank_renewal_missed(about: str, *, by: date, early: date | None, late: date | None, today: date) -> str:
    """Say by when a bank should have been renewed, no finer than its end was known."""
    return f"Bank {about} should have been renewed by {about_day(by, early, late, today)}."


@says(Code.BANK_ORDER_NOW)
def bank_order_now(
    about: str,
    *,
    lead_days: int,
    by: date | None,
    early: date | None,
    late: date | None,
    today: date,
) -> str:
    """Say that a bank is to be ordered, how many days that takes, and by when it is needed."""
    needed = "" if by is None else f" by {about_day(by, early, late, today)}"
    return f"Order bank {about} now: its successor takes {lead_days} days and is needed{needed}."


@says(Code.CHARGING_WRONG)
def charging_wrong(about: str, *, because: tuple[str, ...]) -> str:
    """Say how a bank is not charged as it should be."""
    return " ".join((f"Bank {about} is not kept as it should be.", *because))


@says(Code.BANK_FINDINGS)
def bank_findings(about: str, *, findings: tuple[str, ...]) -> str:
    """Say what was found of a bank."""
    return f"Bank {about}: {' '.join(findings)}"


@says(Code.DO_RENEW_LARGER)
def do_renew_larger(*, offers: tuple[str, ...]) -> Advice:
    """Say what helps where the same again would be too small again, and what to do until then."""
    until = "Until then shed load or keep its unit from being the only one."
    return Advice("Do not renew like for like", " ".join((".", *offers, until)))


@says(Code.SET_TEST_DUE)
def set_test_due(about: str, *, because: str) -> str:
    """Say that a generator is to be run, and why."""
    return f"Generator {about} is to be run on load. {because}"


@says(Code.SET_WORDS_FAILING)
def set_words_failing(*, why: str) -> str:
    """Say that the site's word of its generators does not come in, and what the broker says."""
    return f"The broker of [set_words] is not listened to. It says: {why}."


# ---- why a bank's dates moved (`rules.battery.assessment.settled`) -------------------------------------------


def _by(day: date | None, span: tuple[date | None, date | None]) -> str:
    return "none that can be told" if day is None else about_words(day, *span)


@says(Code.BANK_DATES_MOVED)
def bank_dates_moved(
    about: str,
    *,
    before: date | None,
    before_span: tuple[date | None, date | None],
    after: date | None,
    after_span: tuple[date | None, date | None],
    why: str,
) -> str:
    """Say from what to what the day of replacement moved, no finer than it is known unless both read alike."""
    words = [_by(before, before_span), _by(after, after_span)]
    if words[0] == words[1]:
        words = [day_words(day) for day in (before, after) if day is not None]
    return f"Bank {about}: the day to have replaced it by moved from {words[0]} to {words[1]} because {why}."


@says(Code.NEWS_DISCHARGE_JUDGED)
def news_discharge_judged(*, day: date) -> str:
    """Say which discharge is new, as a clause."""
    return f"the discharge of {day_words(day)} was judged"


@says(Code.NEWS_DISCHARGE_KNOWN)
def news_discharge_known() -> str:
    """Say that some discharge is new, as a clause."""
    return "another discharge of it came to be known, or was judged anew"


@says(Code.NEWS_DECLARED)
def news_declared() -> str:
    """Say that the estate file is new, as a clause."""
    return "other things are declared of it"


@says(Code.NEWS_NOTHING_ASKED)
def news_nothing_asked() -> str:
    """Say that nothing is asked any more, as a clause."""
    return "nothing is asked of it now"


@says(Code.NEWS_TIME_ASKED)
def news_time_asked(*, required_s: float) -> str:
    """Say which time is asked now, in s, as a clause."""
    return f"{minutes_up(required_s)} are asked of it now"


@says(Code.NEWS_LOAD_ASKED)
def news_load_asked(*, before_w: float, asked_w: float) -> str:
    """Say from what to what the load went, in W, as a clause."""
    return f"the load asked of it went from {before_w / 1e3:.1f} to {asked_w / 1e3:.1f} kW"


@says(Code.NEWS_TIME_PASSED)
def news_time_passed() -> str:
    """Say that time has passed, as a clause."""
    return "of the time that has passed since"


@says(Code.NEWS_OF_OTHERS)
def news_of_others() -> str:
    """Say that other blocks showed something of their life, as a clause."""
    return "other banks that share its type, its site or its place showed how long they last"


@says(Code.LIFE_BY_OTHERS)
def life_by_others(*, banks: int, before: int, lasts: float, within: tuple[float, float]) -> str:
    """Say what other blocks let expect of a bank's life, as a share of what its class lets expect."""
    earlier = "blocks that were here before" if before == banks else ""
    others = plural(banks - before, "other bank") if banks > before else ""
    whose = " and ".join(
        words for words in (others, earlier or ("its earlier blocks" if before else "")) if words
    )
    low, high = within
    return (
        f"By what {whose} showed, it lasts {lasts:.2f} times what its class lets expect ({low:.2f} to {high:.2f}), "
        "before its own discharges are counted."
    )


# ---- generators: what came back, their starts, their runs on load (`rules.generator`) ------------------------------


@says(Code.SET_TOOK_LOAD)
def set_took_load(*, took_s: float) -> str:
    """Say what the site said."""
    return f"The site says its generator took the load after {took_s:.0f} s."


@says(Code.SET_DID_NOT_CARRY)
def set_did_not_carry(*, took_s: float) -> str:
    """Say what the site said."""
    return f"The site says its generator did not carry; supply was back after {took_s:.0f} s."


@says(Code.RETURN_MARKED)
def return_marked(*, took_s: float, source: str, by: str) -> str:
    """Say who marked what came back."""
    return f"Back after {took_s:.0f} s on the {source}, as {by} marked it."


@says(Code.RETURN_BY_FREQUENCY)
def return_by_frequency(*, took_s: float, units: int, off_hz: float) -> str:
    """Say by how much the input's frequency was off."""
    return (
        f"Back after {took_s:.0f} s; the input then left the mains' band on all {units} units (by {off_hz:.1f} Hz at the "
        "least): a generator."
    )


@says(Code.RETURN_MARKED_UNKNOWN)
def return_marked_unknown(*, took_s: float, by: str) -> str:
    """Say that somebody said that nobody knows."""
    return f"Returned after {took_s:.0f} s; what fed it is not known, says {by}."


@says(Code.RETURN_UNKNOWN)
def return_unknown(*, took_s: float) -> str:
    """Ask for a mark."""
    return f"Returned after {took_s:.0f} s, source not known: mark it."


@says(Code.NO_START_ON_RECORD)
def no_start_on_record() -> str:
    """Say that nothing was learnt."""
    return "No start of the generator is on record with evidence."


@says(Code.STARTS_SEEN)
def starts_seen(*, starts: int, longest_s: float, declared_s: float, beyond: int) -> str:
    """Say what was learnt of a generator's starts beside what is declared, in s."""
    late = f" {beyond} of them took longer than declared: correct the estate file." if beyond else ""
    return f"{starts} starts seen, the longest {longest_s:.0f} s to supply; {declared_s:.0f} s are declared.{late}"


# ---- runs on load --------------------------------------------------------------------------------------------

_NEVER = "A run on load of 30 min at 30 % of rating was never seen."


def _and(first: str, short: str | None) -> str:
    return f"{first} {short}" if short else first


@says(Code.RUN_LAST)
def run_last(
    *,
    ran: date,
    for_s: float,
    load_w: float | None,
    seen_w: float | None,
    rating_w: float,
    enough: bool,
    due: date,
    short: str | None,
) -> str:
    """Say when a generator ran last, how long, at what load, and when the next run is due; `short`: a later run that is none."""
    if load_w is not None:
        load = f" at {load_w / 1e3:.0f} kW, {load_w / rating_w:.0%} of rating"
    elif seen_w is None:
        load = " (its load is not known)"
    else:
        seen = (
            f"of its load the cards see but a part: {seen_w / 1e3:.0f} kW, {seen_w / rating_w:.0%} of rating"
        )
        load = (
            f" ({seen}, which is enough)"
            if enough
            else f" ({seen}; whether it reached 30 % they do not tell)"
        )
    return _and(
        f"Last run on load {day_words(ran)}, {for_s / 60:.0f} min{load}; due {day_words(due)}.", short
    )


@says(Code.RUN_NEVER_SEEN)
def run_never_seen(*, short: str | None) -> str:
    """Say that no run counts."""
    return _and(_NEVER, short)


@says(Code.RUN_NEVER_SEEN_SINCE)
def run_never_seen_since(*, since: date, short: str | None) -> str:
    """Say since when the site tells of a generator without a run that counts."""
    return _and(f"{_NEVER} The site tells of the generator since {day_words(since)}.", short)


@says(Code.RUNS_NOT_TOLD)
def runs_not_told() -> str:
    """Say that nothing tells of runs."""
    return f"{_NEVER} Nothing tells of its runs."


@says(Code.RUN_TOO_SHORT)
def run_too_short(*, ran: date, for_s: float) -> str:
    """Say that a run was short."""
    return f"The run of {day_words(ran)} took {for_s / 60:.0f} min; 30 are asked."


@says(Code.RUN_TOO_LIGHT)
def run_too_light(*, ran: date, load_w: float, rating_w: float) -> str:
    """Say that a run carried little."""
    part = load_w / rating_w
    return f"The run of {day_words(ran)} carried {load_w / 1e3:.0f} kW, {part:.0%} of rating; 30 % are asked."
