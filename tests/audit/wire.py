"""A story's surroundings: no sockets unless they are asked for, no threads, no other process, and no waiting. What is played is the same each time.

The client, the reader and the poller are the service's own, down to the octets; only the socket between them and the
simulated agents is left out. The event loop runs at once what others would give to a thread, so the clock can be turned
on as soon as nothing is left to do.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Executor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import partial
from typing import Any, Final, Self, TypeVar
from unittest.mock import patch

from collector.assessment.worker import JudgementFailed
from collector.cards.snmp.errors import NoReply
from collector.cards.snmp.transport import Peer, Traffic, Transport
from collector.messaging.channels.channel import Channel
from collector.messaging.delivery.letter import LETTER, Letter
from collector.process.clock import TurnedClock
from collector.recorder import journal_lines
from collector.simulation.cards.agent import Agent, AgentHost, Faults
from collector.storage.ledger.records import JournalLine, Outgoing
from rules.alarms.events import PowerEvent
from rules.monitor.outputs import Change
from rules.values.reason import plain_reason
from tests.audit.statements import REASON

T = TypeVar("T")
LOST_S: Final = 60.0
"""Nothing is lost on this machine's own sockets: so long a reply may take where it is busy."""


class InlineLoop(asyncio.SelectorEventLoop):
    """An event loop that runs at once what is meant for a thread, and knows whether anything is left to do."""

    def run_in_executor(  # type: ignore[override]  # the future is done when it is returned
        self, executor: Executor | None, func: Callable[..., T], *args: Any
    ) -> asyncio.Future[T]:
        """Run a function now."""
        future: asyncio.Future[T] = self.create_future()
        try:
            future.set_result(func(*args))
        except BaseException as error:  # noqa: BLE001 - it is the caller's, as from a thread
            future.set_exception(error)
        return future

    async def getaddrinfo(self, host: Any, port: Any, **_: Any) -> Any:
        """Return an address as it stands: none here is a name."""
        return [(socket.AF_INET, socket.SOCK_DGRAM, 17, "", (host, port))]

    @property
    def idle(self) -> bool:
        """Return whether nobody but the caller is ready to run."""
        return not self._ready  # type: ignore[attr-defined]  # what runs next, as CPython keeps it


class QuickClock(TurnedClock):
    """A turned clock that goes on as soon as everybody waits."""

    def __init__(self, start: datetime) -> None:
        super().__init__(start)
        self.under_way: Callable[[], int] = lambda: 0
        """How many datagrams are on real sockets: time stands until they are answered."""

    def restarted(self) -> None:
        """Let the service be another run of itself: its seconds compare with none of before."""
        self.start_id = f"{self.start_id}+"

    async def _settle(self, _settle_s: float) -> None:  # type: ignore[override]  # it knows what is on the way
        loop = asyncio.get_running_loop()
        assert isinstance(loop, InlineLoop)
        await asyncio.sleep(0)
        while not loop.idle or self.under_way():  # noqa: ASYNC110 - nothing says that nothing is left but the loop itself
            await asyncio.sleep(0)


@dataclass
class Ether:
    """Stands for the sockets: datagrams go to agents by address, and cost the time that the story says."""

    clock: TurnedClock
    agents: Mapping[str, Agent]
    delay_s: Callable[[str], float] = lambda _address: 0.0
    under_way: int = 0
    """How many datagrams are on real sockets: none, but for `Sockets`."""

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        pass

    async def exchange(  # noqa: PLR0917 - as `collector.cards.snmp.transport.Transport.exchange`
        self,
        peer: Peer,
        message_id: int,
        datagram: bytes,
        accept: Callable[[bytes], T | None],
        deadline_s: float,
        traffic: Traffic | None = None,
    ) -> T:
        """Return what `accept` makes of the agent's reply. Raises NoReply after the deadline."""
        began_s = self.clock.monotonic_s()
        delay_s = self.delay_s(peer.key[0])
        if delay_s:
            await self.clock.sleep_until(began_s + min(delay_s, deadline_s))
        reply = self.agents[peer.key[0]].respond(datagram) if delay_s < deadline_s else None
        if traffic is not None:
            traffic.requests += 1
            traffic.octets_out += len(datagram)
            traffic.octets_in += len(reply or b"")
        found = None if reply is None else accept(reply)
        if found is None:
            await self.clock.sleep_until(began_s + deadline_s)
            raise NoReply(f"no reply within {deadline_s:g} s")
        return found

    def forget(self, peer: Peer) -> None:
        """Nothing is kept."""


