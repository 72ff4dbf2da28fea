"""Reads one card: as few requests as it bears, one at a time, asking only for what it holds.

What the card holds is found by a walk on first contact and again daily. Requests start at twenty
varbinds; tooBig shrinks them at once, and silence does where a single small question is still answered;
success lets them grow step by step. On v1, where one missing object fails the whole request, the culprit is
taken out by its index, or by halving where the index is nonsense.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import count
from typing import Final

from collector.cards.mib.capability import KINDS_KEPT, Capability, from_answers, from_walk
from collector.cards.mib.upsmib import (
    ALARM_DESCR,
    ALARMS,
    BY_NAME,
    OBJECTS_ROOT,
    SYS_UP_TIME,
    MibObject,
    TablePart,
    standard_places,
)
from collector.cards.mib.wire_values import EXPECTED_TAG, CardRead, ReadCost, WireValue, safe_text, wire_value
from collector.cards.snmp import ber
from collector.cards.snmp.client import Client, CommunitySecurity, Patience, Security, walk
from collector.cards.snmp.credentials import Community, Credentials
from collector.cards.snmp.errors import CardRefused, HostUnreachable, NoReply, PortClosed
from collector.cards.snmp.last_reply import LastReply
from collector.cards.snmp.transport import Transport

FIRST_SIZE: Final = 20
LARGEST_SIZE: Final = 64
SMALLEST_SIZE: Final = 1
_GROW_AFTER: Final = 3
"""Requests answered, after which a larger one is tried: a card that bears a whole read in one is asked so after some
ten polls, while a thousand that are met at once each cost thrice the requests."""
_GROW_BY: Final = 4
_REDISCOVER_S: Final = 20 * 3600.0
_MOST_ALARMS: Final = 64
_SIZE_ERRORS: Final = frozenset({ber.TOO_BIG})
KNOCK_AFTER: Final = 2
"""Reads without an answer, after which a card is asked one small question, once, before it is read."""


Plan = Mapping[str, tuple[str, MibObject | None, int]]
"""OID -> (wire key, object, the tag it should come with); no object stands for sysUpTime."""
_LIVE: Final = frozenset({TablePart.LIVE})
_numbers: Final = count(1)
"""Numbers of reads: no two of one run of the program have the same."""


@dataclass(slots=True)
class _Said:
    """What a card said when it was last asked for its live part in one request, each value of its usual type.

    `number` is that read's, `keys` are the wire keys in the order of the reply. 0: nothing of that kind is known.
    """

    reply: LastReply = field(default_factory=LastReply)
    plan: Plan | None = None
    keys: tuple[str, ...] = ()
    values: Mapping[str, WireValue] = field(default_factory=dict)
    moved: tuple[str, ...] = ()
    number: int = 0

    def asked(self, plan: Plan) -> None:
        """Note what is about to be asked; of another plan nothing was said."""
        if plan is not self.plan:
            self.plan, self.keys, self.number = plan, tuple(key for key, _, _ in plan.values()), 0
            self.reply.forget()

    def values_after(self, moved: tuple[tuple[int, int], ...]) -> Mapping[str, WireValue]:
        """Return the values with those that moved, whose keys are `moved` then."""
        news = {self.keys[place]: number for place, number in moved}
        self.values, self.moved = {**self.values, **news}, tuple(news)
        self.reply.settled(alike=True)
        return self.values

    def settled(self, pdu: ber.Pdu, values: Mapping[str, WireValue], *, plain: bool) -> None:
        """Take a reply that was decoded whole; `plain`: every value came in its place, and of its usual type."""
        self.values, self.number = values, 0
        if plain and [oid for oid, _, _ in pdu.varbinds] == list(self.plan or ()):
            self.reply.settled(alike=False)
        else:
            self.reply.forget()


@lru_cache(maxsize=4 * KINDS_KEPT)
def _planned(places: tuple[tuple[str, str], ...]) -> Plan:
    """Return the plan that asks for these places, the same object for all cards that have them."""
    plan: dict[str, tuple[str, MibObject | None, int]] = {}
    for key, oid in places:
        item = None if key == "sysUpTime" else BY_NAME[key.partition(".")[0]]
        plan[oid] = (key, item, ber.TIME_TICKS if item is None else EXPECTED_TAG[item.kind])
    return plan


def security_for(credentials: Credentials) -> Security:
    """Return what wraps messages for these credentials."""
    if isinstance(credentials, Community):
        return CommunitySecurity(credentials)
    from collector.cards.snmp.usm import UsmSecurity  # noqa: PLC0415 - `cryptography` loads only where v3 is used

    return UsmSecurity(credentials)


@dataclass(slots=True)
class CardReader:
    """Reads one card over a shared transport. `read` must not be called twice at once."""

    client: Client
    capability: Capability | None = None
    size: int = FIRST_SIZE
    most: int = LARGEST_SIZE
    _proven: int = 0
    _too_large: int = LARGEST_SIZE + 1
    _successes: int = 0
    _silent_reads: int = 0
    _unanswered: int = 0
    _alarm_rows: int = 0
    _alarms_counted: WireValue | None = 0
    _discovered_s: float = 0.0
    _planned_for: Capability | None = None
    _plans: dict[frozenset[TablePart], Plan] = field(default_factory=dict)
    _said: _Said = field(default_factory=_Said)

    @classmethod
    def of(
        cls,
        transport: Transport,
        host: str,
        port: int,
        credentials: Credentials,
        patience: Patience | None = None,
    ) -> CardReader:
        """Return a reader for one target and its credentials."""
        return cls(
            Client(
                transport,
                host,
                port,
                security_for(credentials),
                credentials.version,
                patience or Patience(),
            )
        )

    async def read(self, parts: frozenset[TablePart]) -> CardRead:
        """Read some parts. Raises SnmpError (NoReply, PortClosed, HostUnreachable, SecurityFailure, CardRefused).

        A card that did not answer lately is not pressed with all that is asked of it, and is not waited for long:
        it is asked for its uptime, once, and read when it says so. So it may be asked as often as one that answers.
        """
        try:
            if self._unanswered >= KNOCK_AFTER:
                await self.client.ask(ber.GET, [SYS_UP_TIME], once=True)
            found = await self._read(parts)
        except (NoReply, PortClosed, HostUnreachable):
            self._unanswered += 1
            raise
        self._unanswered = 0
        return found

    async def _read(self, parts: frozenset[TablePart]) -> CardRead:
        loop = asyncio.get_running_loop()
        started_s = loop.time()
        before = self._counts()
        old = self.capability is not None and started_s - self._discovered_s > _REDISCOVER_S
        if self.capability is None or (old and TablePart.NAMEPLATE in parts):
            await self.discover()
        assert self.capability is not None  # noqa: S101 - discovered, or discover() raised
        said = self._said if parts == _LIVE else None
        since = 0 if said is None else said.number
        values, types, moved = await self._get(self._plan(parts, self.capability), said)
        number = 0
        if said is not None:
            number = said.number = next(_numbers)
        alarms = await self._alarms(parts, values)
        after = self._counts()
        engine = getattr(self.client.security, "engine", None)
        cost = ReadCost(loop.time() - started_s, *(b - a for a, b in zip(before, after, strict=True)))
        held = self.capability
        known_by = engine.id.hex() if engine is not None else None
        return CardRead(
            parts, values, types, alarms, held.missing, held.odd, cost, known_by,
            number=number, since=0 if moved is None else since, moved=moved or (),
        )  # fmt: skip

    async def discover(self) -> Capability:
        """Find what the card holds: by a walk, or by asking for each object where it cannot be walked."""
        uptime = await self.client.ask(ber.GET, [SYS_UP_TIME])  # is anybody there, and are we let in
        has_uptime = uptime.error_status == ber.NO_ERROR and any(v[2] is not None for v in uptime.varbinds)
        try:
            found, complete = await walk(self.client, OBJECTS_ROOT)
        except (NoReply, CardRefused):
            found, complete = [], False
        complete = complete and bool(found)
        capability = from_walk((oid for oid, _, _ in found), has_uptime=has_uptime, complete=complete)
        if not complete:
            capability = await self._ask_for_the_rest(capability)
        self.capability = capability
        self._discovered_s = asyncio.get_running_loop().time()
        return capability

    async def _ask_for_the_rest(self, known: Capability) -> Capability:
        wanted = {
            key: oid
            for part in TablePart
            for key, oid in standard_places(part).items()
            if key not in known.places
        }
        if known.odd:  # rows stand elsewhere: asking at the standard's places could mix two numberings
            wanted = {key: oid for key, oid in wanted.items() if "." not in key}
        values, _, _ = await self._get(_planned(tuple(wanted.items())))
        places = {**known.places, **{key: wanted[key] for key in values}}
        return from_answers(places)

    def _counts(self) -> tuple[int, int, int, int]:
        traffic = self.client.traffic
        return traffic.requests, traffic.retries, traffic.octets_out, traffic.octets_in

    # --- values ---------------------------------------------------------------------------------------

    def _plan(self, parts: frozenset[TablePart], held: Capability) -> Plan:
        """Return what to ask for some parts; worked out once for each capability."""
        if self._planned_for is not held:
            self._planned_for, self._plans = held, {}
        plan = self._plans.get(parts)
        if plan is None:
            places: dict[str, str] = {}
            for part in (TablePart.LIVE, TablePart.SLOW, TablePart.NAMEPLATE):
                if part in parts:
                    places.update(held.of(part))
            plan = self._plans[parts] = _planned(tuple(places.items()))
        return plan

    async def _get(
        self, plan: Plan, said: _Said | None = None
    ) -> tuple[Mapping[str, WireValue], dict[str, str], tuple[str, ...] | None]:
        """Return the values asked for, and the odd types among them; what is not answered is absent.

        And, where no more than numbers moved since what was `said`, the keys of these.
        """
        values: dict[str, WireValue] = {}
        types: dict[str, str] = {}
        pending = self._chunks(list(plan))
        whole = said if len(pending) == 1 else None
        if said is not None:
            said.asked(plan)
        while pending:
            chunk = pending.pop(0)
            last = whole.reply if whole is not None and len(chunk) == len(plan) else None
            try:
                pdu = await self._ask_sized(chunk, last)
            except _TooLarge:
                half = (len(chunk) + 1) // 2
                pending[:0] = [chunk[:half], chunk[half:]]
                continue
            if pdu.error_status != ber.NO_ERROR:
                pending[:0] = self._around(chunk, pdu)
                continue
            if pdu.moved is not None and whole is not None:
                return whole.values_after(pdu.moved), types, whole.moved
            _take(plan, pdu, values, types)
        if said is not None:
            plain = last is not None and not types and len(values) == len(plan)
            said.settled(pdu, values, plain=plain)
        return values, types, None

    @staticmethod
    def _around(chunk: Sequence[str], pdu: ber.Pdu) -> list[list[str]]:
        """Return what to ask instead of a request that failed as a whole: all but the culprit, or halves."""
        if len(chunk) == 1:
            return []
        at = pdu.error_index - 1
        if pdu.error_status in {ber.NO_SUCH_NAME, ber.GEN_ERR} and 0 <= at < len(chunk):
            return [[*chunk[:at], *chunk[at + 1 :]]]
        half = len(chunk) // 2
        return [list(chunk[:half]), list(chunk[half:])]

    def _chunks(self, oids: list[str]) -> list[list[str]]:
        """Return the OIDs in requests of about equal size, none above what the card bears."""
        if not oids:
            return []
        count = -(-len(oids) // self.size)
        length = -(-len(oids) // count)
        return [oids[i : i + length] for i in range(0, len(oids), length)]

    async def _ask_sized(self, oids: Sequence[str], last: LastReply | None = None) -> ber.Pdu:
        """Ask, and learn from the outcome how much this card bears. Raises _TooLarge where it was too much."""
        try:
            pdu = await self.client.ask(ber.GET, oids, last=last)
        except NoReply:
            if await self._size_is_to_blame(len(oids)):
                raise _TooLarge from None
            raise
        if pdu.error_status in _SIZE_ERRORS and len(oids) > SMALLEST_SIZE:
            self._shrink(len(oids))
            raise _TooLarge
        self._silent_reads = 0
        self._proven = max(self._proven, len(oids))
        self._successes += 1
        if self._successes >= _GROW_AFTER:
            self._successes = 0
            self.size = min(self.size + _GROW_BY, self.most, max(self._too_large - 1, SMALLEST_SIZE))
        return pdu

    def _shrink(self, failed: int) -> None:
        self._too_large = min(self._too_large, failed)
        self._proven = min(self._proven, failed - 1)
        self.size = max(SMALLEST_SIZE, failed // 2)
        self._successes = 0

    async def _size_is_to_blame(self, length: int) -> bool:
        """Return whether a small question is answered where a large one was not."""
        self._silent_reads += 1
        if length <= SMALLEST_SIZE or (length <= self._proven and self._silent_reads < 3):
            return False
        try:
            await self.client.ask(ber.GET, [SYS_UP_TIME])
        except NoReply:
            return False
        self._shrink(length)
        return True

    # --- alarms ---------------------------------------------------------------------------------------

    async def _alarms(
        self, parts: frozenset[TablePart], values: Mapping[str, WireValue]
    ) -> tuple[str, ...] | None:
        """Return the alarm table: read whenever the card counts alarms or counts others than at the last look, and
        always with the slow part.

        The count is not believed when it is zero: cards leave rows behind, and forget to count. But when it falls to
        zero the table is read at once: what a row said must not outlive it until the slow part comes round.
        """
        present = values.get("upsAlarmsPresent")
        live = TablePart.LIVE in parts and present is not None
        if TablePart.SLOW not in parts and not (live and (present != 0 or present != self._alarms_counted)):
            return () if live and not self._alarm_rows else None
        try:
            rows, _ = await walk(
                self.client, ALARM_DESCR, at_most=_MOST_ALARMS, rows_at_once=min(20, self._alarm_rows + 4)
            )
        except (NoReply, CardRefused):
            return None
        self._alarm_rows = len(rows)
        if live:
            self._alarms_counted = present
        return tuple(_alarm_identity(value) for _, _, value in rows if value is not None)


def _take(plan: Plan, pdu: ber.Pdu, values: dict[str, WireValue], types: dict[str, str]) -> None:
    """Take the values of a reply, and the odd types among them."""
    for oid, tag, value in pdu.varbinds:
        asked = plan.get(oid)
        if asked is None or value is None:
            continue
        key, item, expected = asked
        if type(value) is int and (tag == expected or item is None):
            values[key] = value
        elif item is not None:
            kept, odd = wire_value(item, tag, value)
            if kept is not None:
                values[key] = kept
            if odd is not None:
                types[key] = odd


def _alarm_identity(value: ber.Value) -> str:
    """Return an alarm's OID; cards also send it as text, with a leading dot or a trailing .0."""
    text = value.decode("latin-1") if isinstance(value, bytes) else str(value)
    text = safe_text(text.strip("\x00 ."))
    return text.removesuffix(".0") if text.removesuffix(".0") in ALARMS else text


class _TooLarge(Exception):  # noqa: N818 - a signal inside this module
    """The request was larger than the card bears."""
