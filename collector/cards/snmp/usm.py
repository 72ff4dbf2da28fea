"""SNMPv3 with user-based security: RFC 3412 messages, RFC 3414 security, as one manager towards one card.

Nothing of a reply is decoded before its digest has been verified, nothing used that is outside the time window, and
where the request was signed an unsigned reply is no reply. Only one kind of unsigned message is listened to: a Report
(RFC 3414, 3.2) in which the card says why it cannot answer. Anybody on the way can forge one, so it never ends a wait
and never changes what we know: the true reply is awaited until the deadline. Only if none came is the Report thought
of: one that names another engine has us ask that one, which must then prove itself by its digest, and any other is told
as what it is, hearsay.

Nothing less is sent than what is configured. The one exception is RFC 3414's own: the question for the engine's id
(clause 4) carries no data and no name. Time is set by a request that is signed and encrypted like any other; the card
answers one with a wrong time by a signed Report.

Time: the card is the authoritative engine. Its boots and time are taken from the first unsigned answer only to send the
first signed request; from then on from signed answers alone. A signed answer repeats our own message id, which is not
used twice, so it is fresh: that is why a card that forgot its boots count is believed when it signs for it.
"""

from __future__ import annotations

import hmac
import random
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from collector.cards.snmp import ber
from collector.cards.snmp.ber import Pdu, Template
from collector.cards.snmp.client import Send
from collector.cards.snmp.credentials import Auth, Privacy, User
from collector.cards.snmp.errors import MalformedMessage, NoReply, SecurityFailure
from collector.cards.snmp.hearsay import DECRYPTION, NOT_IN_WINDOW, Hearsay, ReportReceived, failure
from collector.cards.snmp.keys import (
    DIGESTS,
    Extension,
    decrypt,
    encrypt,
    localised,
    needs_extension,
    password_to_key,
    privacy_key,
    sign,
)
from collector.cards.snmp.last_reply import LastReply
from collector.cards.snmp.secured_message import (
    AUTH,
    PRIV,
    REPORTABLE,
    Engine,
    Header,
    read_header,
    read_scoped,
    scoped_pdu,
    security_parameters,
    whole_message,
)

_WINDOW_S: Final = 150


_MOST_ENGINES: Final = 4
"""Engines asked in one exchange: our own and those that unsigned Reports named."""


_MOST_TOLD: Final = 16
"""Unsigned Reports minded in one exchange; notes and changes of engine kept of one card."""


