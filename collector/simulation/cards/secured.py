"""A simulated card that speaks SNMPv3: user-based security (RFC 3414) before an `Agent`, as a card has it.

Written against the standard's rules for the authoritative side (RFC 3414, 3.2) and not out of the reader's own
module, so that the two examine each other; ciphers and digests they share. What goes wrong with such cards:

- `restart`: the engine's boots rise and its time begins anew; a card that forgot its count begins at 1 again
- `replace`: another card stands there, with another engine id
- `jump`: the engine's clock leaps
- other passwords or another user than the reader's: give it other `users`
"""

from __future__ import annotations

import hmac
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from collector.cards.snmp import ber
from collector.cards.snmp.credentials import Auth, Privacy, User
from collector.cards.snmp.errors import MalformedMessage
from collector.cards.snmp.keys import (
    DIGESTS,
    Extension,
    decrypt,
    encrypt,
    localised,
    password_to_key,
    privacy_key,
    sign,
)
from collector.simulation.cards.agent import Agent, Faults

AUTH, PRIV = 1, 2
USM: Final = 3
WINDOW_S: Final = 150
_LARGEST: Final = 1472

# RFC 3414, 5: usmStats
UNSUPPORTED_LEVELS: Final = "1.3.6.1.6.3.15.1.1.1.0"
NOT_IN_TIME_WINDOWS: Final = "1.3.6.1.6.3.15.1.1.2.0"
UNKNOWN_USERS: Final = "1.3.6.1.6.3.15.1.1.3.0"
UNKNOWN_ENGINES: Final = "1.3.6.1.6.3.15.1.1.4.0"
WRONG_DIGESTS: Final = "1.3.6.1.6.3.15.1.1.5.0"
DECRYPTION_ERRORS: Final = "1.3.6.1.6.3.15.1.1.6.0"


@dataclass(frozen=True, slots=True)
class _Asked:
    """A request as it came, up to what is encrypted. `digest_at`: where its digest begins."""

    message_id: int
    flags: int
    engine_id: bytes
    boots: int
    time_s: int
    user: bytes
    digest_at: int
    digest: bytes
    privacy: bytes
    data_at: int


