"""Goes through a recorded day again, in a process of its own."""

from __future__ import annotations

import pickle
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from rules.battery.assessment.bank import BankJudgement, judge_bank
from rules.battery.assessment.evidence import BankEvidence
from rules.battery.model.health import BankBelief
from rules.monitor.inputs import Input
from rules.monitor.outputs import Change
from rules.monitor.state import Book, WatchState
from rules.monitor.step import step
from rules.system.hold_up.judgement import HoldUpJudgement, hold_ups
from rules.system.hold_up.sampling import DRAWS
from rules.system.hold_up.task import HoldUpTask


@dataclass(frozen=True)
class Record:
    """A day as the watch was given it, and what each judgement in it was made of."""

    book: Book
    inputs: tuple[Input, ...]
    systems: tuple[tuple[HoldUpTask, Mapping[str, BankBelief], int], ...]
    banks: tuple[tuple[BankEvidence, int], ...]


@dataclass(frozen=True)
class Result:
    """What a fresh watch and fresh judgements made of a record."""

    state: WatchState
    changes: tuple[tuple[Change, ...], ...]
    systems: tuple[HoldUpJudgement, ...]
    banks: tuple[BankJudgement, ...]


def replayed(record: Record) -> Result:
    """Return what a fresh watch makes of the inputs, and the judgements reckoned anew from their seeds."""
    state, changes = WatchState(), []
    for given in record.inputs:
        state, found = step(state, given, record.book)
        changes.append(found)
    return Result(
        state,
        tuple(changes),
        tuple(hold_ups(task, beliefs, seed, DRAWS) for task, beliefs, seed in record.systems),
        tuple(judge_bank(evidence, seed) for evidence, seed in record.banks),
    )


def main() -> None:
    """Read the record named first, write the result to the file named second."""
    record = pickle.loads(Path(sys.argv[1]).read_bytes())
    Path(sys.argv[2]).write_bytes(pickle.dumps(replayed(record)))