@dataclass(slots=True)
class UsmSecurity:
    """Wraps and unwraps messages for one user on one card. See `collector.cards.snmp.client.Security`.

    `notes` are sentences for people: weak ciphers, an engine that changed, boots that fell. `engine_changes` holds
    (before, after) in hexadecimal whenever the card came back with another engine id.
    """

    user: User
    clock: Callable[[], float] = time.monotonic
    engine: Engine | None = None
    extension: Extension = Extension.HASHED
    worked: bool = False
    notes: list[str] = field(default_factory=list)
    engine_changes: list[tuple[str, str]] = field(default_factory=list)
    _salt: int = field(default_factory=lambda: random.SystemRandom().getrandbits(64))
    _keys: dict[tuple[bytes, Extension], tuple[bytes, bytes]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.user.privacy is not Privacy.NONE and self.user.auth is Auth.NONE:
            raise SecurityFailure("privacy without authentication", "name an authentication, or no privacy")
        if self.user.privacy is Privacy.DES:
            self.notes.append("DES is broken: anybody with patience reads along. Use AES where the card can.")
        if self.user.auth is Auth.MD5:
            self.notes.append("MD5 is weak: use a digest of the SHA-2 family where the card can.")

    @property
    def level(self) -> int:
        """Return the flags of our security level."""
        return (AUTH if self.user.auth is not Auth.NONE else 0) | (
            PRIV if self.user.privacy is not Privacy.NONE else 0
        )

    async def exchange(
        self, pdu: Template, message_id: int, send: Send, last: LastReply | None = None
    ) -> Pdu:
        """Send a PDU and return the response's. `last` is of no use here: each reply is verified, and most encrypted anew.

        Raises NoReply, SecurityFailure with its reason where a card that was never read gives one, MalformedMessage.
        """
        del last
        engine = self.engine or await self._discover(message_id, send)
        heard, tried = Hearsay(), {engine.id}
        others: list[Engine] = []
        while True:
            try:
                return await self._ask_in_time(pdu, message_id, send, engine, heard)
            except NoReply as error:
                silence = error
            others += [e for e in heard.engines(self.clock()) if e.id not in tried | {o.id for o in others}]
            if not others or len(tried) >= _MOST_ENGINES:
                break
            engine = others.pop(0)
            tried.add(engine.id)
        first = not self.worked or self.engine is None or engine.id != self.engine.id
        if first and self.level & PRIV:
            return await self._first_contact(pdu, message_id, send, engine, heard)
        raise heard.told(silence, worked=self.worked)

    async def _first_contact(
        self, pdu: Template, message_id: int, send: Send, engine: Engine, heard: Hearsay
    ) -> Pdu:
        """Find out why an encrypted first request stays unanswered: another key extension, or a wrong privacy.

        A card cannot tell a wrong key from noise, so most say nothing. It looks at the time before it decrypts
        (RFC 3414, 3.2, 7 and 8): to a request with a wrong time it signs a Report, if our signature is right.
        """
        if needs_extension(self.user.auth, self.user.privacy):
            self.extension = Extension.CHAINED if self.extension is Extension.HASHED else Extension.HASHED
            try:
                answer = await self._ask_in_time(pdu, message_id, send, engine, heard)
            except NoReply:
                self.extension = Extension.HASHED
            else:
                self._note(f"privacy keys are lengthened the {self.extension} way")
                return answer
        untimely = Engine(engine.id, 0 if engine.boots else 1, 0, self.clock())
        try:
            return await self._ask(pdu, message_id, send, untimely, heard)
        except NoReply as silence:
            raise heard.told(silence, worked=self.worked) from None
        except ReportReceived as report:
            if report.oid != NOT_IN_WINDOW:
                raise failure(report.oid) from None
            engine = self._take_time(report.header, untimely, forced=True)
        try:  # once more: what was taken for refusal may have been a lost datagram
            return await self._ask_in_time(pdu, message_id, send, engine, heard)
        except NoReply:
            raise failure(DECRYPTION) from None

    # --- out ------------------------------------------------------------------------------------------------

    async def _ask_in_time(
        self, pdu: Template, message_id: int, send: Send, engine: Engine, heard: Hearsay
    ) -> Pdu:
        """Ask an engine; where it signs that our notion of its time is wrong, take its time and ask again."""
        for _ in range(3):
            try:
                return await self._ask(pdu, message_id, send, engine, heard)
            except ReportReceived as report:
                if report.oid != NOT_IN_WINDOW:
                    raise failure(report.oid) from None
                engine = self._take_time(report.header, engine, forced=True)
        raise failure(NOT_IN_WINDOW)

    async def _ask(self, pdu: Template, message_id: int, send: Send, engine: Engine, heard: Hearsay) -> Pdu:
        """Send one request and return the response's PDU. Raises NoReply, and ReportReceived for a signed Report."""
        signed: list[ReportReceived] = []
        datagram = self._wrap(pdu.with_id(message_id), message_id, engine, self.level)

        def accept(data: bytes) -> Pdu | None:
            try:
                return self._unwrap(data, message_id, engine, self.level)
            except ReportReceived as report:
                if report.signed:
                    signed.append(report)
                    return _NOTHING
                heard.mind(report)
                return None  # the true reply may follow

        answer = await send(message_id, datagram, accept)
        if signed:
            raise signed[0]
        self.worked = True
        return answer

    async def _discover(self, message_id: int, send: Send) -> Engine:
        """Ask for the engine's id, boots and time (RFC 3414, 4). Nothing of the answer is kept: it is not signed."""
        empty = Engine(b"", 0, 0, self.clock())
        probe = ber.pdu_template(ber.GET, [])
        datagram = whole_message(
            message_id,
            REPORTABLE,
            security_parameters(empty, b"", 0, b"", b"")[0],
            scoped_pdu(b"", "", probe.with_id(message_id)),
        )
        headers: list[Header] = []

        def accept(data: bytes) -> Pdu | None:
            header = read_header(data, message_id)
            if not 5 <= len(header.engine_id) <= 32:
                raise MalformedMessage("an engine id of impossible size")
            headers.append(header)
            return _NOTHING

        await send(message_id, datagram, accept)
        return Engine(headers[0].engine_id, headers[0].boots, headers[0].time_s, self.clock())

    def _wrap(self, pdu: bytes, message_id: int, engine: Engine, level: int) -> bytes:
        now_s = engine.time_now_s(self.clock())
        scoped = scoped_pdu(engine.id, self.user.context, pdu)
        private = b""
        if level & PRIV:
            self._salt = (self._salt + 1) & (2**64 - 1)
            _, key = self._keys_for(engine.id)
            secret, private = encrypt(self.user.privacy, key, engine.boots, now_s, self._salt, scoped)
            scoped = ber.encode_tlv(ber.OCTET_STRING, secret)
        zeros = bytes(DIGESTS[self.user.auth].octets) if level & AUTH else b""
        fixed = Engine(engine.id, engine.boots, now_s, 0.0)
        parameters, digest_at = security_parameters(fixed, self.user.name.encode(), now_s, zeros, private)
        message = whole_message(message_id, level | REPORTABLE, parameters, scoped)
        if not level & AUTH:
            return message
        key, _ = self._keys_for(engine.id)
        place = len(message) - len(scoped) - len(parameters) + digest_at
        return message[:place] + sign(self.user.auth, key, message) + message[place + len(zeros) :]

    def _keys_for(self, engine_id: bytes) -> tuple[bytes, bytes]:
        """Return the keys for signing and for privacy, made for one engine."""
        known = self._keys.get((engine_id, self.extension))
        if known is None:
            if len(self._keys) >= 2 * _MOST_ENGINES:  # engines that were named and are none
                self._keys.clear()
            user = self.user
            signing = localised(user.auth, password_to_key(user.auth, user.auth_secret), engine_id)
            private = b""
            if user.privacy is not Privacy.NONE:
                private = privacy_key(user.auth, user.privacy_secret, engine_id, user.privacy, self.extension)
            known = self._keys[engine_id, self.extension] = (signing, private)
        return known

    # --- in -------------------------------------------------------------------------------------------------

    def _unwrap(self, data: bytes, message_id: int, engine: Engine, level: int) -> Pdu | None:
        """Return the response in a datagram. Raises ReportReceived for a Report, MalformedMessage for what is no reply."""
        header = read_header(data, message_id)
        signed = bool(header.flags & AUTH)
        late = False
        if signed:
            late = self._verify(data, header, engine)
        elif level & AUTH:
            # The one thing an unsigned message may be is a Report: decoded, but believed only as a complaint.
            self._complain(data, header)
            raise MalformedMessage("an unsigned reply to a signed request")
        if header.flags & PRIV and not level & PRIV:
            raise MalformedMessage("an encrypted reply to a request that was not")
        scoped_at, body = header.data_at, data
        if header.flags & PRIV:
            start, end = ber.read_tagged(data, header.data_at, len(data), ber.OCTET_STRING)
            body = self._decrypted(header, engine, data[start:end])
            scoped_at = 0
        context, pdu = read_scoped(body, scoped_at, padded=self.user.privacy is Privacy.DES)
        if pdu.type == ber.REPORT:
            raise ReportReceived(_complaint(pdu), header, signed)
        if late:
            raise MalformedMessage("signed more than 150 s ago")
        if header.flags & (AUTH | PRIV) != level:
            raise MalformedMessage("a reply on a lower security level than the request's")
        if pdu.type != ber.RESPONSE or pdu.request_id != message_id or context != engine.id:
            raise MalformedMessage("not the response to this request")
        self._take_time(header, engine)
        return pdu

    def _verify(self, data: bytes, header: Header, engine: Engine) -> bool:
        """Check engine, user and digest, and return whether the message is outside the time window.

        Only a Report that our own notion of the time is wrong may be. Raises MalformedMessage.
        """
        if (
            self.user.auth is Auth.NONE
            or header.engine_id != engine.id
            or header.user != self.user.name.encode()
        ):
            raise MalformedMessage("signed by another engine or for another user")
        key, _ = self._keys_for(engine.id)
        octets = DIGESTS[self.user.auth].octets
        if len(header.digest) != octets:
            raise MalformedMessage("a digest of the wrong size")
        blank = data[: header.digest_at] + bytes(octets) + data[header.digest_at + octets :]
        if not hmac.compare_digest(sign(self.user.auth, key, blank), header.digest):
            raise MalformedMessage("a wrong digest: forged, damaged, or signed with another key")
        if not engine.proven:
            return False
        late = header.time_s < engine.time_now_s(self.clock()) - _WINDOW_S
        return header.boots < engine.boots or (header.boots == engine.boots and late)

    @staticmethod
    def _complain(data: bytes, header: Header) -> None:
        """Raise ReportReceived where an unsigned message is a Report; its request id may be anything."""
        if header.flags & PRIV:
            return
        _, pdu = read_scoped(data, header.data_at, padded=False)
        if pdu.type == ber.REPORT:
            raise ReportReceived(_complaint(pdu), header, signed=False)

    def _decrypted(self, header: Header, engine: Engine, secret: bytes) -> bytes:
        _, key = self._keys_for(engine.id)
        try:
            return decrypt(self.user.privacy, key, header.boots, header.time_s, header.privacy, secret)
        except ValueError as error:
            raise MalformedMessage(str(error)) from None

    def _take_time(self, header: Header, asked: Engine, *, forced: bool = False) -> Engine:
        """Take boots and time from a verified message (RFC 3414, 3.2, 7b), and with them the engine that was asked.

        Of a user without authentication nothing is verified; the engine that answered is then the one to ask.
        """
        before = self.engine
        known = before if before is not None and before.id == header.engine_id else None
        if known is not None and known.proven and header.boots < known.boots:
            self._note(f"engine boots fell from {known.boots} to {header.boots}: the card forgot its count")
        if before is not None and known is None:
            self.engine_changes.append((before.id.hex(), header.engine_id.hex()))
            del self.engine_changes[:-_MOST_TOLD]
            self.worked = False
        current = known or asked
        newer = header.boots > current.boots or header.time_s > current.time_now_s(self.clock())
        if forced or newer or not current.proven:
            signed = self.user.auth is not Auth.NONE
            current = Engine(header.engine_id, header.boots, header.time_s, self.clock(), proven=signed)
        self.engine = current
        return current

    def _note(self, text: str) -> None:
        self.notes.append(text)
        del self.notes[:-_MOST_TOLD]


_NOTHING: Final = Pdu(ber.REPORT, 0, 0, 0, [])


def _complaint(pdu: Pdu) -> str:
    return pdu.varbinds[0][0] if pdu.varbinds else "an empty report"
