"""What the site and its people say of a generator or an outage: given to the tracker of outages, kept in the journal.

The journal's line, what is found by it and what the tracker remembers commit together.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from collector.process.clock import Clock
from collector.recorder.journal_lines import save_change
from collector.recorder.trackers.outages import OutageTracker
from collector.storage.ledger import Ledger, Transaction
from collector.storage.ledger.records import JournalLine
from rules.alarms.conditions.service import SERVICE
from rules.alarms.events import PowerEvent
from rules.generator.outage_source import OutageSource, SetWord, SourceMark

CAME_BACK: dict[OutageSource, str] = {
    OutageSource.MAINS: "supply came back on the mains",
    OutageSource.GENERATOR: "supply came back on the generator",
    OutageSource.UNKNOWN: "what the supply came back on is not known",
}


class Testimony:
    """Takes words and marks."""

    __test__ = False  # not a test case, whatever its name suggests to pytest

    def __init__(self, outages: OutageTracker, ledger: Ledger, clock: Clock) -> None:
        self._outages = outages
        self._ledger = ledger
        self._clock = clock

    async def word(self, generator: str, word: SetWord) -> int | None:
        """Keep the site's word about a generator; return its line in the journal, None where it repeats the last."""
        before = self._outages.last_word(generator)
        found = self._outages.word(generator, word)
        if before is not None and word.repeats(before) and not found:
            return None
        said = "runs and carries the load" if word.on_load else "runs" if word.running else "stands"
        load = "" if word.load_w is None else f", {word.load_w / 1000:.0f} kW"
        body = {"running": word.running, "carries": word.carries, "load_w": word.load_w}
        text = f"The site says that {generator} {said}{load}."
        line = JournalLine(word.at, "generator_state", generator, text, schema="set-word/1", body=body)
        return await self._keep(line, found)

    async def mark(
        self, incident: str, by: str, source: OutageSource, lost_at: datetime | None = None
    ) -> int:
        """Keep a person's mark on an outage; return its line in the journal. Raises NoSuchOutage."""
        now = self._clock.now()
        outage = self._outages.outage_of(incident, lost_at)
        found = self._outages.mark(incident, SourceMark(by, now, source), outage.lost_at)
        body = {"by": by, "source": source.value, "lost_at": outage.lost_at.isoformat()}
        text = f"{by} marked: {CAME_BACK[source]}."
        line = JournalLine(
            now, "outage_marked", outage.supply, text, incident=incident, schema="outage-mark/1", body=body
        )
        return await self._keep(line, found)

    async def refusal(self, about: str, text: str) -> None:
        """Keep that a message which may have been the site's word was not taken."""
        await self._keep(JournalLine(self._clock.now(), "set_word_refused", about or SERVICE, text), ())

    async def _keep(self, line: JournalLine, found: Sequence[PowerEvent]) -> int:
        async with self._ledger.transaction() as tx:
            tx.add_event(line)
            self._keep_found(tx, found)
        return tx.journal[0].seq

    def _keep_found(self, tx: Transaction, found: Sequence[PowerEvent]) -> None:
        for event in found:
            save_change(tx, event)
        self._outages.save(tx, self._clock.now())
