"""From the outbox until acknowledged: one task for each channel, back-off, dead letters, summaries.

Theory of operation. A message leaves the outbox only when the other side took it (or refused it for good);
then its result and a line of the journal commit together. A kill in between sends it again under the
same id: at least once, in order for each incident and destination, since the ledger gives out only the
oldest waiting message of each. On a full disk what came of it waits in the ledger's memory, and so do new
messages: they go out meanwhile, each once.

A channel that is down pauses as a whole and is tried again with growing waits, so that one dead server
costs no other channel anything. If a person's first way stays down, their next is used as well.

Too many messages to one destination are gathered into one summary; each keeps its line in the journal. What may wait
for nothing (an outage that begins, something that became critical) goes at once and counts in no allowance; when many
such come together they are one letter with a line each (`bursts`). What comes late because the way was down says how
things stand by then (`late`).
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Final

from collector.messaging.channels.channel import Channel, ChannelDown, NeverTaken, NotNow, why
from collector.messaging.delivery.bursts import joint_of
from collector.messaging.delivery.late import is_late, late_letter, late_with
from collector.messaging.delivery.letter import LETTER, Letter
from collector.messaging.delivery.needless import as_first_word, needless
from collector.messaging.delivery.rate import (
    SENT,
    MessageRate,
    RateLimit,
    is_planning,
    sending_line,
    summary_of,
)
from collector.messaging.delivery.recipients import outgoing
from collector.process.clock import Clock
from collector.process.task_cancellation import asked_to_end
from collector.storage.ledger.ledger import Ledger
from collector.storage.ledger.records import Outgoing, Sending
from collector.storage.ledger.transaction import Transaction
from rules.alarms.incidents.incident import NoticeNews
from rules.monitor.clock_moved import moved
from rules.values.severity import Severity

FIRST_WAIT_S: Final = 1.0
LONGEST_WAIT_S: Final = 300.0
LOOK_EVERY_S: Final = 1.0
NEXT_WAY_AFTER_S: Final = 60.0
NEXT_WAY_URGENT_S: Final = 15.0
GIVE_UP_AFTER: Final = timedelta(days=7)
GIVEN_UP: Final = "message_undeliverable"
HELD: Final = "held for a summary"


@dataclass(slots=True)
class Health:
    """How a channel does. `failing_since` None: it works, or was not tried yet (`tried`)."""

    tried: bool = False
    failing_since: datetime | None = None
    reason: str = ""
    failures: int = 0
    refused: int = 0
    resume_s: float = 0.0
    copied: set[str] = field(default_factory=set)

    @property
    def failing(self) -> bool | None:
        """Return whether it fails now; None while nobody tried."""
        return self.failing_since is not None if self.tried else None


@dataclass(frozen=True, slots=True)
class _Turn:
    """One batch of one channel: what comes of it goes into `tx`. `done`: ids that went, or wait, with another.

    `incidents`: those of what went, was tried or given up. `waiting`: what waited when one of the batch asked for it
    first. Read once a batch: it is much where one more letter would be too many, and each of those looks through it.
    `told`: the incidents and persons of letters that went in it, which the ledger does not have yet.
    """

    channel: Channel
    health: Health
    tx: Transaction
    done: set[str] = field(default_factory=set)
    incidents: set[str] = field(default_factory=set)
    told: set[tuple[str, str]] = field(default_factory=set)
    waiting: list[tuple[Outgoing, Letter]] = field(default_factory=list)


class Outbox:
    """Sends what waits. `wake` after each commit; `health` tells how each channel does."""

    def __init__(
        self, ledger: Ledger, channels: Mapping[str, Channel], clock: Clock, limit: RateLimit | None = None
    ) -> None:
        self._ledger = ledger
        self._channels = dict(channels)
        self._clock = clock
        self._pace = MessageRate(limit or RateLimit(), clock)
        self._wake = {name: asyncio.Event() for name in channels}
        self.health: dict[str, Health] = {name: Health() for name in channels}
        self.touched: set[str] = set()
        """Incidents of which something was sent, tried or given up; whoever shows them empties it."""

    def wake(self) -> None:
        """Look for messages at once."""
        for event in self._wake.values():
            event.set()

    def move_clock(self, by: timedelta) -> None:
        """Move along what was noted before the clock was set."""
        for health in self.health.values():
            health.failing_since = moved(health.failing_since, by)

    async def restore(self) -> None:
        """Count what was sent before this start; `run` begins with it."""
        await self._pace.restore(self._ledger)

    async def run(self) -> None:
        """Send until cancelled."""
        await self.restore()
        async with asyncio.TaskGroup() as tasks:
            for channel in self._channels.values():
                tasks.create_task(channel.run(), name=f"channel {channel.id}")
                tasks.create_task(self._serve(channel), name=f"outbox {channel.id}")

    async def _serve(self, channel: Channel) -> None:
        wake = self._wake[channel.id]
        while True:
            wake.clear()
            if not await self.send_due(channel.id):
                await self._rest(wake)

    async def _rest(self, wake: asyncio.Event) -> None:
        """Wait for a commit, or a moment, whichever comes first."""
        waits = (
            asyncio.ensure_future(wake.wait()),
            asyncio.ensure_future(self._clock.sleep_until(self._clock.monotonic_s() + LOOK_EVERY_S)),
        )
        try:
            await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for wait in waits:
                wait.cancel()

    async def send_due(self, name: str) -> bool:
        """Send what is due on a channel, one batch; return whether there may be more at once."""
        channel, health = self._channels[name], self.health[name]
        if self._clock.monotonic_s() < health.resume_s:
            await self._move_on(name, health)
            return False
        due = await self._ledger.due(self._clock.now(), channel=name, limit=channel.batch)
        if not due:
            return False
        moved, stopped = False, None
        async with self._ledger.transaction() as tx:
            turn = _Turn(channel, health, tx)
            try:
                for message in due:
                    # one that a summary of this batch holds has gone already
                    if message.id not in turn.done and await self._one(turn, message):
                        moved = True
                    if health.resume_s > self._clock.monotonic_s() or asked_to_end():
                        break
            except asyncio.CancelledError as asked:
                stopped = asked  # what has gone out is kept first, or it would go out again
        self.touched |= turn.incidents  # not before it is kept: whoever shows them reads what is kept
        if stopped is not None or asked_to_end():
            raise stopped or asyncio.CancelledError
        return moved

    async def _one(self, turn: _Turn, message: Outgoing) -> bool:
        """Send one message, alone or with others; return whether the channel may go on."""
        if message.schema != LETTER:
            return await self._go(turn, message, [message])
        letter = Letter.of(message.body)
        turn.incidents.add(letter.notice.incident)
        unneeded = await needless(self._ledger, letter)
        if unneeded is not None:
            turn.tx.unneeded(message.id, unneeded)
            return True
        place = message.channel, message.destination
        self._pace.bursts.heard(place, letter)
        if is_late(message, self._clock.now(), held=HELD):
            return await self._late(turn, message)
        if self._pace.bursts.has_claim(place, letter.notice, self._clock.monotonic_s()):
            return await self._promptly(turn, message, letter.notice.news)
        if self._pace.is_over(message):
            return await self._summarised(turn, message)
        known = (letter.notice.incident, letter.person) in turn.told
        first = letter if known else await as_first_word(self._ledger, letter)
        sending = message if first is letter else replace(message, body=first.body())
        return await self._go(turn, sending, [message])

    async def _go(
        self, turn: _Turn, sending: Outgoing, held: list[Outgoing], *, prompt: bool = False
    ) -> bool:
        """Send `sending`, which is one message or holds several; return whether the channel may go on.

        `prompt`: it counts in no allowance. What it holds leaves the outbox only in the transaction after it was taken.
        """
        health, tx, first = turn.health, turn.tx, held[0]
        turn.done.update(one.id for one in held)
        turn.incidents.update(Letter.of(one.body).notice.incident for one in held if one.schema == LETTER)
        try:
            result = await turn.channel.send(sending)
        except ChannelDown as error:
            self._down(health, why(error))
            await self._again(first, tx, why(error), health.failures)
            return False
        except NotNow as error:
            self._up(health)
            if self._clock.now() - first.created > GIVE_UP_AFTER:
                for one in held:
                    self._give_up(health, one, tx, why(error))
            else:
                for one in held:
                    await self._again(one, tx, why(error), one.attempts + 1)
            return True
        except NeverTaken as error:
            self._up(health)
            for one in held:
                self._give_up(health, one, tx, why(error))
            return True
        self._up(health)
        summary = None if sending.id == first.id else sending.id
        if prompt:
            letters = [Letter.of(one.body) for one in held]
            place, now_s = (first.channel, first.destination), self._clock.monotonic_s()
            self._pace.bursts.count(place, letters, now_s, joint=summary is not None)
        elif first.schema == LETTER:
            self._pace.count(first)
        for one in held:
            self._sent(one, tx, result, summary=summary, prompt=prompt)
            if one.schema == LETTER:
                turn.told.add((one.incident or "", one.body["person"]))
        return True

    # ---- what came of it -----------------------------------------------------------------------------

    def _sent(
        self, message: Outgoing, tx: Transaction, result: str, *, summary: str | None, prompt: bool
    ) -> None:
        now = self._clock.now()
        said = result if summary is None else f"in summary {summary}: {result}"
        tx.sent(message.id, f"{now.isoformat(timespec='milliseconds')} {said}")
        if message.schema == LETTER:
            tx.add_event(sending_line(message, SENT, now, said, summary=summary, prompt=prompt))

    def _give_up(self, health: Health, message: Outgoing, tx: Transaction, reason: str) -> None:
        health.refused += 1
        tx.give_up(message.id, reason)
        tx.add_event(sending_line(message, GIVEN_UP, self._clock.now(), reason))

    async def _again(self, message: Outgoing, tx: Transaction, reason: str, failures: int) -> None:
        tx.try_again(message.id, self._clock.now() + timedelta(seconds=wait_s(failures)), reason)

    def _down(self, health: Health, reason: str) -> None:
        health.tried = True
        health.failures += 1
        health.failing_since = health.failing_since or self._clock.now()
        health.reason = reason
        health.resume_s = self._clock.monotonic_s() + wait_s(health.failures)

    def _up(self, health: Health) -> None:
        health.tried = True
        health.failing_since = None
        health.failures = 0
        health.copied.clear()
        health.reason = ""
        health.resume_s = 0.0

    async def _move_on(self, name: str, health: Health) -> None:
        """Send copies by people's next ways, once a channel has been down for too long."""
        now = self._clock.now()
        if health.failing_since is None:
            return
        down_s = (now - health.failing_since).total_seconds()
        if down_s < NEXT_WAY_URGENT_S:
            return
        async with self._ledger.transaction() as tx:
            for message in await self._waiting(name):
                patient = down_s < (NEXT_WAY_URGENT_S if message.urgent else NEXT_WAY_AFTER_S)
                due = message.due <= now or message.attempts > 0
                if patient or not due or message.id in health.copied:
                    continue
                health.copied.add(message.id)
                letter = Letter.of(message.body)
                if letter.others and letter.others[0].channel in self._channels:
                    way = letter.others[0]
                    copy = replace(letter, address=way.address, others=letter.others[1:])
                    tx.enqueue(outgoing(copy, way, created=message.created, due=now))
                    self._wake[way.channel].set()

    # ---- several in one ------------------------------------------------------------------------------

    async def _late(self, turn: _Turn, message: Outgoing) -> bool:
        """Say at once, in one letter, how everything stands that its person would have been told of meanwhile."""
        waiting = [one for one in await self._waiting(message.channel) if one.id not in turn.done]
        held, unneeded = await late_with(self._ledger, message, waiting)
        for name, why_not in unneeded.items():
            turn.tx.unneeded(name, why_not)
            turn.done.add(name)
        return await self._go(turn, await late_letter(self._ledger, held, self._clock.now()), held)

    async def _promptly(self, turn: _Turn, message: Outgoing, news: NoticeNews) -> bool:
        """Send at once what may wait for nothing; where many such come together, as one that names them all."""
        place = message.channel, message.destination
        bursts, now, now_s = self._pace.bursts, self._clock.now(), self._clock.monotonic_s()
        beside = [message]
        for one in await self._waiting(message.channel):
            due = one.due <= now or one.attempts > 0
            if one.destination != message.destination or not due or one.id in {message.id, *turn.done}:
                continue
            other = Letter.of(one.body)
            alike = other.notice.news is news and bursts.has_claim(place, other.notice, now_s)
            if alike and await needless(self._ledger, other) is None:
                beside.append(one)
        joint_s = bursts.joint_in_s(place, news, len(beside), now_s)
        if joint_s is None:
            return await self._go(turn, message, [message], prompt=True)
        if joint_s > 0.0:
            for one in beside:
                turn.done.add(one.id)
                turn.tx.try_again(one.id, now + timedelta(seconds=joint_s), HELD)
            return True
        beside.sort(key=lambda one: one.seq)
        joint = joint_of(beside, bursts.beside(place, news, now_s), now)
        return await self._go(turn, joint, beside, prompt=True)

    async def _summarised(self, turn: _Turn, message: Outgoing) -> bool:
        """Gather what waits for a destination above its limit; return whether the channel may go on.

        It goes out when the oldest message counted falls out of the window, or at once when something
        critical is among it.
        """
        place, now_s, planning = (
            (message.channel, message.destination),
            self._clock.monotonic_s(),
            is_planning(message),
        )
        if not turn.waiting:
            turn.waiting.extend((one, Letter.of(one.body)) for one in await self._waiting(message.channel))
        waiting, grave = [], False
        for one, letter in turn.waiting:
            mine = one.destination == message.destination and one.id not in turn.done
            apart = letter.unanswered_only or self._pace.bursts.has_claim(place, letter.notice, now_s)
            if mine and not apart and (letter.notice.news is NoticeNews.PLANNING) is planning:
                waiting.append(one)
                grave = grave or letter.notice.severity is Severity.CRITICAL
        if not waiting:
            waiting = [message]
            grave = Letter.of(message.body).notice.severity is Severity.CRITICAL
        held_s = self._pace.held_s(message)
        if held_s and not grave:
            turn.tx.try_again(message.id, self._clock.now() + timedelta(seconds=held_s), HELD)
            return True
        return await self._go(turn, summary_of(waiting), waiting)

    async def _waiting(self, channel: str) -> list[Outgoing]:
        """Return the letters that wait on a channel, oldest first."""
        found: list[Outgoing] = []
        before: int | None = None
        while True:
            page = await self._ledger.messages(sending=Sending.WAITING, before=before, limit=1000)
            found += [m for m in page.items if (m.channel, m.schema) == (channel, LETTER)]
            if page.next is None:
                return sorted(found, key=lambda m: m.seq)
            before = page.next


def wait_s(failures: int) -> float:
    """Return how long to wait after so many failures in a row: 1, 2, 4 ... 300 s."""
    return min(FIRST_WAIT_S * 2.0 ** min(max(failures - 1, 0), 20), LONGEST_WAIT_S)
