"""What is said of a bank stands until there is a reason to say something else.

A judgement is made anew twice a day, after every start, and whenever a report is printed; its inputs carry the
noise of the load and of a probe, and dates that wander by weeks for no reason are trusted by nobody. So the dates,
the test that is due and whether the bank is too small stand while the evidence is the same and the load asked of
it has not moved by more than a twentieth; on a new day they move once what is reckoned has come away from them by
more than a fortnight and a tenth of the time to go. So it is with what other banks showed of their life: after an
outage all of them are judged one by one, and each would move the others' days a little. When they move, it is said
from what to what, and why.
The day on which a test fell due is past, and moves by no evidence but a test.

Nor was anything due before anybody could know of it: a day to order that comes out in the past is today, unless
the evidence showed the bank to be over, or it was said before.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Final

from rules.battery.assessment.faults import (
    TEST_DUE,
    TEST_RISKY,
    UNDERSIZED,
    UNPROVEN,
    findings_of_tests,
    in_one_plan,
)
from rules.battery.state import BankFinding, BankState, ReplacementDates, RestsOn, TestPlan
from rules.values.code import Code
from rules.values.reason import Reason, reason

SAME_LOAD: Final = 0.05
"""Share by which the load asked of a bank may move without being news."""
VISITED_WITHIN: Final = timedelta(days=21)
"""For so long after its day an advised discharge stands: those of one system follow each other by weeks."""
DRIFT_DAYS: Final = 14
DRIFT_SHARE: Final = 0.1
_OF_DATES: Final = (TEST_DUE, TEST_RISKY, UNDERSIZED, UNPROVEN)


@dataclass(frozen=True, slots=True)
class Settled:
    """A state as it is said, and how its dates moved; None where they did not, or there were none before."""

    state: BankState
    moved: Reason | None = None


def settled(new: BankState, before: BankState | None, today: date) -> Settled:
    """Return what is said of a bank today, from its new judgement and from what was said before.

    `before`: the last that was said, None where nothing was. A state of other blocks counts as nothing.
    """
    old = before if before is not None and _same_blocks(new, before) else None
    told = None if old is None else old.dates
    dates = _not_before_known(new.dates, told, today)
    if old is None or told is None or new.rests_on is None or old.rests_on is None:
        return Settled(_with(new, replace(new, dates=dates), today))
    why = _news(new.rests_on, old.rests_on)
    same_day = new.rests_on.judged_on == old.rests_on.judged_on
    if why is None and (same_day or not _came_away(dates, told, today)):
        kept = replace(
            new,
            dates=told,
            tests=old.tests
            if new.tests is None or old.tests is None
            else _same_test(new.tests, old.tests, told, today),
            too_small=old.too_small,
            offers=old.offers,
            asked_fraction=old.asked_fraction if same_day else new.asked_fraction,
            probability_met=old.probability_met if same_day else new.probability_met,
            rests_on=replace(old.rests_on, judged_on=new.rests_on.judged_on, teaches=new.rests_on.teaches),
            by_others=old.by_others,
        )
        return Settled(_with(new, kept, today, old))
    tests = new.tests
    if tests is not None and old.tests is not None and new.rests_on.declared == old.rests_on.declared:
        tests = _fell_due(tests, old.tests, today)
    said = replace(new, dates=dates, tests=tests)
    if why is None and new.rests_on.others != old.rests_on.others:
        why = reason(Code.NEWS_OF_OTHERS)
    return Settled(_with(new, said, today), _moved(new.id, told, dates, why or reason(Code.NEWS_TIME_PASSED)))


def _same_test(new: TestPlan, old: TestPlan, told: ReplacementDates, today: date) -> TestPlan:
    """Return the test as it was told: its day by the interval, and the discharge that pays while a visit may still make it."""
    if old.advice is not None and old.advice.on + VISITED_WITHIN >= today:
        return replace(new, due=old.due, advice=old.advice, without_advice=None)
    advice = None if new.advice is None else replace(new.advice, order_by=told.order_by)
    return replace(new, due=old.due, advice=advice)


def _fell_due(new: TestPlan, old: TestPlan, today: date) -> TestPlan:
    """Return a test that fell due as it was told, until one is made: what is learnt afterwards moves no day that is past."""
    if old.due > today or new.last != old.last:
        return new
    return replace(new, due=old.due, interval_days=old.interval_days, because=old.because)


def _same_blocks(new: BankState, old: BankState) -> bool:
    """Return whether a state was said of the blocks now in place, and with what is asked of them known."""
    if new.rests_on is None or old.rests_on is None or old.rests_on.awaits:
        return False
    return new.rests_on.blocks == old.rests_on.blocks


def _not_before_known(
    dates: ReplacementDates, told: ReplacementDates | None, today: date
) -> ReplacementDates:
    order, by = dates.order_by, dates.replace_by
    if order is None or by is None or order >= today or dates.shown_over:
        return dates
    before = None if told is None else told.order_by
    known = max(order, before) if before is not None and before < today else today
    return replace(dates, order_by=known, replace_by=known + (by - order))


def _news(new: RestsOn, old: RestsOn) -> Reason | None:
    """Return why something else may be said than before; None where nothing is new.

    What is asked is not known right after a start (`awaits`): that is no news.
    """
    if new.told != old.told:
        if new.last_discharge is not None and new.last_discharge != old.last_discharge:
            return reason(Code.NEWS_DISCHARGE_JUDGED, day=new.last_discharge)
        return reason(Code.NEWS_DISCHARGE_KNOWN)
    if new.declared != old.declared:
        return reason(Code.NEWS_DECLARED)
    return None if new.awaits else _news_of_what_is_asked(new, old)


def _news_of_what_is_asked(new: RestsOn, old: RestsOn) -> Reason | None:
    if new.required_s is None or new.asked_w is None:
        return None if old.required_s is None else reason(Code.NEWS_NOTHING_ASKED)
    if new.required_s != old.required_s:
        return reason(Code.NEWS_TIME_ASKED, required_s=new.required_s)
    if old.asked_w is not None and abs(new.asked_w - old.asked_w) <= SAME_LOAD * old.asked_w:
        return None
    return reason(Code.NEWS_LOAD_ASKED, before_w=old.asked_w or 0.0, asked_w=new.asked_w)


def _came_away(new: ReplacementDates, old: ReplacementDates, today: date) -> bool:
    pairs = (
        (new.order_by, old.order_by),
        (new.replace_by, old.replace_by),
        (new.expected_end, old.expected_end),
        (_last_by_age(new), _last_by_age(old)),
    )
    for now, then in pairs:
        if (now is None) != (then is None):
            return True
        if now is not None and then is not None:
            to_go = max((then - today).days, 0)
            if abs((now - then).days) > DRIFT_DAYS + DRIFT_SHARE * to_go:
                return True
    return False


def _last_by_age(dates: ReplacementDates) -> date | None:
    return None if dates.by_age_alone is None else dates.by_age_alone.to_day


def _with(new: BankState, said: BankState, today: date, old: BankState | None = None) -> BankState:
    """Return what is said with the findings that go with its dates; `old`: whose findings on them stand."""
    dates = said.dates
    due = dates.order_by is not None and dates.order_by <= today
    tests: tuple[BankFinding, ...] = ()
    if said.tests is not None:
        tests = findings_of_tests(said.id, said.tests, today, renewed=due, unproven=said.unproven)
    stand = tuple(f for f in (old or new).findings if f.kind in {UNDERSIZED, UNPROVEN})
    others = tuple(f for f in new.findings if f.kind not in _OF_DATES)
    findings = in_one_plan((*others, *stand, *tests), said.id, said.tests, today, renewed=due)
    return replace(said, findings=findings)


def _moved(bank: str, old: ReplacementDates, new: ReplacementDates, why: Reason) -> Reason | None:
    """Return from what to what the day of replacement moved, with how well it is known; None for a few days."""
    before, after = old.replace_by, new.replace_by
    if before is None and after is None:
        return None
    if before is not None and after is not None and abs(after - before) <= timedelta(days=DRIFT_DAYS):
        return None
    return reason(
        Code.BANK_DATES_MOVED,
        bank,
        before=before,
        before_span=(old.ends_early, old.ends_late),
        after=after,
        after_span=(new.ends_early, new.ends_late),
        why=why,
    )
