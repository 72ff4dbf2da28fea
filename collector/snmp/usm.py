"""SNMPv3 with user-based security: RFC 3412 messages, RFC 3414 security, as one manager towards one card.

Nothing of a reply is decoded before its digest has been verified, nothing used that is outside the time window, and
where the request was signed an unsigned reply is no reply. Only one kind of unsigned message is listened to: a Report (RFC 3414, 3.2) in
which the card says why it cannot answer. Anybody can forge one, so it never changes what we know: it becomes
the reason in an error, or makes us ask for the engine's id again, which then must prove itself by its digest.

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

from collector.snmp import ber
from collector.snmp.ber import Pdu, Template
from collector.snmp.client import Send
from collector.snmp.credentials import Auth, Privacy, User
from collector.snmp.errors import MalformedMessage, NoReply, SecurityFailure
from collector.snmp.keys import (
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

_AUTH, _PRIV, _REPORTABLE = 1, 2, 4
_USM: Final = 3
_WINDOW_S: Final = 150
_LARGEST: Final = 65507
_STATS: Final = "1.3.6.1.6.3.15.1.1."
_UNSUPPORTED_LEVEL: Final = _STATS + "1.0"
_NOT_IN_WINDOW: Final = _STATS + "2.0"
_UNKNOWN_USER: Final = _STATS + "3.0"
_UNKNOWN_ENGINE: Final = _STATS + "4.0"
_WRONG_DIGEST: Final = _STATS + "5.0"
_DECRYPTION: Final = _STATS + "6.0"
_MOST_BOOTS: Final = 2**31 - 1

_REASONS: Final = {
    _UNSUPPORTED_LEVEL: (
        "unsupported security level",
        "the card does not let this user in at the level asked for: compare it with the user's settings there",
    ),
    _NOT_IN_WINDOW: (
        "not in time window",
        "the card's engine boots or time do not hold still: let it keep them over restarts, or set its clock",
    ),
    _UNKNOWN_USER: (
        "unknown user",
        "the card knows no user of this name: check its spelling and letter case",
    ),
    _UNKNOWN_ENGINE: (
        "unknown engine",
        "the card does not keep to the engine id it gave: restart its network side",
    ),
    _WRONG_DIGEST: (
        "wrong digest",
        "authentication password or algorithm differ from the card's: enter both anew on both sides",
    ),
    _DECRYPTION: ("wrong privacy", "privacy password or algorithm differ from the card's: enter both anew"),
}


def failure(reason_oid: str) -> SecurityFailure:
    """Return the error for a Report's object."""
    reason, remedy = _REASONS.get(reason_oid, (f"refused with {reason_oid}", "see the card's manual"))
    return SecurityFailure(reason, remedy)


@dataclass(slots=True)
class Engine:
    """What is known of a card's engine. `proven`: it has signed for its boots and time."""

    id: bytes
    boots: int
    time_s: int
    at_s: float
    proven: bool = False

    def time_now_s(self, now_s: float) -> int:
        """Return what the engine's clock shows by now."""
        return self.time_s + int(now_s - self.at_s)


@dataclass(frozen=True, slots=True)
class _Header:
    """The outer part of a received message; `digest_at` is where its digest begins."""

    flags: int
    engine_id: bytes
    boots: int
    time_s: int
    user: bytes
    digest_at: int
    digest: bytes
    privacy: bytes
    data_at: int


class _ReportError(Exception):
    """A Report that came instead of a response."""

    def __init__(self, oid: str, header: _Header, signed: bool) -> None:
        super().__init__(oid)
        self.oid = oid
        self.header = header
        self.signed = signed


