"""Whatever is asked of a running service, it answers as its OpenAPI document says, and never with a fault."""

import re
from collections.abc import Iterator
from functools import cache
from itertools import product
from typing import TYPE_CHECKING, Any

import httpx
import jsonschema_rs
import pytest
from hypothesis import HealthCheck, given, settings

from api.app import openapi
from tests.collector.cards.sample_cards import net_snmp_agent
from tests.daemon import Daemon, daemon
from tests.test_whole_service import estate_file

if TYPE_CHECKING:
    from schemathesis import Case

pytestmark = [pytest.mark.real_server, pytest.mark.slow]

DOCUMENT = openapi()
ENDLESS = {"/v1/live"}
"""Streams, which do not end by themselves."""
ASKED = [
    (method, path) for path, methods in DOCUMENT["paths"].items() for method in methods if path not in ENDLESS
]


@cache
def questions() -> Any:
    """Return what draws questions: a second to import, which only the process that asks them should spend."""
    import schemathesis

    return schemathesis.openapi.from_dict(DOCUMENT)


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    folder = tmp_path_factory.mktemp("asked")
    with net_snmp_agent(folder) as agent:
        estate = estate_file(folder, agent.port, 10)
        with daemon(estate, folder / "data") as started:
            started.wait_for("/v1/systems", lambda s: s["items"], "a system")
            yield started


BODIES = {
    "nothing": b"",
    "no JSON": b"{",
    "no UTF-8": b'{"by": "\xff"}',
    "another thing": b"[1]",
    "nested deeply": b"[" * 60_000,
    "a number beyond all": b'{"by": 1e999, "until": 9e999}',
    "half a pair": b'{"by": "\\ud800", "note": "\\udfff"}',
    "control characters": b'{"by": "a\\u0000\\u001b[2J", "note": "\\r\\n"}',
    "too large": b" " * 70_000,
}


@pytest.mark.parametrize("path", [path for method, path in ASKED if method == "post"])
def test_whatever_is_posted_is_refused_as_documented(running: Daemon, path: str) -> None:
    expected = {int(status) for status in DOCUMENT["paths"][path]["post"]["responses"]}
    place = re.sub(r"\{\w+\}", "A", path)
    where = f"http://127.0.0.1:{running.port}"
    kinds = ("application/json", "text/plain", "application/x-www-form-urlencoded")
    # a line a question: one that has rested may be closed in the moment it is used again, where the machine is busy
    fresh = httpx.Limits(max_keepalive_connections=0)
    with httpx.Client(base_url=where, headers={"Origin": where}, limits=fresh) as client:
        for (what, body), kind in product(BODIES.items(), kinds):
            answer = client.post(place, content=body, headers={"Content-Type": kind})
            if what == "nothing" and kind == kinds[2] and answer.status_code == 303:
                continue  # a form without fields asks for the scenario that is taken if nothing is said
            assert answer.status_code in expected - {200}, (what, kind, answer.text)
            assert answer.headers["content-type"] == "application/problem+json"
            assert answer.headers["x-content-type-options"] == "nosniff"
            assert answer.headers["cache-control"] == "no-store"
            assert answer.json()["status"] == answer.status_code


@pytest.mark.parametrize(("method", "path"), ASKED)
def test_whatever_is_asked_is_answered_as_documented(running: Daemon, method: str, path: str) -> None:
    expected = {int(status) for status in DOCUMENT["paths"][path][method]["responses"]}

    @settings(
        max_examples=6, deadline=None, database=None, derandomize=True,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(case=questions()[path][method.upper()].as_strategy())
    def ask(case: "Case[Any]") -> None:
        answer = case.call(base_url=f"http://127.0.0.1:{running.port}", timeout=60)
        assert answer.status_code in expected, (answer.request.url, answer.request.body, answer.text)
        if answer.status_code >= 400 and not path.startswith("/health"):
            assert answer.headers["content-type"] == ["application/problem+json"]
        assert answer.headers["x-content-type-options"] == ["nosniff"]
        assert answer.headers["cache-control"] == ["no-store"]
        told = DOCUMENT["paths"][path][method]["responses"].get("200", {}).get("content", {})
        schema = told.get("application/json", {}).get("schema")
        if answer.status_code == 200 and schema:
            whole = schema | {"components": DOCUMENT["components"]}
            jsonschema_rs.validate(whole, answer.json(), validate_formats=True)

    ask()
    assert running.get("/health/live")[0] == 200
