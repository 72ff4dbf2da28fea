"""Who asks: found from what a request shows, in one place. A header counts only from where it may come."""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import ipaddress
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from http.cookies import CookieError, SimpleCookie
from typing import Final

from starlette.types import Scope

from api.access.roles import PASS_ON, Role
from api.access.terms import AccessTerms
from collector.read_model.kept import AccessTables, AccessToken, SignedIn, StoreError, Whence, digest

COOKIE: Final = "ridethrough-session"
SECURE_COOKIE: Final = "__Host-ridethrough-session"
"""Over an encrypted line: a browser then takes it from this host alone, for all of it (RFC 6265bis clause 4.1.3.2)."""
PROXY_SECRET: Final = "x-proxy-secret"  # noqa: S105 - the header's name
MOMENT_S: Final = 1.0
TOUCH_EVERY: Final = timedelta(minutes=1)
TOKEN_TOUCH_EVERY: Final = timedelta(hours=1)
TOKEN_BEGINS: Final = "rt"  # noqa: S105 - what every token begins with
_FORWARDED: Final = ("forwarded", "x-forwarded-for", "x-real-ip", "via")


class Means(StrEnum):
    """By what means somebody is known."""

    NOBODY = "unknown"
    SESSION = "signed in"
    PROXY = "by the proxy"
    TOKEN = "token"  # noqa: S105 - the word
    LOCAL_USER = "as the service's own user"
    LOCAL_TOKEN = "by the local token"  # noqa: S105 - the word


class Refused(Exception):  # noqa: N818 - a request is refused, with its status
    """What a request shows is wrong: the status, the kind of problem, and why."""

    def __init__(self, status: int, kind: str, why: str) -> None:
        super().__init__(why)
        self.status, self.kind, self.why = status, kind, why


@dataclass(frozen=True, slots=True)
class Caller:
    """Who asks. `role` None: nobody who may do anything. `name` None: whatever name is said is what somebody says."""

    name: str | None
    role: Role | None
    means: Means
    address: str
    secure: bool = False
    """Whether the browser's line is encrypted."""
    token: str | None = None
    """The id of the token that was shown."""
    session_id: str | None = None
    """What the browser showed; it is kept nowhere."""
    signed_in: SignedIn | None = None
    passes_on: bool = False
    """Whether it names who acts, as a centre does (`api.access.passed_on`)."""

    @property
    def csrf(self) -> str | None:
        """Return what a page of this session shows to prove that a request is its own; None where there is no session."""
        return None if self.session_id is None else csrf_of(self.session_id)

    def whence(self) -> Whence:
        """Return it as it goes into the journal."""
        means = self.means.value if self.token is None else f"token {self.token}"
        return Whence(self.name, means, self.address)


@dataclass(frozen=True, slots=True)
class Door:
    """What the connection of a request tells: who is at its other end, for whom, and whether its line is encrypted."""

    peer: str
    address: str
    proxied: bool
    secure: bool

    def nobody(self) -> Caller:
        """Return a caller of whom nothing else is known."""
        return Caller(None, None, Means.NOBODY, self.address, self.secure)


def csrf_of(session_id: str) -> str:
    """Return the proof that belongs to a session: it can be made from its id, and tells nothing of it."""
    return hmac.new(session_id.encode(), b"ridethrough: this session's own pages", hashlib.sha256).hexdigest()


