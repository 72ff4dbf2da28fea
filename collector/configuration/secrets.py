"""Communities, keys and passwords: a file of their own, and values that print as stars."""

from __future__ import annotations

import hmac
import re
import stat
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Final, Literal, NoReturn

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError
from pydantic_core import PydanticCustomError

from collector.configuration.faults import FaultList, nearest, note_validation
from collector.configuration.plant.values import ID_WANTED, checked_id

STARS: Final = "***"


class Secret:
    """A text that prints as stars wherever it ends up; `reveal()` is the one way to its value."""

    __slots__ = ("_text",)

    def __init__(self, text: str) -> None:
        self._text = text

    def reveal(self) -> str:
        """Return the text itself, for the one place that needs it."""
        return self._text

    def __repr__(self) -> str:
        return f"Secret({STARS})"

    def __str__(self) -> str:
        return STARS

    def __format__(self, _spec: str) -> str:
        return STARS

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Secret):
            return NotImplemented
        return hmac.compare_digest(self._text.encode(), other._text.encode())

    def __hash__(self) -> int:
        return hash((Secret, self._text))

    def __reduce__(self) -> NoReturn:
        """Refuse to be pickled: a secret has no business in another process or a file."""
        raise TypeError("a Secret is not pickled")


def _secret(value: object) -> Secret:
    if isinstance(value, Secret):
        return value
    if not isinstance(value, str) or not value:
        raise PydanticCustomError("want", "{want}", {"want": "text in quotes, not empty", "got": STARS})
    return Secret(value)


def _key(value: object) -> Secret:
    secret = _secret(value)
    if len(secret.reveal()) < 8:
        # RFC 3414, 11.2: passwords of user-based security have at least eight characters
        raise PydanticCustomError("want", "{want}", {"want": "8 or more characters", "got": STARS})
    return secret


SecretText = Annotated[Secret, BeforeValidator(_secret)]
SecretKey = Annotated[Secret, BeforeValidator(_key)]


class _Secrets(BaseModel):
    model_config = ConfigDict(
        extra="forbid", frozen=True, hide_input_in_errors=True, arbitrary_types_allowed=True
    )


class CommunitySecret(_Secrets):
    """A community of SNMP version 1 or 2c."""

    community: SecretText = Field(description="the community, read-only on the card")


class SnmpUser(_Secrets):
    """A user of SNMP version 3 (RFC 3414, RFC 7860, RFC 3826)."""

    user: SecretText = Field(description="user name")
    auth: Literal["md5", "sha1", "sha224", "sha256", "sha384", "sha512"] | None = Field(
        default=None, description="how messages are signed; left out for none"
    )
    auth_key: SecretKey | None = Field(default=None, description="the password that messages are signed with")
    privacy: Literal["des", "aes128", "aes192", "aes256"] | None = Field(
        default=None, description="how messages are enciphered; left out for none"
    )
    privacy_key: SecretKey | None = Field(
        default=None, description="the password that messages are enciphered with"
    )


class Login(_Secrets):
    """A user and a password, for a broker, a mail server or a database."""

    user: SecretText = Field(description="user name")
    password: SecretText = Field(description="password")


class Token(_Secrets):
    """One token, for a database or to sign messages with."""

    token: SecretText = Field(description="the token")


AnySecret = CommunitySecret | SnmpUser | Login | Token
SECRET_KINDS: Final[tuple[type[_Secrets], ...]] = (
    CommunitySecret,
    SnmpUser,
    Login,
    Token,
)
_KIND_BY_KEY: Final[Mapping[str, type[AnySecret]]] = {
    "community": CommunitySecret,
    "token": Token,
    "password": Login,
}


SECRET_OF_CHANNEL: Final[Mapping[str, tuple[type[AnySecret], ...]]] = {
    "webhook": (Token,),
    "snmp": (CommunitySecret,),
}
"""What sort of secret a channel of a kind shows; a user with a password where it does not stand here."""


@dataclass(frozen=True, slots=True)
class SecretsFile:
    """The secrets by name. `names` also holds those that were there but wrong."""

    by_name: Mapping[str, AnySecret] = field(default_factory=dict)
    names: frozenset[str] = frozenset()
    file_name: str = ""
    found: bool = False


