"""The site's own word about its generators, by MQTT: what its contacts or its building system publish.

Topic `TOPICS_BELOW/COLLECTOR/set/ID`, ID being a `[[generator]]`; the payload is JSON:

    {"token": "…", "at": "2026-11-24T14:00:00Z", "running": true, "carries": true, "load_w": 120000}

`load_w` may be left out. Whoever may write to a broker is not yet the site: the token is that of
`[listen] site_secret`, as over HTTP. `at` is when it was so, by the site's clock; a broker hands retained
messages to whoever comes, so one older than `stale_after_s` is no news, and neither is one that is not
newer than the last of its generator. What is not taken is told in the journal, once in a while and never with a
word of the payload, which may hold anything.
"""

from __future__ import annotations

import asyncio
import hmac
import logging
from collections.abc import Awaitable, Callable, Collection
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Final

import aiomqtt
from pydantic import (
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)

from collector.configuration.secrets import Login
from collector.configuration.settings_tables import SetWordsTable
from collector.messaging.channels.channel import ChannelDown, why
from collector.messaging.mqtt.broker import FIRST_WAIT_S, LONGEST_WAIT_S, connection
from collector.process.clock import Clock
from collector.storage.database import StoreError
from rules.generator.outage_source import SetWord

log = logging.getLogger(__name__)

LARGEST_BYTES: Final = 2048
MOST_WAITING: Final = 100
TELL_EVERY_S: Final = 600.0
"""How often one sort of refusal is told in the journal."""
REFUSED: Final = 128
"""Reason codes of MQTT 5 from here on say no."""


class SetSaid(BaseModel):
    """What the site says of a generator now."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, hide_input_in_errors=True)

    running: bool = Field(description="the engine runs, volts and hertz are steady")
    carries: bool = Field(description="the changeover stands on the generator: it carries the load")
    load_w: float | None = Field(
        default=None,
        ge=0,
        le=1e9,
        description="watts it carries, where its meter tells; a test on load needs 30 %",
    )

    @model_validator(mode="after")
    def _possible(self) -> SetSaid:
        if self.carries and not self.running:
            raise ValueError(
                "want `running` true where `carries` is: a generator that stands carries nothing"
            )
        return self


class SetMessage(SetSaid):
    """What the site publishes."""

    token: str = Field(min_length=1, max_length=1000)
    at: AwareDatetime

    def word(self, now: datetime) -> SetWord:
        """Return the rules' value; a clock that is a little ahead does not make it of the future."""
        return SetWord(min(self.at.astimezone(UTC), now), self.running, self.carries, self.load_w)


@dataclass(frozen=True, slots=True)
class NotTaken(Exception):  # noqa: N818 - it says how things stand
    """Why a message is not the site's word. `sort` is one of a few, for counting."""

    sort: str
    detail: str


@dataclass(slots=True)
class _Refusals:
    """How often one sort of refusal happened since it was last told."""

    told_s: float | None = None
    untold: int = 0


