"""A question of the hold-up that was answered before: the same task and beliefs give the same answer, at any moment.

Moments are names in a question, not figures: what was asked for a while ago by the same load and the same draws
need not be played again, only dated anew.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from operator import attrgetter, is_
from typing import Final

from rules.battery.model.health import BankBelief
from rules.system.hold_up.judgement import HoldUpJudgement
from rules.system.hold_up.task import HoldUpTask

_but_moment: Final = attrgetter(*(item.name for item in fields(HoldUpJudgement) if item.name != "as_of"))
_of_belief: Final = attrgetter(*(item.name for item in fields(BankBelief) if item.name != "as_of"))


@dataclass(frozen=True, slots=True)
class Answered:
    """What was asked last of one system, and what came back."""

    task: HoldUpTask
    beliefs: Mapping[str, BankBelief]
    judged: HoldUpJudgement

    def for_now(self, task: HoldUpTask, beliefs: Mapping[str, BankBelief]) -> HoldUpJudgement | None:
        """Return the answer to a question that differs from this one in its moment alone, None for another one.

        Draws and tables count as the same only where they are the very same object: a bank at rest keeps them.
        """
        same = same_question(task, beliefs, self.task, self.beliefs)
        return replace(self.judged, as_of=task.as_of) if same else None


def same_question(
    task: HoldUpTask,
    beliefs: Mapping[str, BankBelief],
    before: HoldUpTask,
    beliefs_before: Mapping[str, BankBelief],
) -> bool:
    """Return whether a task with its beliefs differs from an earlier one in its moment alone."""
    return (
        beliefs.keys() == beliefs_before.keys()
        and replace(task, as_of=None) == replace(before, as_of=None)
        and all(_same_draws(belief, beliefs_before[bank]) for bank, belief in beliefs.items())
    )


def dated_anew(now: HoldUpJudgement, before: HoldUpJudgement | None) -> bool:
    """Return whether a judgement is an earlier one under a new moment, made by `for_now`: all else is the very same."""
    return before is not None and all(map(is_, _but_moment(now), _but_moment(before)))


def _same_draws(one: BankBelief, other: BankBelief) -> bool:
    return all(
        a is b or (isinstance(a, float) and isinstance(b, float) and a == b)
        for a, b in zip(_of_belief(one), _of_belief(other), strict=True)
    )
