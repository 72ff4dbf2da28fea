"""What each system's end was last foretold from: kept in the ledger while the system is on its banks.

Once its cards fall silent no judgement of a hold-up can tell any more, and after a restart none was made. The last
one that could tell is what the countdown then goes on from (`rules.system.outage.on_battery`).
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime, timedelta
from typing import Final

from collector.storage.ledger import Ledger, Transaction
from collector.storage.ledger.records import Snapshot
from rules.monitor.clock_moved import moved
from rules.plant.estate import Estate
from rules.system.hold_up.judgement import HoldUpJudgement
from rules.values.serial import from_plain, to_plain

COUNTDOWN: Final = "countdown/"
"""What the names of the snapshots begin with; the system's id follows."""
SCHEMA: Final = "countdown/1"


class Countdowns:
    """The newest judgement of each system's hold-up that could tell. `lit`: the systems that are on their banks now."""

    def __init__(self, estate: Estate, lit: Collection[str]) -> None:
        self._systems = frozenset(estate.systems)
        self._lit = lit
        self._told: dict[str, HoldUpJudgement] = {}
        self._kept: dict[str, HoldUpJudgement] = {}
        self._saved: tuple[HoldUpJudgement, ...] = ()

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

    @property
    def pending(self) -> bool:
        """Return whether the ledger lacks the judgement of a system that is on its banks."""
        return bool(self._unkept())

    def _unkept(self) -> tuple[HoldUpJudgement, ...]:
        return tuple(
            told
            for name in sorted(self._lit)
            if (told := self._told.get(name)) is not None and self._kept.get(name) is not told
        )

    def save(self, tx: Transaction, now: datetime, *, stopping: bool = False) -> None:  # noqa: ARG002 - of the protocol
        """Put the judgements that the ledger lacks into a transaction."""
        self._saved = self._unkept()
        for told in self._saved:
            tx.save_snapshot(Snapshot(COUNTDOWN + told.system, now, SCHEMA, to_plain(told)))

    def committed(self) -> None:
        """Take note that the ledger has them."""
        self._kept |= {told.system: told for told in self._saved}
        self._saved = ()

    async def restore(self, ledger: Ledger) -> None:
        """Go on from what the ledger holds of the systems there are."""
        for line in await ledger.snapshots(COUNTDOWN):
            if line.name.removeprefix(COUNTDOWN) in self._systems:
                told = from_plain(HoldUpJudgement, line.body)
                self._told[told.system] = self._kept[told.system] = told