def read_secrets(path: Path) -> tuple[SecretsFile, FaultList]:
    """Read a secrets file: one `[NAME]` table a secret. Every fault is listed; no value is in any of them.

    A file that others may write is a fault; one that others may read, a warning.
    """
    notes = FaultList(str(path))
    try:
        mode = path.stat().st_mode
        raw = path.read_bytes()
    except OSError as error:
        notes.fault("file", "a secrets file that can be read", error.strerror or "an error")
        return SecretsFile(), notes
    want = f"a file that its owner alone may use (chmod 600 {path})"
    if mode & (stat.S_IWOTH | stat.S_IWGRP):
        notes.fault("file", want, f"mode {mode & 0o777:o}: others may change it")
    elif mode & (stat.S_IRWXO | stat.S_IRWXG):
        notes.warn("file", want, f"mode {mode & 0o777:o}: others may read it")
    if b"\0" in raw:
        notes.fault("file", "a secrets file, which is text in UTF-8", "a binary file")
        return SecretsFile(file_name=path.name, found=True), notes
    try:
        tables = tomllib.loads(raw.decode("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        notes.fault(where_in(error), "TOML in UTF-8", "something else (not shown)")
        return SecretsFile(file_name=path.name, found=True), notes
    return _checked(tables, notes), notes


def _checked(tables: Mapping[str, object], notes: FaultList) -> SecretsFile:
    by_name: dict[str, AnySecret] = {}
    for name, table in tables.items():
        try:
            checked_id(name)
        except PydanticCustomError:
            notes.fault("a secret's name", ID_WANTED, "a name that is not shown")
            continue
        if not isinstance(table, dict):
            notes.fault(name, f"a table: [{name}] with the secret below it", STARS)
            continue
        kind: type[AnySecret] = next((k for key, k in _KIND_BY_KEY.items() if key in table), SnmpUser)
        known = [setting for k in SECRET_KINDS for setting in k.model_fields]
        try:
            secret = kind.model_validate(table)
        except ValidationError as error:
            note_validation(notes, name, error, known, secret=True)
            continue
        if isinstance(secret, SnmpUser) and not _complete(secret, name, notes):
            continue
        by_name[name] = secret
    return SecretsFile(by_name, frozenset(tables), notes.file, found=True)


def _complete(user: SnmpUser, name: str, notes: FaultList) -> bool:
    before = len(notes.faults)
    for what, key in (("auth", user.auth_key), ("privacy", user.privacy_key)):
        kind = getattr(user, what)
        if (kind is None) != (key is None):
            missing = f"{what}_key" if key is None else what
            notes.fault(f"{name}.{missing}", f"{what} and {what}_key together", "one of them")
    if user.privacy is not None and user.auth is None:
        # RFC 3414, 1.4: there is no privacy without authentication
        notes.fault(f"{name}.auth", "auth and auth_key wherever there is privacy", "nothing")
    if user.auth in ("md5", "sha1") and len(notes.faults) == before:
        notes.warn(f"{name}.auth", "sha256 or better where the card can (RFC 7860)", repr(user.auth))
    return len(notes.faults) == before


def pick(
    secrets: SecretsFile,
    name: str,
    place: str,
    kinds: tuple[type[AnySecret], ...],
    notes: FaultList,
) -> AnySecret | None:
    """Return the secret of that name if it is of the right kind; else note a fault and return None.

    The name asked for is not repeated: people paste the secret itself where its name belongs.
    """
    secret = secrets.by_name.get(name)
    if secret is None:
        if name not in secrets.names:
            notes.fault(
                place,
                f"the name of a secret in {secrets.file_name}{nearest(name, secrets.names)}",
                "a name that is not there (not shown)",
            )
        return None
    if not isinstance(secret, kinds):
        wanted = " or ".join(_settings(kind) for kind in kinds)
        notes.fault(place, f"a secret with {wanted}", f"one with {_settings(type(secret))}")
        return None
    return secret


def _settings(kind: type[BaseModel]) -> str:
    return " and ".join(name for name, info in kind.model_fields.items() if info.is_required())


def where_in(error: Exception) -> str:
    """Return the line and column a TOML error names (its text may quote the file, so no more is kept)."""
    found = re.search(r"at (line \d+, column \d+|end of document)", str(error))
    return found[1] if found else "the text"