@dataclass(slots=True)
class UsmSecurity:
    """Wraps and unwraps messages for one user on one card. See `collector.snmp.client.Security`.

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
        return (_AUTH if self.user.auth is not Auth.NONE else 0) | (
            _PRIV if self.user.privacy is not Privacy.NONE else 0
        )

    async def exchange(self, pdu: Template, message_id: int, send: Send) -> Pdu:
        """Send a PDU and return the response's. Raises SecurityFailure with its reason, NoReply, MalformedMessage."""
        if self.engine is None:
            await self._discover(message_id, send)
        for attempt in range(3):
            try:
                answer = await self._ask(pdu, message_id, send, self.level)
            except _ReportError as report:
                if report.oid == _DECRYPTION and not self.worked:
                    return await self._first_contact(pdu, message_id, send)
                await self._follow(report, attempt, message_id, send)
            except NoReply:
                if self.worked or not self.level & _PRIV:
                    raise
                return await self._first_contact(pdu, message_id, send)
            else:
                self.worked = True
                return answer
        raise failure(_NOT_IN_WINDOW)

    async def _follow(self, report: _ReportError, attempt: int, message_id: int, send: Send) -> None:
        """Do what a Report asks for, so that the request can be tried again; raise where there is nothing to do."""
        if report.oid == _NOT_IN_WINDOW and report.signed and attempt < 2:
            self._take_time(report.header, forced=True)
        elif (report.oid == _NOT_IN_WINDOW and self.user.auth is Auth.NONE and attempt < 2) or (
            report.oid == _UNKNOWN_ENGINE and attempt == 0
        ):
            await self._discover(message_id, send)
        else:
            raise failure(report.oid)

    async def _first_contact(self, pdu: Template, message_id: int, send: Send) -> Pdu:
        """Find out why an encrypted first request stays unanswered: another key extension, or a wrong privacy.

        A card cannot tell a wrong key from noise, so most say nothing. It does answer what is only signed.
        """
        if needs_extension(self.user.auth, self.user.privacy):
            self.extension = Extension.CHAINED if self.extension is Extension.HASHED else Extension.HASHED
            try:
                answer = await self._ask(pdu, message_id, send, self.level)
            except (NoReply, _ReportError):
                self.extension = Extension.HASHED
            else:
                self.worked = True
                self.notes.append(f"privacy keys are lengthened the {self.extension} way")
                return answer
        try:
            await self._ask(pdu, message_id, send, _AUTH)
        except _ReportError as report:
            if report.oid not in {_UNSUPPORTED_LEVEL, _NOT_IN_WINDOW}:
                raise failure(report.oid) from None
        try:  # once more: what was taken for refusal may have been a lost datagram
            return await self._ask(pdu, message_id, send, self.level)
        except (NoReply, _ReportError):
            raise failure(_DECRYPTION) from None

    # --- out ------------------------------------------------------------------------------------------------

    async def _ask(self, pdu: Template, message_id: int, send: Send, level: int) -> Pdu:
        engine = self.engine
        assert engine is not None  # noqa: S101 - discovered before
        reports: list[_ReportError] = []
        datagram = self._wrap(pdu.with_id(message_id), message_id, engine, level)

        def accept(data: bytes) -> Pdu | None:
            try:
                return self._unwrap(data, message_id, engine, level)
            except _ReportError as report:
                reports.append(report)
                return _NOTHING

        answer = await send(message_id, datagram, accept)
        if reports:
            raise reports[0]
        return answer

    async def _discover(self, message_id: int, send: Send) -> None:
        """Ask for the engine's id, boots and time (RFC 3414, 4)."""
        before = self.engine
        empty = Engine(b"", 0, 0, self.clock())
        probe = ber.pdu_template(ber.GET, [])
        datagram = _message(
            message_id,
            _REPORTABLE,
            _parameters(empty, b"", 0, b"", b"")[0],
            _scoped(b"", "", probe.with_id(message_id)),
        )
        headers: list[_Header] = []

        def accept(data: bytes) -> Pdu | None:
            header = _read_header(data, message_id)
            if not 5 <= len(header.engine_id) <= 32:
                raise MalformedMessage("an engine id of impossible size")
            headers.append(header)
            return _NOTHING

        await send(message_id, datagram, accept)
        header = headers[0]
        if before is not None and before.id == header.engine_id and before.proven:
            return  # nothing new, and what was signed for counts more
        self.engine = Engine(header.engine_id, header.boots, header.time_s, self.clock())
        if before is not None and before.id != header.engine_id:
            self.engine_changes.append((before.id.hex(), header.engine_id.hex()))
            self.worked = False

    def _wrap(self, pdu: bytes, message_id: int, engine: Engine, level: int) -> bytes:
        now_s = engine.time_now_s(self.clock())
        scoped = _scoped(engine.id, self.user.context, pdu)
        private = b""
        if level & _PRIV:
            self._salt = (self._salt + 1) & (2**64 - 1)
            _, key = self._keys_for(engine.id)
            secret, private = encrypt(self.user.privacy, key, engine.boots, now_s, self._salt, scoped)
            scoped = ber.encode_tlv(ber.OCTET_STRING, secret)
        zeros = bytes(DIGESTS[self.user.auth].octets) if level & _AUTH else b""
        fixed = Engine(engine.id, engine.boots, now_s, 0.0)
        parameters, digest_at = _parameters(fixed, self.user.name.encode(), now_s, zeros, private)
        message = _message(message_id, level | _REPORTABLE, parameters, scoped)
        if not level & _AUTH:
            return message
        key, _ = self._keys_for(engine.id)
        place = len(message) - len(scoped) - len(parameters) + digest_at
        return message[:place] + sign(self.user.auth, key, message) + message[place + len(zeros) :]

    def _keys_for(self, engine_id: bytes) -> tuple[bytes, bytes]:
        """Return the keys for signing and for privacy, made for one engine."""
        known = self._keys.get((engine_id, self.extension))
        if known is None:
            user = self.user
            signing = localised(user.auth, password_to_key(user.auth, user.auth_secret), engine_id)
            private = b""
            if user.privacy is not Privacy.NONE:
                private = privacy_key(user.auth, user.privacy_secret, engine_id, user.privacy, self.extension)
            known = self._keys[engine_id, self.extension] = (signing, private)
        return known

    # --- in -------------------------------------------------------------------------------------------------

    def _unwrap(self, data: bytes, message_id: int, engine: Engine, level: int) -> Pdu | None:
        """Return the response in a datagram. Raises _ReportError for a Report, MalformedMessage for what is no reply."""
        header = _read_header(data, message_id)
        signed = bool(header.flags & _AUTH)
        late = False
        if signed:
            late = self._verify(data, header, engine)
        elif level & _AUTH:
            # The one thing an unsigned message may be is a Report: decoded, but believed only as a complaint.
            self._complain(data, header)
            raise MalformedMessage("an unsigned reply to a signed request")
        if header.flags & _PRIV and not level & _PRIV:
            raise MalformedMessage("an encrypted reply to a request that was not")
        scoped_at, body = header.data_at, data
        if header.flags & _PRIV:
            start, end = ber.read_tagged(data, header.data_at, len(data), ber.OCTET_STRING)
            body = self._decrypted(header, engine, data[start:end])
            scoped_at = 0
        context, pdu = _read_scoped(body, scoped_at, padded=self.user.privacy is Privacy.DES)
        if pdu.type == ber.REPORT:
            raise _ReportError(_complaint(pdu), header, signed)
        if late:
            raise MalformedMessage("signed more than 150 s ago")
        if header.flags & (_AUTH | _PRIV) != level:
            raise MalformedMessage("a reply on a lower security level than the request's")
        if pdu.type != ber.RESPONSE or pdu.request_id != message_id or context != engine.id:
            raise MalformedMessage("not the response to this request")
        if signed:
            self._take_time(header)
        return pdu

    def _verify(self, data: bytes, header: _Header, engine: Engine) -> bool:
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
    def _complain(data: bytes, header: _Header) -> None:
        """Raise _ReportError where an unsigned message is a Report; its request id may be anything."""
        if header.flags & _PRIV:
            return
        _, pdu = _read_scoped(data, header.data_at, padded=False)
        if pdu.type == ber.REPORT:
            raise _ReportError(_complaint(pdu), header, signed=False)

    def _decrypted(self, header: _Header, engine: Engine, secret: bytes) -> bytes:
        _, key = self._keys_for(engine.id)
        try:
            return decrypt(self.user.privacy, key, header.boots, header.time_s, header.privacy, secret)
        except ValueError as error:
            raise MalformedMessage(str(error)) from None

    def _take_time(self, header: _Header, *, forced: bool = False) -> None:
        """Take boots and time from a signed message (RFC 3414, 3.2, 7b)."""
        engine = self.engine
        if engine is None or engine.id != header.engine_id:
            return
        if header.boots < engine.boots and engine.proven:
            self.notes.append(
                f"engine boots fell from {engine.boots} to {header.boots}: the card forgot its count"
            )
        newer = header.boots > engine.boots or header.time_s > engine.time_now_s(self.clock())
        if forced or newer or not engine.proven:
            self.engine = Engine(engine.id, header.boots, header.time_s, self.clock(), proven=True)


