"""What was played last for each answer that is kept ready: a question asked again differs in its moment alone, mostly.

An answer is made anew every two minutes; of a system at rest the load moved by its noise meanwhile, and its banks by
nothing. What was played of that stands, and costs the judging process nothing.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from rules.battery.model.health import BankBelief
from rules.system.answered import same_question
from rules.system.hold_up.task import HoldUpTask, steadied

R = TypeVar("R")


@dataclass(frozen=True, slots=True)
class _Played(Generic[R]):
    task: HoldUpTask
    beliefs: Mapping[str, BankBelief]
    asked: Any
    result: R


class PlayedBefore(Generic[R]):
    """The last question about each thing, and what came of it."""

    def __init__(self) -> None:
        self._last: dict[Hashable, _Played[R]] = {}

    def steadied(self, about: Hashable, task: HoldUpTask) -> HoldUpTask:
        """Return a task with the load that was played last, where it moved by its noise alone since."""
        before = self._last.get(about)
        return task if before is None else steadied(task, before.task)

    def result(
        self, about: Hashable, task: HoldUpTask, beliefs: Mapping[str, BankBelief], asked: object = None
    ) -> R | None:
        """Return what came of the same question, None where the last one was another. `asked`: what else is in it."""
        before = self._last.get(about)
        if before is None or before.asked != asked:
            return None
        return before.result if same_question(task, beliefs, before.task, before.beliefs) else None

    def keep(
        self,
        about: Hashable,
        task: HoldUpTask,
        beliefs: Mapping[str, BankBelief],
        result: R,
        asked: object = None,
    ) -> None:
        """Remember what came of a question, in the place of the one before."""
        self._last[about] = _Played(task, beliefs, asked, result)
