"""The gate: an ASGI layer that lets in who may do what is asked, and refuses others before any route is reached.

It stands inside `api.http.forms`, so that a form and JSON are one to it. What it finds out is in the request's state
(`caller`); what is done is done `asking` for them, so that the journal says so. Where a name is known, a body's `by` is
that name: left out it is put in, and another one is refused.
"""

from __future__ import annotations

import asyncio
import hmac
import json
from collections.abc import Callable, Mapping
from contextvars import Token
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import parse_qsl, quote

from starlette.responses import JSONResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.access.callers import MOMENT_S, Caller, Callers, Means, Refused, by_name
from api.access.passed_on import PassedActs, PassedOn, passed_on, whence_of
from api.access.refusals import RefusalLog
from api.access.roles import Role, RouteNeed, need_of
from api.access.signing_in import SigningIn
from api.access.terms import AccessTerms
from api.access.tries import TRIES_ALLOWED, TriesAllowed
from api.http.doors import given
from api.http.problems import document
from api.http.sparing import OWN
from collector.read_model.kept import AccessTables, StoreError, Whence, asking

if TYPE_CHECKING:
    from api.access.openid import OpenId

CSRF_HEADER: Final = "x-csrf-token"
CSRF_FIELD: Final = "csrf"
PASSWORD_FIELD: Final = "password"  # noqa: S105 - the field's name
SIGN_IN: Final = "/sign-in"
READY: Final = "/health/ready"
CHALLENGE: Final = 'Bearer realm="ridethrough"'
MOST_FIELDS: Final = 20
READS: Final = frozenset(("GET", "HEAD"))
TRANSPORT: Final = (b"strict-transport-security", b"max-age=31536000")


class Access:
    """Who is let in to one server. `now`, `now_s`: the service's time of day, and seconds that no set clock changes."""

    def __init__(
        self,
        tables: AccessTables,
        terms: AccessTerms,
        now: Callable[[], datetime],
        now_s: Callable[[], float],
        allowed: TriesAllowed = TRIES_ALLOWED,
    ) -> None:
        self.tables = tables
        self.terms = terms
        self.callers = Callers(tables, terms, now, now_s)
        self.signing_in = SigningIn(tables, terms, now, now_s, allowed)
        self.refusals = RefusalLog(now_s)
        self.passed_acts = PassedActs(tables, now)
        self.openid: OpenId | None = None
        if terms.openid is not None:
            from api.access.openid import OpenId  # noqa: PLC0415 - an extra, wanted only where it is used

            self.openid = OpenId(terms.openid, now)


class AccessGate:
    """The layer. `access`: who lets in."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app = app
        self.access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request in with what is known of its caller, or refuse it."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        need = need_of(scope["method"], scope["path"])
        acts = scope["method"] not in READS
        headers = by_name(scope)
        noted: Token[Whence | None] | None = None
        passed: tuple[PassedOn, Whence] | None = None
        try:
            if self.access.callers.at_the_door(scope, headers).secure:
                send = _encrypted(send)
            caller = await self._caller(scope, headers, need, acts=acts)
            if need.role is not None and not _may(caller, need):
                self.access.refusals.note(caller.name, caller.address, need.role.value)
                await _refused(scope, headers, caller, need.role)(scope, receive, send)
                return
            if acts:
                receive, passed = await self._own(scope, headers, caller, need, receive)
                noted = asking.set(caller.whence() if passed is None else passed[1])
            state = {**scope.get("state", {}), "caller": caller, OWN: caller.csrf is not None}
            await self._let_in(passed, {**scope, "state": state}, receive, send)
        except Refused as refused:
            if need.role is not None and refused.status in {401, 403}:
                self.access.refusals.note(None, self._address(scope, headers), need.role.value)
            response = document(refused.status, refused.kind, refused.why, scope["path"])
            if refused.status == 401:
                response.headers["WWW-Authenticate"] = CHALLENGE
            await response(scope, receive, send)
        except TimeoutError:
            why = "The ledger did not say in time who may look; ask again in a moment."
            await document(503, "store", why, scope["path"])(scope, receive, send)
        except StoreError as error:
            await document(503, "store", f"{error.what}; {error.remedy}.", scope["path"])(
                scope, receive, send
            )
        finally:
            if noted is not None:
                asking.reset(noted)

    async def _let_in(
        self, passed: tuple[PassedOn, Whence] | None, scope: Scope, receive: Receive, send: Send
    ) -> None:
        """Have a request answered; an act of a centre's that is done already is not done again."""
        if passed is None:
            await self._app(scope, receive, send)
        elif await self.access.passed_acts.begin(passed[0]):
            try:
                await self._app(scope, receive, send)
            finally:
                self.access.passed_acts.end(passed[0])
        else:
            await JSONResponse({"act": passed[0].act, "done": True})(scope, receive, send)

    def _address(self, scope: Scope, headers: Mapping[str, list[str]]) -> str:
        """Return where a request comes from, as far as that can be told."""
        try:
            return self.access.callers.at_the_door(scope, headers).address
        except Refused:
            client: tuple[str, int] | None = scope.get("client")
            return "" if client is None else client[0]

    async def _caller(
        self, scope: Scope, headers: Mapping[str, list[str]], need: RouteNeed, *, acts: bool
    ) -> Caller:
        """Return who asks. What needs nobody known waits for no store, but for a moment where it says more to who is."""
        callers = self.access.callers
        if need.role is not None:
            return await callers.of(scope, headers, acts=acts or need.role is not Role.LOOK)
        door = callers.at_the_door(scope, headers)
        if scope["path"] not in {SIGN_IN, READY}:
            return door.nobody()
        others = {name: values for name, values in headers.items() if name != "authorization"}
        try:
            async with asyncio.timeout(MOMENT_S):
                return await callers.of(scope, headers if scope["path"] == READY else others, acts=False)
        except (StoreError, TimeoutError, Refused):
            return door.nobody()

    async def _own(
        self,
        scope: Scope,
        headers: Mapping[str, list[str]],
        caller: Caller,
        need: RouteNeed,
        receive: Receive,
    ) -> tuple[Receive, tuple[PassedOn, Whence] | None]:
        """Return what gives the body as the route takes it, and of which act of a centre's it is, for whom.

        Raises Refused where the request is not its caller's own.

        A form's proof stands in its body. What is not needed by the route is taken out; the length that the head tells
        is looked at by nobody from here on.
        """
        if need.role is None:
            return receive, None
        body = await _whole(receive)
        shown = headers.get(CSRF_HEADER, [""])[0]
        if not scope["path"].startswith("/v1/"):
            _prove(caller, shown or dict(_fields(body)).get(CSRF_FIELD, ""))
            return given(body, receive), None
        said = _object(body)
        passed = passed_on(caller, said)
        if said is not None:
            shown = str(said.pop(CSRF_FIELD, "")) or shown
        _prove(caller, shown)
        if said is None:
            if need.again:
                await self.access.signing_in.again(caller, "")
            return given(body, receive), None
        if need.again:
            await self.access.signing_in.again(caller, str(said.pop(PASSWORD_FIELD, "")))
        if need.by and caller.name is not None and passed is None:
            if (said.get("by") or caller.name) != caller.name:
                raise Refused(
                    422, "wrong-input", f"by: want {caller.name}, who asks, or nothing; got another name"
                )
            said["by"] = caller.name
        try:
            whence = None if passed is None else whence_of(caller, passed, str(said["by"]))
            ours = None if passed is None or whence is None else (passed, whence)
            return given(json.dumps(said).encode(), receive), ours
        except RecursionError:
            raise Refused(422, "wrong-input", "body: want JSON that is nested less deeply") from None


