"""Notifications in the journal: what a card sent by itself, beside what its polls then showed.

They come unasked, so they are limited: so many lines for one sender and for all in ten minutes; what came above
that is counted and told in one line. Their text is a stranger's: it was made safe when it was decoded, is cut
short here, and is escaped by whoever shows it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from collector.cards.mib.upsmib import ALARMS, OBJECTS, SYS_UP_TIME
from collector.cards.traps.receiver import Notification
from collector.process.clock import Clock
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import JournalLine
from rules.plant.estate import Estate

KIND: Final = "notification"
WRITE_EVERY_S: Final = 1.0
WITHIN_S: Final = 600.0
MOST_OF_ONE: Final = 20
MOST_OF_ALL: Final = 200
MOST_SAID: Final = 6
LONGEST_SAID: Final = 60
_NAMES: Final = {item.oid: item.name for item in OBJECTS}
_LEFT_OUT: Final = frozenset({SYS_UP_TIME, "1.3.6.1.6.3.1.1.4.1.0"})  # when, and which: said already


@dataclass(slots=True)
class _Window:
    """What came of one sender (or of all) since `began_s`: lines written, and those only counted."""

    began_s: float
    lines: int = 0
    more: int = 0


@dataclass(slots=True)
class HeardNotifications:
    """Takes notifications on the event loop, at once; `run` writes them every second."""

    estate: Estate
    ledger: Ledger
    clock: Clock
    _waiting: list[JournalLine] = field(default_factory=list)
    _windows: dict[tuple[str, ...], _Window] = field(default_factory=dict)
    _all: _Window | None = None

    def hear(self, heard: Notification) -> None:
        """Take one notification. Never blocks; keeps at most `MOST_OF_ALL` lines in `WITHIN_S`."""
        now_s = self.clock.monotonic_s()
        if self._all is None or now_s - self._all.began_s >= WITHIN_S:
            self._all = _Window(now_s)
        window = self._windows.setdefault(heard.cards, _Window(now_s))
        if now_s - window.began_s >= WITHIN_S:
            self._close(heard.cards)
            window = self._windows[heard.cards] = _Window(now_s)
        if window.lines >= MOST_OF_ONE or self._all.lines >= MOST_OF_ALL:
            window.more += 1
            return
        window.lines += 1
        self._all.lines += 1
        self._waiting.append(self._line(heard))

    async def run(self) -> None:
        """Write what came, until cancelled."""
        while True:
            await self.clock.sleep_until(self.clock.monotonic_s() + WRITE_EVERY_S)
            await self.write()

    async def write(self) -> None:
        """Put what came since the last time into the journal."""
        now_s = self.clock.monotonic_s()
        for cards in [c for c, w in self._windows.items() if now_s - w.began_s >= WITHIN_S]:
            self._close(cards)
        lines, self._waiting = self._waiting, []
        async with self.ledger.transaction() as tx:
            tx.add_events(lines)

    def _close(self, cards: tuple[str, ...]) -> None:
        window = self._windows.pop(cards)
        if window.more:
            text = f"{window.more} more notifications came from {self._sender(cards)} and are not listed."
            body = {"cards": list(cards), "more": window.more}
            about = self._about(cards)
            self._waiting.append(
                JournalLine(self.clock.now(), KIND, about, text, schema="notification/1", body=body)
            )

    def _line(self, heard: Notification) -> JournalLine:
        said = [(oid, text) for oid, text in heard.varbinds if oid not in _LEFT_OUT]
        shown = "; ".join(f"{_NAMES.get(oid, oid)} {_short(text)}" for oid, text in said[:MOST_SAID])
        text = f"{_capital(self._sender(heard.cards))} sent {_short(heard.name)}" + (
            f": {shown}." if shown else "."
        )
        body = {
            "cards": list(heard.cards),
            "source": heard.source,
            "name": heard.name,
            "oid": heard.oid,
            "said": [list(pair) for pair in said],
        }
        return JournalLine(heard.at, KIND, self._about(heard.cards), text, schema="notification/1", body=body)

    def _about(self, cards: tuple[str, ...]) -> str | None:
        """Return the unit it is about, None where several cards share an address."""
        return self.estate.cards[cards[0]].covers[0] if len(cards) == 1 else None

    def _sender(self, cards: tuple[str, ...]) -> str:
        return f"card {cards[0]}" if len(cards) == 1 else f"one of the cards {', '.join(cards)}"


def _short(text: str) -> str:
    said = ALARMS.get(text, text)
    return said if len(said) <= LONGEST_SAID else f"{said[: LONGEST_SAID - 1]}…"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
