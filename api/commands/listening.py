"""Where a server listens, and who is let in there: the options, the estate file, and what is refused before anything starts."""

from __future__ import annotations

import argparse
import os
import secrets
from dataclasses import dataclass
from datetime import timedelta
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Final

from api.commands.exits import Exit, complain
from collector.configuration import Configuration
from collector.configuration.references import SAFE_HOST, is_loopback
from collector.configuration.secrets import Token
from collector.configuration.settings_tables import ListenTable

if TYPE_CHECKING:
    from api.access.terms import AccessTerms
    from api.http.tls import Certificate

LOCAL_TOKEN_FILE: Final = "local-token"  # noqa: S105 - the file's name
NOBODY_KNOWN: Final = (
    "--host: want a loopback address while there is no user and no token, since everybody who reaches another one "
    "would be let in; `ridethrough user add` adds a user, `ridethrough token make` a token"
)
NO_OPENID: Final = "listen.openid_issuer: want the extra that speaks OpenID Connect beside this program (`pip install authlib`)"


@dataclass(frozen=True, slots=True)
class Place:
    """Where to serve."""

    host: str
    port: int

    @property
    def loopback(self) -> bool:
        """Return whether it is reached from this machine only."""
        return is_loopback(self.host)

    @property
    def names(self) -> tuple[str, ...]:
        """Return the names it has by where it listens: none where it listens everywhere."""
        return () if self.host in {"0.0.0.0", "::"} else (self.host,)  # noqa: S104 - compared, not bound to

    def url(self, *, encrypted: bool) -> str:
        """Return the address as a person types it."""
        shown = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'https' if encrypted else 'http'}://{shown}:{self.port}/"


def listening(options: argparse.Namespace, settings: ListenTable) -> Place:
    """Return where to serve: the options, else the settings. Exits where that is neither this machine only nor safe."""
    place = Place(options.host or settings.host, options.port or settings.port)
    if not place.loopback and settings.certificate_file is None and not settings.proxies:
        raise SystemExit(complain(Exit.WRONG_INPUT, f"--host: want {SAFE_HOST}; got {place.host!r}"))
    return place


def terms_of(configuration: Configuration, place: Place, token: str) -> AccessTerms:
    """Return how people and programs are let in. `token`: the local one."""
    from api.access.terms import AccessTerms, OpenIdPlace  # noqa: PLC0415 - light starts: the web framework only where it serves

    settings, openid = configuration.listen, None
    if settings.openid_issuer is not None and settings.openid_client is not None:
        if find_spec("authlib") is None:
            raise SystemExit(complain(Exit.UNREACHABLE, NO_OPENID))
        known = None if settings.openid_secret is None else configuration.secrets.get(settings.openid_secret)
        shown = known.token.reveal() if isinstance(known, Token) else None
        openid = OpenIdPlace(settings.openid_issuer, settings.openid_client, shown, settings.openid_claim)
    secret = None if settings.proxy_secret is None else configuration.secrets.get(settings.proxy_secret)
    return AccessTerms(
        loopback=place.loopback,
        encrypted=settings.certificate_file is not None,
        proxies=settings.networks(),
        user_header=settings.proxy_user_header,
        proxy_secret=secret.token.reveal() if isinstance(secret, Token) else None,
        idle=timedelta(minutes=settings.session_idle_minutes),
        lasts=timedelta(hours=settings.session_hours),
        openid=openid,
        local_token=token,
    )


def certificate_of(configuration: Configuration) -> Certificate | None:
    """Return the certificate to serve with, None where there is none. Raises `api.http.tls.CertificateError`."""
    from api.http.tls import Certificate  # noqa: PLC0415 - only where it serves

    settings, folder = configuration.listen, configuration.path.parent
    if settings.certificate_file is None or settings.key_file is None:
        return None
    return Certificate(folder / settings.certificate_file, folder / settings.key_file)


def local_token(folder: Path) -> str:
    """Return a new token, written where only the service's user can read it: in its data folder."""
    token = secrets.token_urlsafe(32)
    path = folder / LOCAL_TOKEN_FILE
    path.unlink(missing_ok=True)  # whoever has an earlier one open is to read no later one
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="ascii") as out:
        out.write(token + "\n")
    return token
