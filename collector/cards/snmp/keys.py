"""Keys and ciphers of SNMPv3's user-based security: RFC 3414 (MD5, SHA-1, DES), RFC 3826 (AES-128), RFC 7860 (SHA-2).

AES with 192 and 256 bits was never standardised. Where the digest is shorter than the key two ways to lengthen
it are in use, both from expired drafts: hashing on (`HASHED`), and deriving a second key from the first
(`CHAINED`). Cards speak one or the other; which, is tried on first contact.
"""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import Final

from cryptography.hazmat.decrepit.ciphers.algorithms import TripleDES
from cryptography.hazmat.primitives.ciphers import Cipher, modes
from cryptography.hazmat.primitives.ciphers.algorithms import AES

from collector.cards.snmp.credentials import Auth, Privacy

try:
    from cryptography.hazmat.decrepit.ciphers.modes import CFB
except ImportError:  # before it was moved there
    from cryptography.hazmat.primitives.ciphers.modes import CFB


@dataclass(frozen=True, slots=True)
class Digest:
    """A hash and how many octets of its HMAC go into a message."""

    name: str
    octets: int


DIGESTS: Final = {
    Auth.MD5: Digest("md5", 12),
    Auth.SHA1: Digest("sha1", 12),
    Auth.SHA224: Digest("sha224", 16),
    Auth.SHA256: Digest("sha256", 24),
    Auth.SHA384: Digest("sha384", 32),
    Auth.SHA512: Digest("sha512", 48),
}
KEY_OCTETS: Final = {Privacy.DES: 16, Privacy.AES128: 16, Privacy.AES192: 24, Privacy.AES256: 32}
_MEGABYTE: Final = 1048576


class Extension(StrEnum):
    """How a key longer than the digest is made."""

    HASHED = "hashed"  # draft-blumenthal-aes-usm-04: append the digest of what there is
    CHAINED = "chained"  # draft-reeder-snmpv3-usm-3desede-00: a key of the key, localised like the first


@lru_cache(maxsize=256)
def password_to_key(auth: Auth, password: bytes) -> bytes:
    """Return the key of a password (RFC 3414, A.2): the digest of a megabyte of it. Takes milliseconds."""
    if not password:
        raise ValueError("an empty password makes no key")
    repeated = password * (_MEGABYTE // len(password) + 1)
    return hashlib.new(DIGESTS[auth].name, repeated[:_MEGABYTE]).digest()


def localised(auth: Auth, key: bytes, engine_id: bytes) -> bytes:
    """Return a key made for one engine (RFC 3414, 2.6)."""
    return hashlib.new(DIGESTS[auth].name, key + engine_id + key).digest()


def privacy_key(
    auth: Auth, password: bytes, engine_id: bytes, privacy: Privacy, extension: Extension
) -> bytes:
    """Return the localised privacy key, lengthened where the cipher needs more than the digest gives."""
    key = localised(auth, password_to_key(auth, password), engine_id)
    while len(key) < KEY_OCTETS[privacy]:
        if extension is Extension.HASHED:
            key += hashlib.new(DIGESTS[auth].name, key).digest()
        else:
            key += localised(auth, password_to_key(auth, key), engine_id)
    return key[: KEY_OCTETS[privacy]]


def needs_extension(auth: Auth, privacy: Privacy) -> bool:
    """Return whether there are two ways to make the privacy key."""
    return hashlib.new(DIGESTS[auth].name).digest_size < KEY_OCTETS[privacy]


def sign(auth: Auth, key: bytes, message: bytes) -> bytes:
    """Return what goes into msgAuthenticationParameters for a message that holds zeros there."""
    return hmac.digest(key, message, DIGESTS[auth].name)[: DIGESTS[auth].octets]


def encrypt(  # noqa: PLR0917 - the terms of one formula
    privacy: Privacy, key: bytes, boots: int, time_s: int, salt: int, plain: bytes
) -> tuple[bytes, bytes]:
    """Return (ciphertext, msgPrivacyParameters). `salt` must never repeat under one key."""
    if privacy is Privacy.DES:
        parameters = (boots & 0xFFFFFFFF).to_bytes(4, "big") + (salt & 0xFFFFFFFF).to_bytes(4, "big")
        cipher = _des(key, parameters).encryptor()
        padded = plain + bytes(-len(plain) % 8)
        return cipher.update(padded) + cipher.finalize(), parameters
    parameters = (salt & (2**64 - 1)).to_bytes(8, "big")
    aes = _aes(key, boots, time_s, parameters).encryptor()
    return aes.update(plain) + aes.finalize(), parameters


def decrypt(  # noqa: PLR0917 - the terms of one formula
    privacy: Privacy, key: bytes, boots: int, time_s: int, parameters: bytes, secret: bytes
) -> bytes:
    """Return the plaintext (of DES with its padding). Raises ValueError for sizes that cannot be."""
    if len(parameters) != 8:
        raise ValueError("privacy parameters of the wrong size")
    if privacy is Privacy.DES:
        if len(secret) % 8 or not secret:
            raise ValueError("ciphertext of the wrong size")
        cipher = _des(key, parameters).decryptor()
        return cipher.update(secret) + cipher.finalize()
    aes = _aes(key, boots, time_s, parameters).decryptor()
    return aes.update(secret) + aes.finalize()


def _des(key: bytes, parameters: bytes) -> Cipher[modes.CBC]:
    # RFC 3414, 8.1.1.1: the first half is the key, the second is exored with the salt into the initial vector.
    vector = bytes(a ^ b for a, b in zip(key[8:16], parameters, strict=True))
    return Cipher(TripleDES(key[:8] * 3), modes.CBC(vector))


def _aes(key: bytes, boots: int, time_s: int, parameters: bytes) -> Cipher[CFB]:
    # RFC 3826, 3.1.2.1: engine boots, engine time and salt make the initial vector.
    vector = (boots & 0xFFFFFFFF).to_bytes(4, "big") + (time_s & 0xFFFFFFFF).to_bytes(4, "big") + parameters
    return Cipher(AES(key), CFB(vector))
