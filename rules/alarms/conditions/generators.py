"""What is to be told of the standby sets at rest: a test on load that is overdue, a word that does not come in."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from rules.alarms.conditions.condition import Condition
from rules.alarms.conditions.service import SERVICE
from rules.alarms.lifecycle.course import Observation
from rules.generator.test_runs import SetTest
from rules.values.code import Code
from rules.values.reason import reason


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