@dataclass(slots=True)
class SetWords:
    """Listens to one broker as long as `run` runs; connects again with growing waits.

    `take` keeps a word, `tell` a sentence about a generator (or about all, "") in the journal.
    """

    settings: SetWordsTable
    login: Login | None
    clock: Clock
    topics: str
    sets: Collection[str]
    token: Callable[[], str | None]
    take: Callable[[str, SetWord], Awaitable[object]]
    tell: Callable[[str, str], Awaitable[None]]
    trouble: str | None = "not connected yet"
    """What keeps the site's word from coming in, None while the broker is listened to."""
    _newest: dict[str, datetime] = field(default_factory=dict)
    _refusals: dict[tuple[str, str], _Refusals] = field(default_factory=dict)

    async def run(self) -> None:
        """Listen until cancelled."""
        wait_s = FIRST_WAIT_S
        while True:
            try:
                async with self._connection() as client:
                    await self._subscribe(client)
                    self.trouble, wait_s = None, FIRST_WAIT_S
                    async for message in client.messages:
                        await self.message(str(message.topic), message.payload, retained=message.retain)
            except (aiomqtt.MqttError, ChannelDown, OSError) as error:
                self.trouble = why(error)
            log.warning("the broker of [set_words]: %s; next try in %.0f s", self.trouble, wait_s)
            await asyncio.sleep(wait_s)
            wait_s = min(wait_s * 2, LONGEST_WAIT_S)

    def _connection(self) -> aiomqtt.Client:
        return connection(
            self.settings, self.login, largest_bytes=2 * LARGEST_BYTES, most_waiting=MOST_WAITING
        )

    async def _subscribe(self, client: aiomqtt.Client) -> None:
        topic = f"{self.topics}/set/+"
        codes = await client.subscribe(topic, qos=1)
        if any((code if isinstance(code, int) else code.value) >= REFUSED for code in codes):
            raise ChannelDown(f"it does not let this user subscribe to {topic}")

    def move_clock(self, by: timedelta) -> None:
        """Move along what was noted before the clock was set."""
        self._newest = {name: at + by for name, at in self._newest.items()}

    async def message(self, topic: str, payload: object, *, retained: bool = False) -> None:
        """Take one message in, or say why not. Nothing in it can stop the listening."""
        name = topic.removeprefix(f"{self.topics}/set/")
        about = name if name in self.sets else ""
        try:
            word = self._word(about, payload, retained=retained)
            if word is not None:
                await self.take(about, word)
                self._newest[about] = word.at
        except NotTaken as refused:
            await self._refuse(about, refused)
        except StoreError as error:  # said by the recorder as well; the next word comes
            log.warning("a word about %s was not kept: %s", about, error)

    def _word(self, about: str, payload: object, *, retained: bool) -> SetWord | None:
        """Return what a message says, None for what is no news. Raises NotTaken."""
        if not about:
            raise NotTaken("stranger", "it is about no generator of the estate file")
        raw = payload if isinstance(payload, bytes) else b""
        if len(raw) > LARGEST_BYTES:
            raise NotTaken("size", f"it is longer than {LARGEST_BYTES} bytes")
        if retained and not raw:
            return None
        try:
            said = SetMessage.model_validate_json(raw)
        except ValidationError as error:
            raise NotTaken("schema", f"want {_faults(error)}") from None
        token = self.token()
        if token is None or not hmac.compare_digest(said.token.encode(), token.encode()):
            raise NotTaken("token", "its token is not the site's")
        now = self.clock.now()
        limit = timedelta(seconds=self.settings.stale_after_s)
        if said.at - now > limit:
            raise NotTaken("time", "its time is in the future: compare the clocks")
        if now - said.at > limit:
            if retained:
                return None  # what the broker keeps for whoever comes; it was news when it was published
            raise NotTaken("time", f"its time is over {limit.total_seconds():.0f} s ago: compare the clocks")
        word = said.word(now)
        newest = self._newest.get(about)
        return None if newest is not None and word.at <= newest else word

    async def _refuse(self, about: str, refused: NotTaken) -> None:
        log.info("a message about %s was not taken: %s", about or "a generator", refused.detail)
        known = self._refusals.setdefault((about, refused.sort), _Refusals())
        now_s = self.clock.monotonic_s()
        if known.told_s is not None and now_s - known.told_s < TELL_EVERY_S:
            known.untold += 1
            return
        more = f" {known.untold} more like it came since the last was told." if known.untold else ""
        known.told_s, known.untold = now_s, 0
        try:
            named = f"about {about} " if about else ""
            await self.tell(about, f"A message {named}by the broker was not taken: {refused.detail}.{more}")
        except StoreError as error:
            log.warning("not kept in the journal: %s", error)


def _faults(error: ValidationError) -> str:
    """Return what was wanted, naming only what this program knows: keys of the payload may be anything."""
    known = SetMessage.model_fields
    wanted = dict.fromkeys(
        str(fault["loc"][0]) for fault in error.errors(include_input=False, include_url=False) if fault["loc"]
    )
    named = [name for name in wanted if name in known]
    extra = ", and nothing else" if len(named) < len(wanted) else ""
    if named:
        return f"{', '.join(named)} as the handbook has it{extra}"
    return "JSON with token, at, running and carries, and load_w where it is known" + extra