class Callers:
    """Finds out who asks. `now`, `now_s`: the service's time of day, and seconds that no set clock changes."""

    def __init__(
        self,
        tables: AccessTables,
        terms: AccessTerms,
        now: Callable[[], datetime],
        now_s: Callable[[], float],
    ) -> None:
        self._tables = tables
        self._terms = terms
        self._now = now
        self._now_s = now_s
        self._last_in_use: bool | None = None
        self._asked_s = 0.0

    async def of(self, scope: Scope, headers: Mapping[str, list[str]], *, acts: bool) -> Caller:
        """Return who asks; `acts`: whether it is to do more than look. Raises Refused, StoreError."""
        door = self.at_the_door(scope, headers)
        shown = headers.get("authorization", [])
        if shown:
            return await self._by_token(shown, door, headers)
        if door.proxied and self._terms.user_header is not None and self._terms.user_header in headers:
            return await self._by_proxy(headers[self._terms.user_header], door)
        session_id = session_in(headers, secure=door.secure)
        if session_id is not None:
            caller = await self._by_session(session_id, door)
            if caller is not None:
                return caller
        if self._terms.loopback and not door.proxied and not await self._in_use():
            return await self._local(scope, headers, door, acts=acts)
        return door.nobody()

    def at_the_door(self, scope: Scope, headers: Mapping[str, list[str]]) -> Door:
        """Return what a request's connection tells. Raises Refused for one that must not come in the clear."""
        peer = str((scope.get("client") or ("",))[0])
        proxied = self._is_from_proxy(peer, headers)
        if not proxied and not self._terms.loopback and not self._terms.encrypted and not is_loopback(peer):
            why = "This address answers the declared proxies only: its line is not encrypted."
            raise Refused(403, "refused", why)
        secure = self._terms.encrypted or (proxied and headers.get("x-forwarded-proto") == ["https"])
        return Door(peer, _forwarded_for(headers, peer) if proxied else peer, proxied, secure)

    async def still(self, caller: Caller) -> bool:
        """Return whether somebody who was let in to look would be let in now, without counting it as use."""
        if caller.means is Means.SESSION and caller.session_id is not None:
            found = await self._tables.signed_in(caller.session_id)
            return found is not None and not self._is_over(found)
        if caller.means is Means.TOKEN and caller.token is not None:
            token = await self._tables.token(caller.token)
            return token is not None and self._now() < token.ends
        if caller.means is Means.PROXY and caller.name is not None:
            return await self._tables.user(caller.name) is not None
        return caller.means is Means.LOCAL_TOKEN or not await self._in_use()

    async def _in_use(self) -> bool:
        """Return whether there is a user or a token, as it was a second ago at most, so that a crowd asks the ledger once.

        Where the ledger cannot say it in time, as it last was; raises StoreError where it never could: nobody is let in
        by a guess.
        """
        if self._last_in_use is not None and self._now_s() - self._asked_s < MOMENT_S:
            return self._last_in_use
        try:
            async with asyncio.timeout(MOMENT_S):
                self._last_in_use = await self._tables.in_use()
            self._asked_s = self._now_s()
        except (StoreError, TimeoutError):
            if self._last_in_use is None:
                raise
        return bool(self._last_in_use)

    # --- the means ----------------------------------------------------------------------------------------

    async def _by_token(self, shown: list[str], door: Door, headers: Mapping[str, list[str]]) -> Caller:
        kind, _, given = shown[0].partition(" ")
        given = given.strip()
        if len(shown) > 1 or kind.lower() != "bearer" or not given.isascii():
            raise Refused(401, "wrong-token", "Want one header Authorization: Bearer TOKEN.")
        local = self._terms.local_token
        if local is not None and hmac.compare_digest(given, local):
            if is_loopback(door.peer) and not door.proxied and not forwarded(headers):
                return Caller(None, Role.ADMINISTER, Means.LOCAL_TOKEN, door.address, door.secure)
            raise Refused(401, "wrong-token", "The local token is taken on this machine only.")
        token = await self._token(given)
        if token is None:
            raise Refused(401, "wrong-token", "There is no such token, or it has expired or was revoked.")
        now = self._now()
        if token.used is None or now - token.used >= TOKEN_TOUCH_EVERY:
            await self._tables.touch_token(token, now)
        caller = Caller(token.label, Role.ACT, Means.TOKEN, door.address, door.secure, token.id)
        return (
            replace(caller, passes_on=True)
            if token.role == PASS_ON
            else replace(caller, role=Role(token.role))
        )

    async def _token(self, given: str) -> AccessToken | None:
        begins, _, rest = given.partition("_")
        name, _, secret = rest.partition("_")
        found = await self._tables.token(name) if begins == TOKEN_BEGINS else None
        if found is None or not hmac.compare_digest(found.secret, digest(secret)):
            return None
        return found if found.made <= self._now() < found.ends else None

    async def _by_proxy(self, names: list[str], door: Door) -> Caller:
        if len(names) != 1:  # one of them was smuggled past the proxy
            raise Refused(403, "refused", "The proxy's header names more than one user.")
        user = await self._tables.user(names[0].strip())
        if user is None:
            return Caller(None, None, Means.PROXY, door.address, door.secure)
        return Caller(user.name, Role(user.role), Means.PROXY, door.address, door.secure)

    async def _by_session(self, session_id: str, door: Door) -> Caller | None:
        found = await self._tables.signed_in(session_id)
        if found is None or self._is_over(found):
            return None
        now = self._now()
        if now - found.session.used >= TOUCH_EVERY:
            await self._tables.touch(found.session, now)
        role = Role(found.user.role)
        return Caller(
            found.user.name, role, Means.SESSION, door.address, door.secure, None, session_id, found
        )

    def _is_over(self, found: SignedIn) -> bool:
        """Return whether a session is over; one from a time to come was made by a clock that was set back since."""
        now, session = self._now(), found.session
        if now >= session.ends or session.ends - now > self._terms.lasts:
            return True
        # a display on a wall is not touched for days, and can do no harm
        return found.user.role != Role.LOOK and now - session.used >= self._terms.idle

    async def _local(
        self, scope: Scope, headers: Mapping[str, list[str]], door: Door, *, acts: bool
    ) -> Caller:
        looks = Caller(None, Role.LOOK, Means.LOCAL_USER, door.address)
        client, server = scope.get("client"), scope.get("server")
        if not acts or client is None or server is None or forwarded(headers):
            return looks  # what a proxy hands on is not ours, whoever runs it
        ours = await asyncio.to_thread(self._terms.ours, tuple(client), tuple(server))
        return replace(looks, role=Role.ADMINISTER) if ours else looks

    def _is_from_proxy(self, peer: str, headers: Mapping[str, list[str]]) -> bool:
        if not self._terms.is_proxy(peer):
            return False
        if self._terms.proxy_secret is None:
            return True
        shown = headers.get(PROXY_SECRET, [])
        return len(shown) == 1 and hmac.compare_digest(shown[0].encode(), self._terms.proxy_secret.encode())


