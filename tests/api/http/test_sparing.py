"""HEAD, entity tags and packing: the same answer, with no more sent of it than is needed."""

import asyncio
import zlib
from collections.abc import AsyncIterator

import httpx
import pytest
from fastapi import FastAPI
from fastapi.responses import Response, StreamingResponse

from api.http.problems import Problem, install
from api.http.sparing import KEPT, Sparing, pack, takes_gzip

LONG = "one sheet, read from the top " * 400


def client(ended: asyncio.Event | None = None) -> httpx.AsyncClient:
    app = FastAPI()
    install(app)

    @app.get("/long")
    def long() -> Response:
        return Response(LONG, media_type="text/html; charset=utf-8", headers={"Vary": "Cookie"})

    @app.get("/short")
    def short() -> dict[str, bool]:
        return {"ok": True}

    @app.get("/picture")
    def picture() -> Response:
        return Response(LONG.encode(), media_type="image/webp")

    @app.get("/refused")
    def refused() -> None:
        raise Problem(503, "busy", "Ask again.", retry_after_s=10)

    @app.get("/stream")
    def stream() -> StreamingResponse:
        async def parts() -> AsyncIterator[bytes]:
            try:
                while True:
                    yield b"data: x\n\n"
                    await asyncio.sleep(0.01)
            finally:
                if ended is not None:
                    ended.set()

        return StreamingResponse(parts(), media_type="text/event-stream")

    @app.post("/long")
    def posted() -> dict[str, bool]:
        return {"done": True}

    return httpx.AsyncClient(transport=httpx.ASGITransport(Sparing(app)), base_url="http://127.0.0.1")


async def test_a_long_text_is_packed_for_whom_takes_it_and_the_same_unpacked() -> None:
    async with client() as ask:
        packed = await ask.get("/long", headers={"Accept-Encoding": "br, gzip"})
        plain = await ask.get("/long", headers={"Accept-Encoding": "identity"})
    assert packed.headers["content-encoding"] == "gzip"
    assert int(packed.headers["content-length"]) < len(LONG) / 10
    assert "content-encoding" not in plain.headers
    assert packed.text == plain.text == LONG
    assert packed.headers["etag"] == plain.headers["etag"]
    assert packed.headers["vary"] == "Cookie, Accept-Encoding"


@pytest.mark.parametrize("path", ["/short", "/picture", "/refused"])
async def test_what_is_not_worth_packing_comes_as_it_is(path: str) -> None:
    async with client() as ask:
        answer = await ask.get(path, headers={"Accept-Encoding": "gzip"})
    assert "content-encoding" not in answer.headers


async def test_who_has_it_is_sent_nothing() -> None:
    async with client() as ask:
        tag = (await ask.get("/long")).headers["etag"]
        for given in (tag, f'"other", {tag}', tag.removeprefix("W/"), "*"):
            again = await ask.get("/long", headers={"If-None-Match": given})
            assert (again.status_code, again.content) == (304, b"")
            assert again.headers["etag"] == tag
            assert "content-type" not in again.headers
        assert (await ask.get("/long", headers={"If-None-Match": '"other"'})).status_code == 200
        assert (await ask.get("/refused", headers={"If-None-Match": "*"})).status_code == 503


async def test_head_is_answered_as_get_without_the_body() -> None:
    async with client() as ask:
        for path in ("/long", "/short", "/refused", "/nowhere"):
            get, head = await ask.get(path), await ask.head(path)
            assert (head.status_code, head.content) == (get.status_code, b"")
            assert {k: v for k, v in head.headers.items() if k != "date"} == {
                k: v for k, v in get.headers.items() if k != "date"
            }


async def test_a_stream_asked_for_its_head_ends() -> None:
    ended = asyncio.Event()
    async with client(ended) as ask:
        head = await asyncio.wait_for(ask.head("/stream"), 5)
        await asyncio.wait_for(ended.wait(), 5)
    assert head.status_code == 200
    assert head.headers["content-type"].startswith("text/event-stream")
    assert "etag" not in head.headers


async def test_what_is_posted_passes_untouched() -> None:
    async with client() as ask:
        answer = await ask.post("/long", headers={"If-None-Match": "*"})
    assert answer.json() == {"done": True}
    assert "etag" not in answer.headers


@pytest.mark.parametrize(
    ("accepted", "takes"),
    [
        (b"gzip", True), (b"br;q=1.0, GZIP;q=0.5", True), (b"*", True), (b"", False), (b"identity", False),
        (b"gzip;q=0", False), (b"*, gzip;q=0", False), (b"*;q=0", False), (b"gzip;q=x", False),
    ],
)  # fmt: skip
def test_gzip_is_used_only_where_it_is_taken(accepted: bytes, takes: bool) -> None:
    assert takes_gzip(accepted) is takes


async def test_packing_is_the_same_each_time_and_few_answers_are_kept() -> None:
    assert pack(LONG.encode()) == pack(LONG.encode())
    assert zlib.decompress(pack(LONG.encode()), 31) == LONG.encode()
    layer = Sparing(FastAPI())
    for n in range(KEPT + 5):
        await layer._pack(str(n).encode(), LONG.encode())
    assert len(layer._packed) == KEPT
