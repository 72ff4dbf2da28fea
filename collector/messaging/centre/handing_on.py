"""Hands acts on from a centre to its sites, each by the site's own HTTP interface with the centre's token there.

An act is kept before it is sent, and sent again under the same id until the site answers or its time is over: the site does
it once, by the id, and never late, by its time. Of one site they go one after the other, in the order in which they were made.
What may be done at a site, and what an alarm is, is not known here.
"""

from __future__ import annotations

import asyncio
import json
import logging
from collections.abc import Awaitable, Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import httpx

from collector.configuration.secrets import Token
from collector.messaging.centre.acts import ActStanding, HandedOn
from collector.messaging.channels.channel import ChannelDown, Trust, why
from collector.process.clock import Clock
from collector.storage.database import StoreError

log: Final = logging.getLogger(__name__)

ANSWER_WITHIN_S: Final = 10.0
SOON_S: Final = 3.0
"""How long somebody who acts waits for what comes of it; later it is told on the page."""
FIRST_WAIT_S: Final = 1.0
LONGEST_WAIT_S: Final = 8.0
MOST_KEPT: Final = 100
LARGEST_ANSWER: Final = 64 * 1024
LONGEST_WORDS: Final = 600
AGAIN: Final = frozenset({408, 429, 500, 502, 503, 504})
"""Statuses after which the same may be taken a moment later."""
UNDER_WAY: Final = "/problems/under-way"
NOT_KNOWN_THERE: Final = (
    "it does not know the centre's token (any more). Make one there by `ridethrough token make centre --role pass_on`, and put "
    "it into the centre's secrets file."
)


@dataclass(frozen=True, slots=True)
class ActsPlace:
    """Where a site takes acts: its interface's address, the centre's token there, and whom to trust for its certificate."""

    address: str
    token: Token
    authority_file: str | None = None


class _TryAgain(Exception):  # noqa: N818 - it says what to do
    """Nothing came of it this time. `reached`: whether the site may have had it."""

    def __init__(self, words: str, *, reached: bool) -> None:
        super().__init__(words)
        self.reached = reached