@dataclass(slots=True)
class SecuredAgent:
    """A card that answers SNMPv3 and nothing older. `counted`: how often each of usmStats was the answer.

    `mute_about_privacy`: whether it stays silent where decrypting fails, as most cards do, or reports it.
    """

    agent: Agent
    users: tuple[User, ...]
    engine_id: bytes = bytes.fromhex("80000000052a000001")
    boots: int = 1
    clock: Callable[[], float] = time.monotonic
    mute_about_privacy: bool = True
    counted: dict[str, int] = field(default_factory=dict)
    _began_s: float | None = None
    _salt: int = 0
    _keys: dict[tuple[str, bytes], tuple[bytes, bytes]] = field(default_factory=dict)

    @property
    def faults(self) -> Faults:
        """Return what is wrong with the card below its security."""
        return self.agent.faults

    @property
    def time_s(self) -> int:
        """Return the engine's time: seconds since its last start."""
        if self._began_s is None:
            self._began_s = self.clock()
        return int(self.clock() - self._began_s)

    def restart(self, *, forgets: bool = False) -> None:
        """Let the card start again. One that `forgets` counts its boots from 1."""
        self.boots, self._began_s = (1 if forgets else self.boots + 1), self.clock()

    def jump(self, seconds: float) -> None:
        """Let the engine's clock leap ahead, within the same boot."""
        self._began_s = self.clock() - self.time_s - seconds

    def replace(self, engine_id: bytes) -> None:
        """Put another card there: another engine id, its first boot."""
        self.engine_id, self.boots, self._began_s = engine_id, 1, self.clock()

    def respond(self, datagram: bytes) -> bytes | None:
        """Return the reply to a datagram, or None where the card stays silent."""
        self.agent.requests += 1
        if self.faults.hang:
            return None
        try:
            reply = self._checked(datagram, _read(datagram))
        except MalformedMessage:
            return None
        return None if reply is None else self.agent.spoilt(reply)

    def _checked(self, data: bytes, asked: _Asked) -> bytes | None:
        """Return the answer to a request, or the Report that says what is wrong with it."""
        user = next((u for u in self.users if u.name.encode() == asked.user), None)
        why = self._wrong(data, asked, user)
        if user is None or why is not None:
            # Only the Report about the time is signed: by it the reader sets its notion of ours.
            return self._report(asked, why or UNKNOWN_USERS, user if why == NOT_IN_TIME_WINDOWS else None)
        try:
            pdu = self._pdu(data, asked, user, self._keys_of(user)[1])
        except (MalformedMessage, ValueError):
            return None if self.mute_about_privacy else self._report(asked, DECRYPTION_ERRORS)
        answer = self.agent.answer(pdu)
        return None if answer is None else self._message(asked, answer, user, level_of(user))

    def _wrong(self, data: bytes, asked: _Asked, user: User | None) -> str | None:
        """Return which of usmStats counts a request, in the order of RFC 3414, 3.2; None where it may pass."""
        if asked.engine_id != self.engine_id:
            return UNKNOWN_ENGINES
        if user is None:
            return UNKNOWN_USERS
        signed = bool(asked.flags & AUTH)
        if asked.flags & (AUTH | PRIV) != level_of(user):
            return UNSUPPORTED_LEVELS
        if signed and not self._signed(data, asked, user):
            return WRONG_DIGESTS
        late = asked.boots != self.boots or abs(asked.time_s - self.time_s) > WINDOW_S
        return NOT_IN_TIME_WINDOWS if signed and late else None

    def _signed(self, data: bytes, asked: _Asked, user: User) -> bool:
        octets = DIGESTS[user.auth].octets
        blank = data[: asked.digest_at] + bytes(octets) + data[asked.digest_at + octets :]
        return hmac.compare_digest(sign(user.auth, self._keys_of(user)[0], blank), asked.digest)

    @staticmethod
    def _pdu(data: bytes, asked: _Asked, user: User, private: bytes) -> ber.Pdu:
        body, at = data, asked.data_at
        if asked.flags & PRIV:
            start, end = ber.read_tagged(data, at, len(data), ber.OCTET_STRING)
            body = decrypt(user.privacy, private, asked.boots, asked.time_s, asked.privacy, data[start:end])
            at = 0
        start, end = ber.read_tagged(body, at, len(body), ber.SEQUENCE)
        _, pos = ber.read_tagged(body, start, end, ber.OCTET_STRING)
        _, pos = ber.read_tagged(body, pos, end, ber.OCTET_STRING)
        return ber.decode_pdu(body, pos, end)

    def _report(self, asked: _Asked, why: str, user: User | None = None) -> bytes:
        """Return a Report; signed where there is a `user`, as only one about the time may be."""
        self.counted[why] = self.counted.get(why, 0) + 1
        varbind = ber.encode_varbind(why, ber.COUNTER32, self.counted[why])
        pdu = ber.encode_response_pdu(0, [varbind], pdu_type=ber.REPORT)
        return self._message(asked, pdu, user, 0 if user is None else AUTH)

    def _keys_of(self, user: User) -> tuple[bytes, bytes]:
        known = self._keys.get((user.name, self.engine_id))
        if known is None:
            signing = private = b""
            if user.auth is not Auth.NONE:
                signing = localised(user.auth, password_to_key(user.auth, user.auth_secret), self.engine_id)
            if user.privacy is not Privacy.NONE:
                private = privacy_key(
                    user.auth, user.privacy_secret, self.engine_id, user.privacy, Extension.HASHED
                )
            known = self._keys[user.name, self.engine_id] = (signing, private)
        return known

    def _message(self, asked: _Asked, pdu: bytes, user: User | None, level: int) -> bytes:
        """Return an SNMPv3 message with a PDU in it, encrypted and signed as the level says (RFC 3412, 6)."""
        scoped = ber.encode_tlv(ber.SEQUENCE, _octets(self.engine_id) + _octets(b"") + pdu)
        now_s, digest, salt = self.time_s, b"", b""
        if user is not None and level & PRIV:
            self._salt += 1
            private = self._keys_of(user)[1]
            secret, salt = encrypt(user.privacy, private, self.boots, now_s, self._salt, scoped)
            scoped = _octets(secret)
        if user is not None and level & AUTH:
            digest = bytes(DIGESTS[user.auth].octets)
        front = (
            _octets(self.engine_id) + ber.encode_int(self.boots) + ber.encode_int(now_s) + _octets(asked.user)
        )
        parameters = _octets(ber.encode_tlv(ber.SEQUENCE, front + _octets(digest) + _octets(salt)))
        header = ber.encode_tlv(
            ber.SEQUENCE,
            ber.encode_int(asked.message_id)
            + ber.encode_int(_LARGEST)
            + _octets(bytes((level,)))
            + ber.encode_int(USM),
        )
        message = ber.encode_tlv(ber.SEQUENCE, ber.encode_int(ber.VERSION_3) + header + parameters + scoped)
        if not digest or user is None:
            return message
        at = len(message) - len(scoped) - len(_octets(salt)) - len(digest)
        signed = sign(user.auth, self._keys_of(user)[0], message)
        return message[:at] + signed + message[at + len(digest) :]


def level_of(user: User) -> int:
    """Return the flags of the level at which a user is let in."""
    return (AUTH if user.auth is not Auth.NONE else 0) | (PRIV if user.privacy is not Privacy.NONE else 0)


def _octets(value: bytes) -> bytes:
    return ber.encode_tlv(ber.OCTET_STRING, value)


def _read(data: bytes) -> _Asked:
    """Return the outer part of a request. Raises MalformedMessage."""
    version, pos, end = ber.read_version(data)
    if version != ber.VERSION_3:
        raise MalformedMessage("not SNMPv3")
    start, header_end = ber.read_tagged(data, pos, end, ber.SEQUENCE)
    message_id, pos = ber.read_int(data, start, header_end)
    _, pos = ber.read_int(data, pos, header_end)
    flags_at, pos = ber.read_tagged(data, pos, header_end, ber.OCTET_STRING)
    model, _ = ber.read_int(data, pos, header_end)
    if model != USM or pos - flags_at != 1:
        raise MalformedMessage("another security model")
    start, data_at = ber.read_tagged(data, header_end, end, ber.OCTET_STRING)
    pos, inner_end = ber.read_tagged(data, start, data_at, ber.SEQUENCE)
    engine_at, pos = ber.read_tagged(data, pos, inner_end, ber.OCTET_STRING)
    engine_id = data[engine_at:pos]
    boots, pos = ber.read_int(data, pos, inner_end)
    time_s, pos = ber.read_int(data, pos, inner_end)
    user_at, user_end = ber.read_tagged(data, pos, inner_end, ber.OCTET_STRING)
    digest_at, digest_end = ber.read_tagged(data, user_end, inner_end, ber.OCTET_STRING)
    private_at, private_end = ber.read_tagged(data, digest_end, inner_end, ber.OCTET_STRING)
    return _Asked(
        message_id, data[flags_at], engine_id, boots, time_s, data[user_at:user_end],
        digest_at, data[digest_at:digest_end], data[private_at:private_end], data_at,
    )  # fmt: skip
