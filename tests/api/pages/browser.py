"""A browser without a window, and a small server that shows invented sheets: for tests and for pictures."""

from __future__ import annotations

import asyncio
import tempfile
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import contextmanager
from shutil import which
from typing import Self

import uvicorn
from selenium import webdriver
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route

from api.http.problems import document
from api.pages.live import MEDIA_TYPE, Frames, frame, stream
from api.pages.markup import assets
from api.pages.markup.frame import document as sheet_document
from api.pages.plans.shutdown_question import ShutdownQuestion, asked
from api.pages.plans.what_if import what_if_page
from api.pages.sheets import registry as sheets
from collector.read_model.answers import WhatIf
from collector.read_model.sheet import Sheet

SWITCHES = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
)


REFUSAL = "Not signed: the load is lost 24.8 min after the start at the earliest."


class Stage:
    """Serves one sheet at a time; setting another sends it to every page that is open."""

    def __init__(
        self, sheet: Sheet, port: int = 0, plays: Callable[[ShutdownQuestion], WhatIf] | None = None
    ) -> None:
        self.sheet = sheet
        self.plays = plays
        self.deaf = False
        self.frames = Frames()
        self.asked_after: list[str | None] = []
        """The ids that live streams came with."""
        self.sent: list[dict[str, object]] = []
        """What forms sent."""
        routes = [
            Route("/v1/live", self._live),
            Route("/static/{name}", self._static),
            Route("/v1/{path:path}", self._refuse, methods=["POST"]),
            Route("/plans", self._plans),
            Route("/{address:path}", self._page),
        ]
        config = uvicorn.Config(
            Starlette(routes=routes), host="127.0.0.1", port=port, log_level="error", lifespan="off"
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        end = time.monotonic() + 10
        while not self._server.started:
            if time.monotonic() > end:
                raise TimeoutError("the server did not start")
            time.sleep(0.01)
        return self

    def __exit__(self, *_: object) -> None:
        self._server.force_exit = True
        self._server.should_exit = True
        self._thread.join(10)

    @property
    def url(self) -> str:
        """Return the address it is served at."""
        port = self._server.servers[0].sockets[0].getsockname()[1]
        return f"http://127.0.0.1:{port}"

    async def _page(self, request: Request) -> Response:
        query = f"?{request.url.query}" if request.url.query else ""
        seen = frame(self.sheet, request.url.path + query)
        html = None if seen is None else sheets.render_at(self.sheet, request.url.path + query, seen.id)
        if html is None:
            return Response("not there", 404)
        if seen is not None:
            self.frames.remember(seen)
        return Response(html, headers=assets.headers(), media_type="text/html; charset=utf-8")

    async def _plans(self, request: Request) -> Response:
        question, wrong = asked(self.sheet.estate, request.url.query, self.sheet.now)
        played = None if self.plays is None else self.plays(question)
        html = sheet_document(self.sheet, what_if_page(self.sheet, question, wrong, played))
        return Response(html, headers=assets.headers(), media_type="text/html; charset=utf-8")

    async def _static(self, request: Request) -> Response:
        found = assets.asset(request.url.path)
        if found is None:
            return Response("not there", 404)
        return Response(found.body, media_type=found.media_type, headers={"Cache-Control": assets.FOREVER})

    async def _refuse(self, request: Request) -> Response:
        """Take down what a form sent, and refuse it as the service would."""
        self.sent.append(await request.json())
        return document(409, "not-signed", REFUSAL, request.url.path)

    async def _live(self, request: Request) -> Response:
        async def coming() -> AsyncIterator[Sheet]:
            last: Sheet | None = None
            while not self._server.should_exit:
                if self.sheet is not last and not self.deaf:
                    last = self.sheet
                    yield last
                await asyncio.sleep(0.05)

        address = request.query_params.get("sheet", "/")
        after = request.headers.get("last-event-id") or request.query_params.get("after")
        self.asked_after.append(after)
        return StreamingResponse(stream(coming(), address, self.frames, after), media_type=MEDIA_TYPE)


@contextmanager
def chromium(width: int = 1440, height: int = 1000, *, dark: bool = False) -> Iterator[webdriver.Chrome]:
    """Yield a browser whose page is `width` by `height` CSS pixels."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        options = webdriver.ChromeOptions()
        options.binary_location = which("chromium") or ""
        for switch in (*SWITCHES, f"--user-data-dir={profile}"):
            options.add_argument(switch)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        driver = webdriver.Chrome(options, webdriver.ChromeService(which("chromedriver") or ""))
        try:
            driver.set_page_load_timeout(20)
            resize(driver, width, height)
            if dark:
                features = [{"name": "prefers-color-scheme", "value": "dark"}]
                driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
            yield driver
        finally:
            driver.quit()


def resize(driver: webdriver.Chrome, width: int, height: int = 1000) -> None:
    """Give the page a size in CSS pixels, whatever the window's own least width."""
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False},
    )
