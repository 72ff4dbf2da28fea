"""What each system's end was last foretold from: kept in the ledger while the system is on its banks.

Once its cards fall silent no judgement of a hold-up can tell any more, and after a restart none was made. The last
one that could tell is what the countdown then goes on from (`rules.system.assessment.on_battery`).
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Final

from collector.storage.ledger import Transaction
from collector.storage.ledger.records import Snapshot
from rules.monitor.clock_moved import moved
from rules.system.hold_up_sampling import HoldUpJudgement
from rules.values.serial import from_plain, to_plain

COUNTDOWN: Final = "countdown/"
"""What the names of the snapshots begin with; the system's id follows."""
SCHEMA: Final = "countdown/1"


class Countdowns:
    """The newest judgement of each system's hold-up that could tell."""

    def __init__(self) -> None:
        self._told: dict[str, HoldUpJudgement] = {}
        self._kept: dict[str, HoldUpJudgement] = {}

    def take(self, judged: HoldUpJudgement) -> None:
        """Take in a judgement; one that cannot tell replaces none that could."""
        if judged.hold_ups.now.low_s is not None:
            self._told[judged.system] = judged

    def told(self, system: str) -> HoldUpJudgement | None:
        """Return the newest judgement of a system's hold-up that could tell."""
        return self._told.get(system)

    def move_clock(self, by: timedelta) -> None:
        """Move along what was noted before the clock was set; the ledger gets it anew."""
        self._told = moved(self._told, by)

    def unkept(self, lit: Iterable[str]) -> tuple[HoldUpJudgement, ...]:
        """Return the judgements to be kept: of systems on their banks (`lit`), as far as the ledger has them not yet."""
        return tuple(
            told
            for name in sorted(lit)
            if (told := self._told.get(name)) is not None and self._kept.get(name) is not told
        )

    @staticmethod
    def save(tx: Transaction, unkept: Iterable[HoldUpJudgement], now: datetime) -> None:
        """Put judgements into a transaction; `kept` once it is committed."""
        for told in unkept:
            tx.save_snapshot(Snapshot(COUNTDOWN + told.system, now, SCHEMA, to_plain(told)))

    def kept(self, saved: Iterable[HoldUpJudgement]) -> None:
        """Take note that the ledger has these."""
        self._kept |= {told.system: told for told in saved}

    def restore(self, kept: Iterable[Snapshot], systems: Iterable[str]) -> None:
        """Go on from what the ledger holds of the systems there are."""
        known = frozenset(systems)
        for line in kept:
            if line.name.removeprefix(COUNTDOWN) in known:
                told = from_plain(HoldUpJudgement, line.body)
                self._told[told.system] = self._kept[told.system] = told
