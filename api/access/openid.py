"""Signing in at the site's own OpenID provider: the authorization code flow with PKCE (OpenID Connect Core 1.0, RFC 7636, RFC 9700).

What the way there and back must agree on (state, nonce, verifier) stands in a cookie of the browser, sealed by a key of this
process: nothing is kept here for whoever only begins. The provider says who somebody is; what they may do is said here.
"""

from __future__ import annotations

import asyncio
import base64
import hashlib
import hmac
import json
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, Final, cast

import httpx
from authlib.oauth2.rfc6749.parameters import prepare_grant_uri
from authlib.oauth2.rfc7636 import create_s256_code_challenge
from authlib.oidc.core import CodeIDToken
from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import KeySet

from api.access.callers import Refused
from api.access.terms import OpenIdPlace

if TYPE_CHECKING:
    from joserfc.jwk import KeySetSerialization

ALGORITHMS: Final = ("RS256", "PS256", "ES256", "EdDSA")
"""What an identity may be signed by: with a key that the provider alone has. Never `none`, nor a secret that both have."""
TIMEOUT_S: Final = 10.0
LASTS: Final = timedelta(minutes=10)
"""So long somebody may take at the provider."""
ASK_AGAIN: Final = timedelta(hours=1)
"""So long what the provider says of itself is taken for true."""
NOT_BEFORE: Final = timedelta(seconds=5)
"""A provider that was away is asked again after so long."""
LEEWAY_S: Final = 60
"""So far the provider's clock may be off ours."""
_BYTES: Final = 32
_AWAY: Final = "The provider did not answer; try again in a moment."
_WRONG: Final = "The provider's answer does not fit what was asked for; sign in again."


@dataclass(frozen=True, slots=True)
class VouchedName:
    """Whom the provider vouches for, and the page that was asked for."""

    name: str
    back_to: str


