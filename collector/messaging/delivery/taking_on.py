"""Somebody has it: every alarm of an incident acknowledged in one word, and everybody else who was told of it is told who.

It comes from the page, over HTTP, or by the link in a message. What is acknowledged goes the way of every operator's word,
through the recorder; who has it is an action in the ledger, kept with the messages that tell the others.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final, Protocol
from zoneinfo import ZoneInfo

from collector.messaging.delivery.dispatch import Dispatch
from collector.messaging.delivery.letter import LETTER, Letter
from collector.messaging.delivery.office import told
from collector.process.clock import Clock, stamp
from collector.storage.ledger.ledger import Ledger
from collector.storage.ledger.records import Action, JournalLine, Sending
from collector.storage.ledger.whence import not_the_last
from rules.alarms.incidents.incident import Incident, Notice, NoticeKind, NoticeNews
from rules.alarms.lifecycle.alarm import Alarm
from rules.alarms.lifecycle.states import State
from rules.monitor.inputs import OperatorAction, OperatorCommand
from rules.phrasing.reasons import say
from rules.phrasing.text import short_form

TAKE_ON: Final = "take_on"
LONGEST_MIN: Final = 720
"""The most minutes somebody may say they need: half a day."""
TAKEN: Final = ".taken."
"""Stands in the id of a notice that says who has an incident."""
WANTED: Final = frozenset({State.ACTIVE_UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED})


class NotTakenOn(Exception):  # noqa: N818 - it says how things stand
    """There is nothing to take on, or it was answered already; says why in a sentence."""


@dataclass(frozen=True, slots=True)
class TakenOn:
    """Who has an incident: since when, what they said of it, and how many alarms were acknowledged with it."""

    incident: str
    by: str
    at: datetime
    note: str
    acknowledged: int


class WatchStanding(Protocol):
    """What stands, as the watch has it."""

    @property
    def incidents(self) -> Mapping[str, Incident]:
        """The incidents that are looked after."""

    @property
    def alarms(self) -> Mapping[str, Alarm]:
        """The alarms that are not normal."""


class TakingOn:
    """Takes incidents on. `standing`: what stands now; `ask` hands an operator's word to the recorder."""

    def __init__(
        self,
        ledger: Ledger,
        clock: Clock,
        dispatch: Dispatch,
        *,
        standing: Callable[[], WatchStanding],
        ask: Callable[[OperatorAction], Awaitable[str | None]],
        sent: Callable[[], None],
    ) -> None:
        self._ledger = ledger
        self._clock = clock
        self._dispatch = dispatch
        self._standing = standing
        self._ask = ask
        self._sent = sent
        self._one_at_a_time = asyncio.Lock()

    async def take_on(self, incident: str, *, by: str, note: str = "", link: str | None = None) -> TakenOn:
        """Acknowledge all of an incident for somebody, and tell the others. Raises NotTakenOn.

        `link`: the id of the link it comes by, which answers once.
        """
        async with self._one_at_a_time:
            return await self._take_on(incident, by, note, link)

    async def taken(self, incident: str) -> tuple[TakenOn, ...]:
        """Return who took an incident on, the newest first."""
        return tuple(_taken(one) for one in await self._actions(incident))

    async def answered(self, incident: str, link: str) -> TakenOn | None:
        """Return what was answered by a link, None where it was not used."""
        used = [one for one in await self._actions(incident) if one.body.get("link") == link]
        return _taken(used[0]) if used else None

    def incident(self, name: str) -> Incident | None:
        """Return an incident that is looked after."""
        return self._standing().incidents.get(name)

    def open_incidents(self) -> list[str]:
        """Return the ids of the incidents that are not over."""
        return [one.id for one in self._standing().incidents.values() if one.open]

    async def _take_on(self, incident: str, by: str, note: str, link: str | None) -> TakenOn:
        known = self.incident(incident)
        if known is None or not known.open:
            raise NotTakenOn("It is over: there is nothing to take on any more.")
        if link is not None and await self.answered(incident, link) is not None:
            raise NotTakenOn("It was answered by this link already.")
        alarms = sorted(
            a.id for a in self._standing().alarms.values() if a.incident == incident and a.state in WANTED
        )
        acknowledged = 0
        for alarm in alarms:
            word = OperatorAction(
                stamp(self._clock),
                OperatorCommand.ACKNOWLEDGE,
                alarm,
                by,
                note or "has the whole incident",
                None,
            )
            with not_the_last():  # who has it is: killed before that, it is taken on again
                acknowledged += await self._ask(word) is None
        done = TakenOn(incident, by, self._clock.now(), note, acknowledged)
        await self._keep(known, done, link)
        self._sent()
        return done

    async def _keep(self, incident: Incident, done: TakenOn, link: str | None) -> None:
        before = await self._actions(incident.id)
        others = {telling.who for telling in await told(self._ledger, incident.id)} - {done.by}
        last = await self._last_told(incident.id)
        body = {"acknowledged": done.acknowledged, **({} if link is None else {"link": link})}
        async with self._ledger.transaction() as tx:
            tx.add_action(Action(done.at, done.by, TAKE_ON, incident.id, done.note, body=body))
            text = f"{_has_it(done)}: {say(incident.title)}"
            tx.add_event(JournalLine(done.at, "taken_on", incident.about, text, incident=incident.id))
            known = any((one.who, one.why) == (done.by, done.note) for one in before)
            if last is not None and not known:  # who has it is told once, however much of it they take on
                self._dispatch.tell_these(tx, _notice(last, done, len(before) + 1), others)

    async def _actions(self, incident: str) -> list[Action]:
        page = await self._ledger.actions(about=incident)
        return [one for one in page.items if one.what == TAKE_ON]

    async def _last_told(self, incident: str) -> Notice | None:
        page = await self._ledger.messages(incident=incident)
        letters = [m for m in page.items if m.schema == LETTER and m.sending is not Sending.UNNEEDED]
        notices = (Letter.of(m.body).notice for m in letters)
        return next((one for one in notices if TAKEN not in one.id), None)


def on_the_way(minutes: str, now: datetime, zone: ZoneInfo) -> str:
    """Return "on the way, there by HH:MM" of what somebody said; "" of nothing. Raises ValueError with a sentence."""
    said = minutes.strip()
    if not said:
        return ""
    if not said.isascii() or not said.isdigit() or not 1 <= int(said[:9]) <= LONGEST_MIN:
        raise ValueError(f"Minutes: want a whole number from 1 to {LONGEST_MIN}, or nothing.")
    return f"on the way, there by {(now + timedelta(minutes=int(said))).astimezone(zone):%H:%M}"


def _taken(action: Action) -> TakenOn:
    return TakenOn(action.about, action.who, action.at, action.why, int(action.body.get("acknowledged", 0)))


def _has_it(done: TakenOn) -> str:
    return f"{done.by} has it{f', {done.note}' if done.note else ''}"


def _notice(last: Notice, done: TakenOn, number: int) -> Notice:
    """Return what the others are told: who has it, of what they were told of last. Nobody has to do anything for it."""
    said = _has_it(done)
    return replace(
        last,
        id=f"{done.incident}{TAKEN}{number}",
        kind=NoticeKind.CHANGED,
        at=done.at,
        what=f"{said}: {last.what}",
        do="",
        by_when=None,
        by_when_for=None,
        lines=(),
        short=short_form(said, last.place or last.about, None, last.what),
        urgent=False,
        alarms=(),
        parts=(),
        news=NoticeNews.OTHER,
        news_of=(),
    )