class _Spoken:
    """An agent behind a real socket; says of each datagram to which there is no reply that none will come."""

    def __init__(self, agent: Agent) -> None:
        self._agent = agent
        self.unanswered: asyncio.Future[None] | None = None

    @property
    def faults(self) -> Faults:
        """Return what is wrong with the card."""
        return self._agent.faults

    def respond(self, datagram: bytes) -> bytes | None:
        """Return the agent's reply."""
        reply = self._agent.respond(datagram)
        if reply is None and self.unanswered is not None and not self.unanswered.done():
            self.unanswered.set_result(None)
        return reply


@dataclass
class Sockets(Ether):
    """The same by real sockets: the service's own transport, and an agent on each of as many ports."""

    _transport: Transport = field(default_factory=Transport)
    _host: AgentHost = field(default_factory=AgentHost)
    _places: dict[str, Peer] = field(default_factory=dict)
    _spoken: dict[str, _Spoken] = field(default_factory=dict)

    async def __aenter__(self) -> Self:
        self._transport, self._host = Transport(), AgentHost()
        for address, agent in self.agents.items():
            spoken = self._spoken[address] = _Spoken(agent)
            self._places[address] = Peer(socket.AF_INET, await self._host.serve(spoken))
        return self

    async def __aexit__(self, *_: object) -> None:
        self._transport.close()
        await self._host.aclose()

    async def exchange(  # noqa: PLR0917 - as `Ether.exchange`
        self,
        peer: Peer,
        message_id: int,
        datagram: bytes,
        accept: Callable[[bytes], T | None],
        deadline_s: float,
        traffic: Traffic | None = None,
    ) -> T:
        """Return what `accept` makes of the reply that came by the socket. Raises NoReply after the deadline."""
        began_s, address = self.clock.monotonic_s(), peer.key[0]
        delay_s = self.delay_s(address)
        if delay_s:
            await self.clock.sleep_until(began_s + min(delay_s, deadline_s))
        if delay_s < deadline_s:
            unanswered = asyncio.get_running_loop().create_future()
            self._spoken[address].unanswered = unanswered
            asked = asyncio.ensure_future(
                self._transport.exchange(self._places[address], message_id, datagram, accept, LOST_S, traffic)
            )
            self.under_way += 1
            try:
                await asyncio.wait({asked, unanswered}, return_when=asyncio.FIRST_COMPLETED)
            finally:
                self.under_way -= 1
                if not asked.done():
                    asked.cancel()
            if asked.done() and not asked.cancelled():
                return asked.result()
        await self.clock.sleep_until(began_s + deadline_s)
        raise NoReply(f"no reply within {deadline_s:g} s")


class HereWorker:
    """Judges at once and in this process, as the judging process would."""

    def __init__(self) -> None:
        self.trouble: str | None = None
        self.waiting_count = 0
        self.oldest_s = 0.0

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        pass

    async def ask_first(self, key: str, function: Callable[..., T], *arguments: object) -> T:
        """Return what the function says; nothing waits here."""
        return await self.ask(key, function, *arguments)

    async def ask(self, key: str, function: Callable[..., T], *arguments: object, about: str = "") -> T:
        """Return what the function says. Raises JudgementFailed."""
        await asyncio.sleep(0)
        try:
            return function(*arguments)
        except Exception as error:
            self.trouble = f"{about or key}: {error}"
            raise JudgementFailed(self.trouble) from error


@dataclass
class Desk:
    """The one channel: takes every letter, and notes when it came."""

    clock: TurnedClock
    id: str = "desk"
    batch: int = 50
    letters: list[tuple[float, Letter]] = field(default_factory=list)

    async def run(self) -> None:
        """Hold nothing open."""
        await asyncio.Event().wait()

    async def send(self, message: Outgoing) -> str:
        """Take a letter."""
        if message.schema == LETTER:
            self.letters.append((self.clock.now().timestamp(), Letter.of(message.body)))
        return "taken"


def _line_with_reason(made: Callable[[Change], JournalLine | None], change: Change) -> JournalLine | None:
    """Return a change as a line of the journal that has the value behind its words too."""
    line = made(change)
    if line is None or not isinstance(change, PowerEvent):
        return line
    return replace(line, body={**line.body, REASON: plain_reason(change.what)})


@contextmanager
def joined(ether: Ether, channels: Mapping[str, Channel]) -> Iterator[None]:
    """Have services that are made meanwhile speak to these agents and by these channels, and judge in this process."""
    with ExitStack() as stack:
        for place, made in (
            ("collector.service.assembly.Transport", lambda: ether),
            ("collector.service.assembly.Worker", HereWorker),
            ("collector.recorder.journal_lines.line_of", partial(_line_with_reason, journal_lines.line_of)),
            ("collector.messaging.delivery.office.channels_of", lambda *_a, **_k: dict(channels)),
        ):
            stack.enter_context(patch(place, made))
        yield
