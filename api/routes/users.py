"""Users, sessions and tokens: signing in and out and one's own account as pages, all of them for whoever administers.

Users and tokens are made on the machine itself (`ridethrough user`, `ridethrough token`).
"""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Final

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from api.access.callers import COOKIE, SECURE_COOKIE, Caller, Means, Refused, by_name, session_in
from api.access.gate import Access
from api.http.form_body import form_fields
from api.http.problems import Problem, not_known, told
from api.http.schemas import Ended, Tokens, Users
from api.pages.sheets.sign_in import ShownSession, account_page, sign_in_page
from api.routes.dependencies import Asked, answer
from api.routes.pages import HEADERS
from collector.read_model.kept import AccessTables

if TYPE_CHECKING:
    from api.access.openid import OpenId

router = APIRouter(prefix="/v1", tags=["access"])
own_router = APIRouter(include_in_schema=False)
"""Pages and the forms on them, which work without script."""

BY_HAND: Final = "whoever runs the service"


@router.get("/users", responses=told(gives=Users))
async def users(service: Asked) -> Response:
    """Give the users, what each may do, and where they are signed in; no password or anything made of one."""
    sessions = await service.access.sessions()
    items = [
        {
            "name": user.name, "role": user.role, "has_password": user.password is not None,
            "made_at": user.made, "changed_at": user.changed,
            "sessions": [
                {"since": s.made, "used_at": s.used, "ends_at": s.ends, "from": s.address}
                for s in sessions if s.user == user.name
            ],
        }
        for user in await service.access.users()
    ]  # fmt: skip
    return answer({"items": items, "next": None})


@router.post("/users/{user}/sign-out", responses=told(404, gives=Ended))
async def sign_out(service: Asked, request: Request, user: str) -> Response:
    """End all sessions of a user."""
    tables: AccessTables = service.access
    if await tables.user(user) is None:
        raise not_known("user", user, [one.name for one in await tables.users()])
    count = len(await tables.sessions(user))
    await tables.end_all(user, service.clock.now(), f"{_who(request)} ended all sessions of {user}.")
    return answer({"ended": user, "count": count})


@router.get("/tokens", responses=told(gives=Tokens))
async def tokens(service: Asked) -> Response:
    """Give the tokens of programs: what each may do, until when, and when it was last used; never what it says."""
    items = [
        {
            "id": token.id, "label": token.label, "role": token.role, "made_at": token.made,
            "ends_at": token.ends, "used_at": token.used,
        }
        for token in await service.access.tokens()
    ]  # fmt: skip
    return answer({"items": items, "next": None})


@router.post("/tokens/{token}/revoke", responses=told(404, gives=Ended))
async def revoke(service: Asked, request: Request, token: str) -> Response:
    """Revoke a token; nothing is let in by it from now on."""
    found = await service.access.token(token)
    if found is None:
        raise Problem(404, "not-known", f"There is no token {token!r}.")
    text = f"{_who(request)} revoked the token {found.id} ({found.label})."
    await service.access.revoke(found.id, service.clock.now(), text)
    return answer({"ended": token, "count": 1})


def _who(request: Request) -> str:
    caller: Caller = request.state.caller
    return caller.name or BY_HAND


@own_router.get("/sign-in")
async def sign_in_form(request: Request, next: str = "/") -> Response:  # noqa: A002 - what the address calls it
    """Give the page to sign in at."""
    return _page(sign_in_page(way_back(next), openid=_access(request).openid is not None))


@own_router.get("/sign-in/openid")
async def openid_begin(request: Request, next: str = "/") -> Response:  # noqa: A002 - what the address calls it
    """Send the browser to the site's provider."""
    openid, caller = _openid(request), _caller(request)
    try:
        address, kept = await openid.begin(way_back(next), _comes_to(request, secure=caller.secure))
    except Refused as refused:
        return _page(sign_in_page(way_back(next), refused.why, openid=True), refused.status)
    way = RedirectResponse(address, 303, {"Cache-Control": "no-store"})
    _set_openid_cookie(way, kept, secure=caller.secure)
    return way


@own_router.get("/sign-in/openid/back")
async def openid_back(request: Request) -> Response:
    """Take what the provider sends the browser back with: another id than it showed before, and the page asked for."""
    openid, caller, access = _openid(request), _caller(request), _access(request)
    kept = request.cookies.get(_openid_cookie(secure=caller.secure))
    shown = session_in(by_name(request.scope), secure=caller.secure)
    said = dict(request.query_params)
    try:
        found = await openid.vouched(said, kept, _comes_to(request, secure=caller.secure))
        session_id = await access.signing_in.vouched_for(
            found.name, caller.address, "the provider", instead_of=shown
        )
    except Refused as refused:
        way: Response = _page(sign_in_page("/", refused.why, openid=True), refused.status)
    else:
        way = RedirectResponse(found.back_to, 303, {"Cache-Control": "no-store"})
        _set_cookie(way, session_id, secure=caller.secure)
    way.delete_cookie(
        _openid_cookie(secure=caller.secure), secure=caller.secure, httponly=True, samesite="lax"
    )
    return way


