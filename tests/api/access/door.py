"""A real service behind the gate, asked in its own process: users with a password each, and browsers that sign in."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import httpx
from starlette.types import ASGIApp

from api.access.callers import Refused
from api.access.gate import Access
from api.access.passwords import HashCost
from api.access.roles import Role
from api.access.terms import AccessTerms
from api.app import create_app
from collector.process.clock import TurnedClock
from collector.service.service import Service
from collector.storage.ledger.records import UserLine
from tests.api.test_service_http import opened

NAME: Final = "127.0.0.1:8470"
ORIGIN: Final = f"http://{NAME}"
CHEAP: Final = HashCost(passes=1, memory_kib=8, lanes=1)
TERMS: Final = AccessTerms(cost=CHEAP, ours=lambda *_: False)
PASSWORD: Final = "a plain long password"
USERS: Final = {"lena": Role.LOOK, "amir": Role.ACT, "ruth": Role.ADMINISTER}


@dataclass
class Door:
    """The application of an opened service, and whoever asks it."""

    service: Service
    clock: TurnedClock
    app: ASGIApp
    access: Access

    def browser(self, address: str = "127.0.0.1", **more: str) -> httpx.AsyncClient:
        """Return a client with cookies of its own, which asks from an address."""
        transport = httpx.ASGITransport(self.app, raise_app_exceptions=False, client=(address, 50000))
        return httpx.AsyncClient(transport=transport, base_url=ORIGIN, headers=more)

    async def signed_in(self, name: str, address: str = "127.0.0.1") -> httpx.AsyncClient:
        """Return a browser that has signed in, and shows its page's proof with everything it asks."""
        browser = self.browser(address)
        answer = await sign_in(browser, name)
        assert answer.status_code == 303, answer.text
        browser.headers["X-CSRF-Token"] = await proof_of(browser)
        return browser

    async def try_password(self, address: str, name: str, password: str) -> int:
        """Try a name and a password as if from an address; return the status that a browser would see."""
        try:
            await self.access.signing_in.sign_in(name, password, address)
        except Refused as refused:
            return refused.status
        return 303

    async def add(self, users: Mapping[str, Role]) -> None:
        """Add users, each with the same password."""
        now = self.clock.now()
        hashed = CHEAP.hasher().hash(PASSWORD)
        for name, role in users.items():
            user = UserLine(name, role.value, hashed, now, now)
            await self.service.access.save_user(user, f"{name} was added.", sign_out=False)


async def sign_in(browser: httpx.AsyncClient, name: str, password: str = PASSWORD) -> httpx.Response:
    """Post the form of the page to sign in at."""
    said = {"name": name, "password": password, "next": "/account"}
    return await browser.post("/sign-in", data=said, headers={"Origin": ORIGIN})


async def proof_of(browser: httpx.AsyncClient) -> str:
    """Return what the pages of a browser's session prove themselves by."""
    page = (await browser.get("/account")).text
    return page.partition('name="csrf" type="hidden" value="')[2].partition('"')[0]


@asynccontextmanager
async def house(
    folder: Path,
    users: Mapping[str, Role] = USERS,
    terms: AccessTerms = TERMS,
    start: datetime | None = None,
    more: str = "",
) -> AsyncIterator[Door]:
    """Open a service with users, its time turned by hand."""
    async with opened(folder, more) as (service, _):
        clock = service.clock
        assert isinstance(clock, TurnedClock)
        if start is not None:
            await clock.advance((start - clock.now()).total_seconds())
        app = create_app(service, terms=terms)
        door = Door(service, clock, app, access_of(app))
        await door.add(users)
        yield door


def with_terms(**changes: object) -> AccessTerms:
    """Return the terms of these tests with some changed."""
    return replace(TERMS, **changes)  # type: ignore[arg-type]


NOON: Final = datetime(2026, 3, 1, 12, tzinfo=UTC)


def access_of(app: Any) -> Access:
    """Return who lets in to an application: of its layers the one that says so."""
    while not hasattr(app, "access"):
        app = app._app
    found: Access = app.access
    return found