_NOTHING: Final = Pdu(ber.REPORT, 0, 0, 0, [])


def _complaint(pdu: Pdu) -> str:
    return pdu.varbinds[0][0] if pdu.varbinds else "an empty report"


def _scoped(engine_id: bytes, context: str, pdu: bytes) -> bytes:
    """Return a scopedPDU (RFC 3412, 6)."""
    names = ber.encode_tlv(ber.OCTET_STRING, engine_id) + ber.encode_tlv(ber.OCTET_STRING, context.encode())
    return ber.encode_tlv(ber.SEQUENCE, names + pdu)


def _parameters(engine: Engine, user: bytes, time_s: int, digest: bytes, private: bytes) -> tuple[bytes, int]:
    """Return msgSecurityParameters as an OCTET STRING, and where in it the digest begins."""
    front = (
        ber.encode_tlv(ber.OCTET_STRING, engine.id)
        + ber.encode_int(min(engine.boots, _MOST_BOOTS))
        + ber.encode_int(time_s)
        + ber.encode_tlv(ber.OCTET_STRING, user)
    )
    content = front + ber.encode_tlv(ber.OCTET_STRING, digest) + ber.encode_tlv(ber.OCTET_STRING, private)
    inner = ber.encode_tlv(ber.SEQUENCE, content)
    whole = ber.encode_tlv(ber.OCTET_STRING, inner)
    # From the end: what follows the digest never changes its length.
    after = len(ber.encode_tlv(ber.OCTET_STRING, private)) + len(digest)
    return whole, len(whole) - after