@own_router.post("/sign-in")
async def sign_in(request: Request) -> Response:
    """Sign in: another id than the browser showed before, and back to the page that asked for it."""
    # any site's page can make a browser post a form, and so sign somebody in under another's name
    if request.headers.get("origin") is None:
        raise Problem(
            403, "refused", "A form wants an Origin: this one does not say from which page it comes."
        )
    said, caller, access = await form_fields(request), _caller(request), _access(request)
    back_to = way_back(said.get("next", "/"))
    shown = session_in(by_name(request.scope), secure=caller.secure)
    try:
        session_id = await access.signing_in.sign_in(
            said.get("name", "").strip(), said.get("password", ""), caller.address, instead_of=shown
        )
    except Refused as refused:
        return _page(sign_in_page(back_to, refused.why, openid=access.openid is not None), refused.status)
    way = RedirectResponse(back_to, 303, {"Cache-Control": "no-store"})
    _set_cookie(way, session_id, secure=caller.secure)
    return way


@own_router.post("/sign-out")
async def sign_out_here(request: Request) -> Response:
    """End this session."""
    caller = _caller(request)
    await _access(request).signing_in.sign_out(caller)
    return _out(caller)


@own_router.get("/account")
async def account(request: Request) -> Response:
    """Give the page of one's own account."""
    return await _account(request)


@own_router.post("/account/password")
async def password(request: Request) -> Response:
    """Set another password; all sessions end, and one signs in anew."""
    said, caller = await form_fields(request), _caller(request)
    try:
        await _access(request).signing_in.change(caller, said.get("password", ""), said.get("new", ""))
    except Refused as refused:
        return await _account(request, refused)
    return _out(caller)


@own_router.post("/account/sessions")
async def end_sessions(request: Request) -> Response:
    """End all sessions of one's own."""
    caller, access = _caller(request), _access(request)
    if caller.name is not None and caller.means is Means.SESSION:
        text = f"{caller.name} ended all sessions of that name."
        await access.tables.end_all(caller.name, request.app.state.service.clock.now(), text)
    return _out(caller)


def way_back(asked: str) -> str:
    """Return the path to go back to: one of this service's own, whatever was asked for."""
    inside = (
        asked.startswith("/") and not asked.startswith("//") and "\\" not in asked and asked.isprintable()
    )
    return asked if inside and not asked.startswith("/sign-") else "/"


async def _account(request: Request, refused: Refused | None = None) -> Response:
    caller, access = _caller(request), _access(request)
    if caller.means is not Means.SESSION or caller.name is None or caller.signed_in is None:
        raise Problem(404, "not-known", "Only who signed in here with a password has an account page.")
    found = [
        ShownSession(
            _at(s.made), _at(s.used), s.address or "this machine", s.id == caller.signed_in.session.id
        )
        for s in await access.tables.sessions(caller.name)
    ]
    role = caller.role.value if caller.role is not None else "nothing"
    html = account_page(caller.name, role, caller.csrf or "", found, None if refused is None else refused.why)
    return _page(html, 200 if refused is None else refused.status)


def _at(moment: datetime) -> str:
    return f"{moment:%Y-%m-%d %H:%M} UTC"


def _page(html: str, status: int = 200) -> Response:
    return Response(html, status, media_type="text/html; charset=utf-8", headers=HEADERS)


def _out(caller: Caller) -> Response:
    way = RedirectResponse("/sign-in", 303, {"Cache-Control": "no-store", "Clear-Site-Data": '"cache"'})
    way.delete_cookie(
        SECURE_COOKIE if caller.secure else COOKIE, secure=caller.secure, httponly=True, samesite="lax"
    )
    return way


def _set_cookie(way: Response, session_id: str, *, secure: bool) -> None:
    # "strict" would ask for the password again of whoever follows the address in an alarm's message; what acts is
    # proved by the page's own token and its Origin, whatever a browser sends by itself
    name = SECURE_COOKIE if secure else COOKIE
    way.set_cookie(name, session_id, secure=secure, httponly=True, samesite="lax", path="/")


def _openid(request: Request) -> OpenId:
    openid = _access(request).openid
    if openid is None:
        raise Problem(404, "not-known", "No provider vouches for people here (`[listen] openid_issuer`).")
    return openid


def _comes_to(request: Request, *, secure: bool) -> str:
    """Return the address that the provider sends browsers back to: under the name, checked before, that was asked for."""
    return f"{'https' if secure else 'http'}://{request.headers['host']}/sign-in/openid/back"


def _openid_cookie(*, secure: bool) -> str:
    return "__Host-ridethrough-openid" if secure else "ridethrough-openid"


def _set_openid_cookie(way: Response, kept: str, *, secure: bool) -> None:
    # "strict" would keep it from the answer, which another site's page leads to
    name = _openid_cookie(secure=secure)
    way.set_cookie(name, kept, max_age=600, secure=secure, httponly=True, samesite="lax", path="/")


def _caller(request: Request) -> Caller:
    caller: Caller = request.state.caller
    return caller


def _access(request: Request) -> Access:
    access: Access = request.app.state.access
    return access
