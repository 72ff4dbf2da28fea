"""Every path by every role: who is not known gets 401, who may too little 403, and who may gets past the gate."""

import re
from pathlib import Path

import httpx
import pytest
from fastapi import FastAPI

from api.access.roles import NEEDS, Role, need_of
from api.app import _paths, openapi
from tests.api.access.door import ORIGIN, USERS, house

ENDLESS = {"/v1/live"}
"""Streams, which do not end by themselves."""
ENDS = {"/sign-out", "/account/sessions"}
NAMES = {role: name for name, role in USERS.items()}


def asked_paths() -> list[tuple[str, str]]:
    """Every method and path: those of the document, and the pages that it leaves out."""
    documented = {(m.upper(), path) for path, methods in openapi()["paths"].items() for m in methods}
    app: FastAPI = _paths()
    found = set()
    stack = [*app.router.routes]
    while stack:
        route = stack.pop()
        stack += getattr(getattr(route, "original_router", None), "routes", ())
        for method in getattr(route, "methods", None) or ():
            found.add((method, route.path))  # type: ignore[attr-defined]
    assert {("GET", "/"), ("GET", "/units/{name}"), ("POST", "/sign-in"), *documented} <= found
    return sorted(found - {("HEAD", p) for _, p in found})


def filled(path: str) -> str:
    return re.sub(r"\{\w+(:path)?\}", "A", path)


def test_the_table_names_only_paths_that_there_are() -> None:
    there = set(asked_paths())
    assert {(method, path) for method, path, _ in NEEDS} <= there


def test_what_no_line_names_needs_to_look_or_to_act() -> None:
    assert need_of("GET", "/v1/anything").role is Role.LOOK
    assert need_of("HEAD", "/v1/anything").role is Role.LOOK
    for method in ("POST", "PUT", "DELETE", "PATCH", "BREW"):
        assert need_of(method, "/v1/anything").role is Role.ACT
        assert need_of(method, "/health/live").role is Role.ACT
    assert need_of("POST", "/v1/ridethrough/").role is Role.ACT, "another path than the one that is named"


async def test_every_path_by_every_role(tmp_path: Path) -> None:
    roles: list[Role | None] = [None, *Role]
    async with house(tmp_path) as door:
        browsers: dict[Role | None, httpx.AsyncClient] = {
            None: door.browser(),
            **{role: await door.signed_in(name) for role, name in NAMES.items()},
        }
        looked = 0
        for method, path in asked_paths():
            if path in ENDLESS and method == "GET":
                continue
            need = need_of(method, filled(path)).role
            for role in roles:
                answer = await browsers[role].request(
                    method, filled(path), headers={"Origin": ORIGIN}, json={} if method == "POST" else None
                )
                where = (method, path, role)
                if need is None or (role is not None and role.may(need)):
                    refused = answer.status_code in {401, 403} and "Bearer" not in answer.text
                    assert not refused or _asks_for_more(answer), (*where, answer.text)
                else:
                    assert answer.status_code == (401 if role is None else 403), (*where, answer.text)
                    assert answer.headers["content-type"] == "application/problem+json"
                looked += 1
                if path in ENDS and role is not None and answer.status_code < 400:
                    browsers[role] = await door.signed_in(NAMES[role])
        assert looked > 200


def _asks_for_more(answer: httpx.Response) -> bool:
    """Whether an answer asks for the password again, or for a name and a password at all."""
    kind = answer.headers["content-type"]
    return kind.startswith("text/html") or answer.json()["type"].endswith(("password-again", "no-token"))


@pytest.mark.parametrize("role", list(Role))
def test_a_role_holds_what_those_before_it_hold(role: Role) -> None:
    order = list(Role)
    assert [role.may(other) for other in order] == [
        order.index(other) <= order.index(role) for other in order
    ]