def by_name(scope: Scope) -> dict[str, list[str]]:
    """Return a request's headers: name in lower case to every value, in order."""
    found: dict[str, list[str]] = {}
    for name, value in scope["headers"]:
        found.setdefault(name.decode("latin-1").lower(), []).append(value.decode("latin-1"))
    return found


def session_in(headers: Mapping[str, list[str]], *, secure: bool) -> str | None:
    """Return the session's id that a browser shows, None where it shows none or several."""
    name = SECURE_COOKIE if secure else COOKIE
    found = []
    for line in headers.get("cookie", []):
        try:
            cookies = SimpleCookie(line)
        except CookieError:
            continue
        if name in cookies:
            found.append(cookies[name].value)
    return found[0] if len(found) == 1 else None


def _forwarded_for(headers: Mapping[str, list[str]], peer: str) -> str:
    """Return the address that a proxy was asked from: the last it names, which it has seen itself."""
    named = ",".join(headers.get("x-forwarded-for", [])).rpartition(",")[2].strip()
    try:
        return str(ipaddress.ip_address(named))
    except ValueError:
        return peer


def forwarded(headers: Mapping[str, list[str]]) -> bool:
    """Return whether somebody handed a request on, by what it says itself."""
    return any(name in headers for name in _FORWARDED)


def is_loopback(address: str) -> bool:
    """Return whether an address is this machine's own, reached from it alone."""
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False