def _may(caller: Caller, need: RouteNeed) -> bool:
    if caller.role is None or need.role is None or (caller.passes_on and not need.by):
        return False
    return caller.role.may(need.role)


def _refused(scope: Scope, headers: Mapping[str, list[str]], caller: Caller, role: Role) -> ASGIApp:
    path = scope["path"]
    if caller.role is None and caller.means is not Means.PROXY:
        if scope["method"] in READS and "text/html" in headers.get("accept", [""])[0] and _is_page(path):
            asked = path + (f"?{scope['query_string'].decode('latin-1')}" if scope["query_string"] else "")
            return RedirectResponse(
                f"{SIGN_IN}?next={quote(asked, safe='')}", 303, {"cache-control": "no-store"}
            )
        response = document(401, "who-asks", "Sign in, or show a token: nobody is let in here unknown.", path)
        response.headers["WWW-Authenticate"] = CHALLENGE
        return response
    if caller.means is Means.LOCAL_USER:
        why = (
            "Only the user that the service runs as may do this while there are no users: add some with "
            "`ridethrough user add`, or show the token in the data folder's file local-token."
        )
    elif caller.passes_on:
        why = "A token that passes acts on does what says by whom, and shows nothing."
    elif caller.role is None:
        why = "The proxy's user is not known here; `ridethrough user add` adds one."
    else:
        why = f"This wants the role {role.value}; {caller.name or 'you'} may {caller.role.value}."
    return document(403, "not-allowed", why, path)


def _is_page(path: str) -> bool:
    return not path.startswith(("/v1/", "/metrics", "/openapi.json", "/health/"))


def _prove(caller: Caller, shown: str) -> None:
    """Raise Refused where a browser's request does not show that a page of its own session made it."""
    if caller.means is not Means.SESSION:
        return  # nothing that a browser sends by itself let it in, or its proxy's page did (see `Origin`)
    if caller.csrf is None or not hmac.compare_digest(shown.encode(), caller.csrf.encode()):
        why = "The page's proof is missing or of another session: load the page again."
        raise Refused(403, "not-its-own", why)


def _fields(body: bytes) -> list[tuple[str, str]]:
    try:
        return parse_qsl(body.decode("ascii"), max_num_fields=MOST_FIELDS)
    except ValueError:
        return []


async def _whole(receive: Receive) -> bytes:
    parts = bytearray()
    while True:
        message = await receive()
        parts += message.get("body", b"")
        if message["type"] != "http.request" or not message.get("more_body", False):
            return bytes(parts)


def _object(body: bytes) -> dict[str, Any] | None:
    """Return a JSON object, None for anything else: that is the route's to refuse."""
    try:
        found = json.loads(body)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _encrypted(send: Send) -> Send:
    """Return a `send` that tells browsers to come back over an encrypted line only."""

    async def answer(message: Message) -> None:
        if message["type"] == "http.response.start":
            message = {**message, "headers": [*message.get("headers", ()), TRANSPORT]}
        await send(message)

    return answer
