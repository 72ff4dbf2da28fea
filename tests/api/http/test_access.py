"""Only loopback, only under its own name, only from its own pages."""

import httpx
import pytest
from fastapi import FastAPI

from api.http.access import OnlyFrom
from api.http.problems import Problem, install
from collector.configuration.references import is_loopback


def client() -> httpx.AsyncClient:
    app = FastAPI()
    install(app)

    @app.get("/")
    def root() -> dict[str, bool]:
        return {"ok": True}

    @app.get("/refused")
    def refused() -> None:
        raise Problem(503, "busy", "Two scenarios are being played; ask again in 10 s.", retry_after_s=10)

    @app.get("/number")
    def number(value: int) -> int:
        return value

    transport = httpx.ASGITransport(OnlyFrom(app), raise_app_exceptions=False)
    return httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8470")


@pytest.mark.parametrize("host", ["127.0.0.1:8470", "localhost:8470", "[::1]:8470"])
async def test_its_own_names_are_served(host: str) -> None:
    assert (await client().get("/", headers={"Host": host})).status_code == 200


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "", "[::1"])
async def test_another_name_is_refused(host: str) -> None:
    response = await client().get("/", headers={"Host": host})
    assert response.status_code == 403
    assert response.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1:9999"])
async def test_another_sites_page_is_refused(origin: str) -> None:
    assert (await client().get("/", headers={"Origin": origin})).status_code == 403


async def test_its_own_page_is_served() -> None:
    assert (await client().get("/", headers={"Origin": "http://127.0.0.1:8470"})).status_code == 200


async def test_errors_are_problem_documents() -> None:
    for path, status in (("/nowhere", 404), ("/refused", 503), ("/number?value=x", 422)):
        response = await client().get(path)
        body = response.json()
        assert response.status_code == body["status"] == status
        assert response.headers["content-type"] == "application/problem+json"
        assert {"type", "title", "status", "detail", "instance"} <= set(body)


@pytest.mark.parametrize(
    ("host", "loopback"),
    [
        ("127.0.0.1", True),
        ("::1", True),
        ("localhost", True),
        ("127.4.5.6", True),
        ("0.0.0.0", False),
        ("ups.example", False),
    ],
)
def test_loopback_is_told_from_the_rest(host: str, loopback: bool) -> None:
    assert is_loopback(host) is loopback