class HandingOn:
    """Acts on their way to some sites, and those of late. `keep` puts them where a kill finds them, with the one that changed."""

    def __init__(
        self,
        places: Mapping[str, ActsPlace],
        clock: Clock,
        keep: Callable[[tuple[HandedOn, ...], HandedOn], Awaitable[None]],
        *,
        answer_within_s: float = ANSWER_WITHIN_S,
    ) -> None:
        self.places = places
        self.acts: dict[str, HandedOn] = {}
        """By id, the oldest first."""
        self._clock = clock
        self._keep = keep
        self._answer_within_s = answer_within_s
        self._trusts = {site: Trust(place.authority_file) for site, place in places.items()}
        self._queues: dict[str, asyncio.Queue[str]] = {site: asyncio.Queue() for site in places}
        self._moved: dict[str, asyncio.Event] = {}
        self._reached: set[str] = set()
        """Acts that the site may have had."""

    def restore(self, acts: Iterable[HandedOn]) -> None:
        """Go on with what was kept: what was on its way may have arrived."""
        for act in acts:
            self.acts[act.id] = act
            if act.standing is ActStanding.WAITING:
                self._reached.add(act.id)
                if act.site in self._queues:
                    self._queues[act.site].put_nowait(act.id)

    async def hand_on(self, act: HandedOn) -> HandedOn:
        """Hand an act on; return it as it stands within `SOON_S`. Raises StoreError, and then it is not sent."""
        self.acts[act.id] = act
        for old in list(self.acts)[:-MOST_KEPT]:
            if not self.acts[old].shown(self._clock.now()):
                del self.acts[old]
        moved = self._moved[act.id] = asyncio.Event()
        try:
            await self._keep(tuple(self.acts.values()), act)
        except BaseException:
            del self.acts[act.id], self._moved[act.id]
            raise
        self._queues[act.site].put_nowait(act.id)
        call_off = self._clock.call_at(self._clock.monotonic_s() + SOON_S, moved.set)
        try:
            await moved.wait()
        finally:
            call_off()
            self._moved.pop(act.id, None)
        return self.acts.get(act.id, act)

    async def heard(self, site: str, act: str) -> None:
        """Note that the journal of a site says that an act was done."""
        known = self.acts.get(act)
        if known is not None and known.site == site and known.standing is not ActStanding.DONE:
            await self._stands(known.now(ActStanding.DONE, self._clock.now()))

    async def run(self) -> None:
        """Deliver until cancelled."""
        async with asyncio.TaskGroup() as group:
            for site in self.places:
                group.create_task(self._deliver_all(site))

    async def _deliver_all(self, site: str) -> None:
        queue = self._queues[site]
        while True:
            name = await queue.get()
            try:
                await self._deliver(name)
            except Exception:  # the boundary: one act must not keep the others from their site
                log.exception("the act %s could not be handed on to %s: a fault in ridethrough", name, site)

    async def _deliver(self, name: str) -> None:
        """Try until the site answers, its journal has it, or its time is over."""
        wait_s, words = FIRST_WAIT_S, "its time was over before it was its turn"
        while (act := self.acts.get(name)) is not None and act.standing is ActStanding.WAITING:
            if self._clock.now() >= act.until:
                missed = ActStanding.UNANSWERED if name in self._reached else ActStanding.UNDELIVERED
                await self._stands(act.now(missed, self._clock.now(), words))
                return
            try:
                standing, said = await self._ask(act)
            except _TryAgain as missing:
                words = str(missing)
                if missing.reached:
                    self._reached.add(name)
                now = self.acts[name]
                if now.standing is ActStanding.WAITING and now.why != words:
                    self.acts[name] = now.now(ActStanding.WAITING, now.since, words)
                left_s = (act.until - self._clock.now()).total_seconds()
                await self._clock.sleep_until(self._clock.monotonic_s() + max(min(wait_s, left_s), 0.0))
                wait_s = min(2.0 * wait_s, LONGEST_WAIT_S)
                continue
            if self.acts[name].standing is ActStanding.WAITING:  # the journal may have been quicker
                await self._stands(act.now(standing, self._clock.now(), said))

    async def _stands(self, act: HandedOn) -> None:
        """Note how an act stands now. Where the disk does not take it, a start asks the site's journal."""
        self.acts[act.id] = act
        if act.standing is not ActStanding.WAITING:
            self._reached.discard(act.id)
        try:
            await self._keep(tuple(self.acts.values()), act)
        except StoreError as error:
            log.warning("what became of an act at %s is not kept: %s", act.site, error)
        if (moved := self._moved.get(act.id)) is not None:
            moved.set()

    async def _ask(self, act: HandedOn) -> tuple[ActStanding, str]:
        """Send an act once; return what came of it. Raises _TryAgain."""
        place = self.places[act.site]
        passed = {
            "act": act.id, "until": act.until.isoformat(), "known": act.known, "means": act.means, "from": act.address,
        }  # fmt: skip
        body = json.dumps({**json.loads(act.body), "by": act.by, "passed_on": passed}).encode()
        headers = {
            "authorization": f"Bearer {place.token.token.reveal()}",
            "content-type": "application/json",
            "user-agent": "ridethrough",
        }
        left_s = (act.until - self._clock.now()).total_seconds()
        timeout = min(self._answer_within_s, max(left_s, 0.1))
        try:
            async with (
                asyncio.timeout(2.0 * timeout),  # of the whole: a site that trickles its answer
                httpx.AsyncClient(
                    verify=self._trusts[act.site].context(), timeout=timeout, trust_env=False
                ) as client,
                client.stream(
                    "POST", place.address.rstrip("/") + act.path, content=body, headers=headers
                ) as answer,
            ):
                said = bytearray()
                async for part in answer.aiter_bytes():
                    said += part
                    if len(said) > LARGEST_ANSWER:
                        break
                return _came_of(answer.status_code, bytes(said))
        except (httpx.ConnectError, httpx.ConnectTimeout, ChannelDown) as error:
            raise _TryAgain(why(error), reached=False) from error
        except (httpx.HTTPError, TimeoutError) as error:
            raise _TryAgain(f"no answer: {why(error)}", reached=True) from error


def _came_of(status: int, said: bytes) -> tuple[ActStanding, str]:
    """Return what an answer means. Raises _TryAgain."""
    if 200 <= status < 300:
        return ActStanding.TAKEN, ""
    problem = _problem(said)
    words = str(problem.get("detail") or f"it answered with status {status} and no words.")[:LONGEST_WORDS]
    words = " ".join(words.split())
    if status in AGAIN or problem.get("type") == UNDER_WAY:
        raise _TryAgain(words, reached=True)
    if status == 401:
        words = NOT_KNOWN_THERE
    elif 300 <= status < 400:
        words = "it sends elsewhere; `address` in the centre's file is to be where the site itself answers."
    return ActStanding.REFUSED, words


def _problem(said: bytes) -> dict[str, Any]:
    try:
        found = json.loads(said)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}
