"""What a stopped service would say: everything judged again from a data folder, as of its newest reading.

For printed reports and whoever wants an answer while no service runs. The judgements are made here, one after
the other, by the same rules on the same evidence; none of it is kept.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar

from collector.planning.planner import NotYet, Planner
from collector.process.clock import TurnedClock, stamp
from collector.read_model.stored import NothingStoredError, StoredEstate
from collector.recorder.current_state import Present
from collector.recorder.monitor_state import kept_state
from rules.battery.model.health import BankBelief
from rules.system.assessment import SystemObservation, SystemView, glance, system_state, task_of
from rules.system.hold_up_sampling import SEED, hold_ups
from rules.system.load_record import PeakRecord

T = TypeVar("T")


class InPlace:
    """A judging process that is none: it answers here and now."""

    async def ask(
        self,
        key: str,  # noqa: ARG002
        function: Callable[..., T],
        *arguments: object,
        about: str | None = None,  # noqa: ARG002
    ) -> T:
        """Return what the function gives."""
        return function(*arguments)


@dataclass(frozen=True)
class StoredAnswers:
    """The present as it was at `as_of`, and who answers questions about plans on it."""

    as_of: datetime
    present: Present
    planner: Planner


async def stored_answers(
    kept: StoredEstate, progress: Callable[[str], None] = lambda _text: None
) -> StoredAnswers:
    """Return everything judged again from what is stored. Raises NothingStoredError where nothing was ever read."""
    estate, present = kept.estate, kept.present
    if not present.readings:
        raise NothingStoredError(f"{kept.folder}: no reading is stored here")
    as_of = max(reading.at for reading in present.readings.values())
    clock = TurnedClock(as_of, "stored answers")
    seen: dict[str, tuple[SystemView, SystemObservation]] = {}
    beliefs: dict[str, BankBelief] = {}
    for system in estate.systems:
        if kept.read_at(system) is None:
            continue
        progress(f"judging {system}")
        view = kept.view(system, stamp(clock))
        found = await kept.beliefs(system)
        beliefs |= found
        task = task_of(view, glance(view))
        judged = hold_ups(task, found, SEED)
        present.hold_ups[system] = judged
        seen[system] = view, glance(view, judged)
        present.systems[system] = system_state(view, seen[system][1], judged)
    for bank in estate.banks.values():  # again, now that it is known what is asked of each
        judgement = await kept.judged(bank, as_of)
        if judgement is not None:
            present.banks[bank.id] = judgement.state
    present.alarms = dict((await kept_state(kept.ledger)).alarms)
    planner = Planner(
        estate,
        InPlace(),
        clock,
        present,
        seen=seen.get,
        record=lambda system: _record(kept.records, system),
        beliefs=lambda: beliefs,
        ledger=kept.ledger,
    )
    for system in seen:
        try:
            size = await planner.sizes(system)
        except NotYet:
            continue
        if size is not None:
            present.sizes[system] = size
    return StoredAnswers(as_of, present, planner)


def _record(records: Mapping[str, PeakRecord], system: str) -> PeakRecord:
    return records.get(system) or PeakRecord(())