class OpenId:
    """The provider of a site. `now`: the service's time of day; `transport`: by what it is asked, in tests."""

    def __init__(
        self,
        place: OpenIdPlace,
        now: Callable[[], datetime],
        transport: httpx.AsyncBaseTransport | None = None,
    ) -> None:
        self._place, self._now, self._transport = place, now, transport
        self._key = secrets.token_bytes(_BYTES)
        self._about: tuple[datetime, dict[str, Any]] | None = None
        self._failed: datetime | None = None
        self._asking = asyncio.Lock()

    async def begin(self, back_to: str, comes_to: str) -> tuple[str, str]:
        """Return the address to send a browser to, and what its cookie keeps. Raises Refused where the provider is away.

        `back_to`: the page that was asked for; `comes_to`: the address that the provider sends the browser back to.
        """
        about = await self._provider()
        state, nonce, verifier = (secrets.token_urlsafe(_BYTES) for _ in range(3))
        address = prepare_grant_uri(
            about["authorization_endpoint"],
            self._place.client,
            "code",
            comes_to,
            "openid profile email",
            state,
            nonce=nonce,
            code_challenge=create_s256_code_challenge(verifier),
            code_challenge_method="S256",
        )
        kept = {
            "state": state,
            "nonce": nonce,
            "verifier": verifier,
            "next": back_to,
            "until": (self._now() + LASTS).timestamp(),
        }
        return str(address), self._sealed(kept)

    async def vouched(self, said: Mapping[str, str], cookie: str | None, comes_to: str) -> VouchedName:
        """Return whom the provider vouches for in what it sent a browser back with. Raises Refused."""
        kept = self._opened(cookie)
        if kept is None or not hmac.compare_digest(said.get("state", "").encode(), kept["state"].encode()):
            raise Refused(401, "wrong-answer", _WRONG)
        if said.get("iss", self._place.issuer) != self._place.issuer:  # RFC 9207: another provider's answer
            raise Refused(401, "wrong-answer", _WRONG)
        if "error" in said or not said.get("code"):
            raise Refused(401, "not-vouched", "The provider did not let you in.")
        about = await self._provider()
        told = await self._exchanged(about, said["code"], kept["verifier"], comes_to)
        claims = await self._claims(about, told, kept["nonce"])
        name = claims.get(self._place.claim)
        if self._place.claim == "email" and claims.get("email_verified") is not True:
            name = None
        if not isinstance(name, str) or not name.strip():
            raise Refused(
                403, "not-vouched", f"The provider does not say who you are by {self._place.claim}."
            )
        return VouchedName(name.strip(), str(kept["next"]))

    async def _exchanged(
        self, about: Mapping[str, Any], code: str, verifier: str, comes_to: str
    ) -> dict[str, Any]:
        asked = {
            "grant_type": "authorization_code",
            "code": code,
            "redirect_uri": comes_to,
            "code_verifier": verifier,
            "client_id": self._place.client,
        }
        secret = self._place.secret
        who = httpx.USE_CLIENT_DEFAULT if secret is None else httpx.BasicAuth(self._place.client, secret)
        if secret is not None:
            del asked["client_id"]
        async with self._client() as client:
            try:
                answer = await client.post(about["token_endpoint"], data=asked, auth=who)
                told = answer.json()
            except (httpx.HTTPError, ValueError) as error:
                raise Refused(503, "provider", _AWAY) from error
        if answer.status_code != httpx.codes.OK or not isinstance(told, dict) or "id_token" not in told:
            raise Refused(401, "not-vouched", "The provider did not let you in.")
        return told

    async def _claims(self, about: Mapping[str, Any], told: Mapping[str, Any], nonce: str) -> CodeIDToken:
        try:
            keys = KeySet.import_key_set(cast("KeySetSerialization", await self._json(about["jwks_uri"])))
            found = jwt.decode(str(told["id_token"]), keys, algorithms=ALGORITHMS)
            options = {
                "iss": {"essential": True, "value": self._place.issuer},
                "aud": {"essential": True, "value": self._place.client},
            }
            params = {
                "nonce": nonce,
                "client_id": self._place.client,
                "access_token": told.get("access_token"),
            }
            claims = CodeIDToken(found.claims, found.header, options, params)
            claims.validate(now=int(self._now().timestamp()), leeway=LEEWAY_S)
        except (JoseError, ValueError, TypeError, KeyError) as error:
            raise Refused(401, "wrong-answer", _WRONG) from error
        return claims

    async def _provider(self) -> dict[str, Any]:
        """Return what the provider says of itself, once an hour (OpenID Connect Discovery 1.0)."""
        async with (
            self._asking
        ):  # whoever only begins may be anybody: one question at a time, and seldom while it is away
            now = self._now()
            if self._about is not None and timedelta(0) <= now - self._about[0] < ASK_AGAIN:
                return self._about[1]
            if self._failed is not None and timedelta(0) <= now - self._failed < NOT_BEFORE:
                raise Refused(503, "provider", _AWAY)
            self._failed = now
            found = await self._asked_of_itself()
            self._failed, self._about = None, (now, found)
            return found

    async def _asked_of_itself(self) -> dict[str, Any]:
        found = await self._json(f"{self._place.issuer.rstrip('/')}/.well-known/openid-configuration")
        wanted = ("authorization_endpoint", "token_endpoint", "jwks_uri")
        addresses = [found.get(name) for name in wanted]
        if found.get("issuer") != self._place.issuer or not all(map(self._safe, addresses)):
            raise Refused(
                503, "provider", "What the provider says of itself does not fit `[listen] openid_issuer`."
            )
        return found

    def _safe(self, address: object) -> bool:
        """Return whether an address that the provider names is asked as its own is: never in the clear where that is not."""
        plain = self._place.issuer.startswith("http://")
        return isinstance(address, str) and address.startswith(
            ("https://", "http://") if plain else "https://"
        )

    async def _json(self, address: str) -> dict[str, Any]:
        async with self._client() as client:
            try:
                answer = await client.get(address)
                answer.raise_for_status()
                found = answer.json()
            except (httpx.HTTPError, ValueError) as error:
                raise Refused(503, "provider", _AWAY) from error
        if not isinstance(found, dict):
            raise Refused(503, "provider", "The provider answered something else than was asked for.")
        return found

    def _client(self) -> httpx.AsyncClient:
        return httpx.AsyncClient(timeout=TIMEOUT_S, transport=self._transport, follow_redirects=False)

    def _sealed(self, kept: Mapping[str, Any]) -> str:
        text = base64.urlsafe_b64encode(json.dumps(kept).encode())
        return f"{text.decode()}.{self._seal(text)}"

    def _opened(self, cookie: str | None) -> dict[str, Any] | None:
        """Return what a cookie keeps, None where this process did not seal it or it took too long."""
        text, _, seal = (cookie or "").partition(".")
        if not text.isascii() or not hmac.compare_digest(seal.encode(), self._seal(text.encode()).encode()):
            return None
        kept: dict[str, Any] = json.loads(base64.urlsafe_b64decode(text))
        left = kept["until"] - self._now().timestamp()
        return kept if 0.0 < left <= LASTS.total_seconds() else None

    def _seal(self, text: bytes) -> str:
        return hmac.new(self._key, text, hashlib.sha256).hexdigest()
