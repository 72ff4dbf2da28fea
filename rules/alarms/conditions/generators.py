"""What is to be told of the standby sets: a test on load that is overdue, a word that does not come in; in an outage what to do."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from rules.alarms.conditions.condition import Condition
from rules.alarms.conditions.service import SERVICE
from rules.alarms.conditions.shedding import holds_without
from rules.alarms.lifecycle.course import Observation
from rules.generator.outage_source import SetSays, says_it_runs
from rules.generator.test_runs import SetTest
from rules.system.state import OnBattery
from rules.values.code import Code
from rules.values.reason import Reason, reason


@dataclass(frozen=True, slots=True)
class SetFigures:
    """How the sets stand with their tests, by id; `deaf`: why the site's word does not come in by the broker."""

    tests: Mapping[str, SetTest] = field(default_factory=dict)
    listens: bool = False
    deaf: str | None = None


def set_conditions(figures: SetFigures) -> Iterator[Condition]:
    """Yield whether each generator's test is overdue: not known of one of which nothing tells, since it may be tested weekly."""
    for name, test in sorted(figures.tests.items()):
        overdue = test.overdue if test.heard else None
        what = reason(Code.SET_TEST_DUE, name, because=test.because)
        yield Condition("set_test_due", name, Observation(overdue, what))
    heard = figures.deaf is not None if figures.listens else False
    deaf = reason(Code.SET_WORDS_FAILING, why=figures.deaf) if figures.deaf else None
    yield Condition("set_words_failing", SERVICE, Observation(heard, deaf))


def set_advice(outage: OnBattery, at: datetime, shed: Reason | None = None) -> Reason | None:
    """Return what to do about the generator where that is not to go and start it by hand; None where it is.

    The site says that it runs: then it is not taken on. Or somebody who sets out now comes too late. `shed`: what to shed
    first, in words.
    """
    if says_it_runs(outage.set_says):
        return reason(Code.DO_TAKE_SET_ON_LOAD, carries=outage.set_says is SetSays.CARRIES, shed=shed)
    ends = outage.ends_earliest
    if outage.hand_s is None or ends is None or outage.set_out_before is None or outage.set_out_before >= at:
        return None
    most_s = None if outage.ends_latest is None else (outage.ends_latest - at).total_seconds()
    return reason(
        Code.DO_WITHOUT_SET,
        hand_s=outage.hand_s,
        left_s=max((ends - at).total_seconds(), 0.0),
        most_s=most_s if most_s is not None and most_s >= outage.hand_s else None,
        helps=_shedding_helps(outage, at, ends),
        shed=shed,
    )


def _shedding_helps(outage: OnBattery, at: datetime, ends: datetime) -> bool:
    """Return whether with what is advised shed now it holds until somebody has started the generator by hand."""
    shed, hand_s = outage.shed, outage.hand_s or 0.0
    if shed is None or not shed.steps or shed.all_shed or not shed.reached or holds_without(shed, at, ends):
        return False
    in_time = shed.shed_by is None or at <= shed.shed_by
    return in_time and shed.ends_earliest is not None and (shed.ends_earliest - at).total_seconds() >= hand_s


def see_it_runs(outage: OnBattery, at: datetime) -> Reason | None:
    """Return what to do about a generator that may still come by itself; None where the catalogue says it."""
    if says_it_runs(outage.set_says):
        return set_advice(outage, at)
    if outage.hand_s is None or outage.set_out_before is None:
        return None
    within_s = (outage.set_out_before - at).total_seconds()
    return reason(Code.DO_SEE_SET_RUNS, hand_s=outage.hand_s, within_s=within_s if within_s >= 0.0 else None)
