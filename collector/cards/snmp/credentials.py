"""What we show a card to be let in. Secrets never appear in a repr."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class Version(StrEnum):
    """The SNMP versions, as people write them."""

    V1 = "1"
    V2C = "2c"
    V3 = "3"


class Auth(StrEnum):
    """Authentication of SNMPv3: RFC 3414 (md5, sha1) and RFC 7860 (the SHA-2 family)."""

    NONE = "none"
    MD5 = "md5"
    SHA1 = "sha1"
    SHA224 = "sha224"
    SHA256 = "sha256"
    SHA384 = "sha384"
    SHA512 = "sha512"


class Privacy(StrEnum):
    """Privacy of SNMPv3: RFC 3414 (des), RFC 3826 (aes128); 192 and 256 as makers extended it."""

    NONE = "none"
    DES = "des"
    AES128 = "aes128"
    AES192 = "aes192"
    AES256 = "aes256"


@dataclass(frozen=True, slots=True)
class Community:
    """A community of v1 or v2c."""

    name: bytes = field(repr=False)
    version: Version = Version.V2C


@dataclass(frozen=True, slots=True)
class User:
    """A user of SNMPv3. Secrets are passphrases (RFC 3414 A.2: at least eight characters)."""

    name: str
    auth: Auth = Auth.NONE
    auth_secret: bytes = field(default=b"", repr=False)
    privacy: Privacy = Privacy.NONE
    privacy_secret: bytes = field(default=b"", repr=False)
    context: str = ""

    @property
    def version(self) -> Version:
        """Return Version.V3."""
        return Version.V3


Credentials = Community | User