def _message(message_id: int, flags: int, parameters: bytes, scoped: bytes) -> bytes:
    """Return an SNMPv3 message (RFC 3412, 6)."""
    header = (
        ber.encode_int(message_id)
        + ber.encode_int(_LARGEST)
        + ber.encode_tlv(ber.OCTET_STRING, bytes((flags,)))
        + ber.encode_int(_USM)
    )
    return ber.encode_tlv(
        ber.SEQUENCE,
        ber.encode_int(ber.VERSION_3) + ber.encode_tlv(ber.SEQUENCE, header) + parameters + scoped,
    )


def _read_header(data: bytes, message_id: int) -> _Header:
    """Return the outer part of a message with our id. Raises MalformedMessage."""
    version, pos, end = ber.read_version(data)
    if version != ber.VERSION_3:
        raise MalformedMessage("the reply is not SNMPv3")
    start, header_end = ber.read_tagged(data, pos, end, ber.SEQUENCE)
    found, pos = ber.read_int(data, start, header_end)
    _, pos = ber.read_int(data, pos, header_end)
    flags_at, pos = ber.read_tagged(data, pos, header_end, ber.OCTET_STRING)
    model, after = ber.read_int(data, pos, header_end)
    if found != message_id or model != _USM or pos - flags_at != 1 or after != header_end:
        raise MalformedMessage("another message, or another security model")
    flags = data[flags_at]
    if flags & _PRIV and not flags & _AUTH:
        raise MalformedMessage("encrypted but not signed")
    start, data_at = ber.read_tagged(data, header_end, end, ber.OCTET_STRING)
    pos, inner_end = ber.read_tagged(data, start, data_at, ber.SEQUENCE)
    if inner_end != data_at:
        raise MalformedMessage("something follows the security parameters")
    engine_at, pos = ber.read_tagged(data, pos, inner_end, ber.OCTET_STRING)
    engine_id = data[engine_at:pos]
    boots, pos = ber.read_int(data, pos, inner_end)
    time_s, pos = ber.read_int(data, pos, inner_end)
    user_at, user_end = ber.read_tagged(data, pos, inner_end, ber.OCTET_STRING)
    digest_at, digest_end = ber.read_tagged(data, user_end, inner_end, ber.OCTET_STRING)
    private_at, private_end = ber.read_tagged(data, digest_end, inner_end, ber.OCTET_STRING)
    if private_end != inner_end or not 0 <= boots <= _MOST_BOOTS or not 0 <= time_s <= _MOST_BOOTS:
        raise MalformedMessage("security parameters out of range")
    return _Header(
        flags,
        engine_id,
        boots,
        time_s,
        data[user_at:user_end],
        digest_at,
        data[digest_at:digest_end],
        data[private_at:private_end],
        data_at,
    )


def _read_scoped(data: bytes, pos: int, *, padded: bool) -> tuple[bytes, Pdu]:
    """Return (context engine id, PDU) of a scopedPDU at `pos`. Raises MalformedMessage."""
    start, end = ber.read_tagged(data, pos, len(data), ber.SEQUENCE)
    if end != len(data) and not (padded and len(data) - end < 8):
        raise MalformedMessage("something follows the scoped PDU")
    engine_at, pos = ber.read_tagged(data, start, end, ber.OCTET_STRING)
    engine_id = data[engine_at:pos]
    _, pos = ber.read_tagged(data, pos, end, ber.OCTET_STRING)
    return engine_id, ber.decode_pdu(data, pos, end)
