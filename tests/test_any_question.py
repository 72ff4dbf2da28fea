"""Whatever is asked of a running service, it answers as its OpenAPI document says, and never with a fault."""

from collections.abc import Iterator
from typing import Any

import jsonschema_rs
import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis import Case

from api.app import openapi
from tests.collector.snmp.cards import net_snmp_agent
from tests.daemon import Daemon, daemon
from tests.test_whole_service import estate_file

pytestmark = [pytest.mark.real_server, pytest.mark.slow]

DOCUMENT = openapi()
ENDLESS = {"/v1/live"}
"""Streams, which do not end by themselves."""
SCHEMA = schemathesis.openapi.from_dict(DOCUMENT)
ASKED = [
    (method, path) for path, methods in DOCUMENT["paths"].items() for method in methods if path not in ENDLESS
]


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    folder = tmp_path_factory.mktemp("asked")
    with net_snmp_agent(folder) as agent:
        estate = estate_file(folder, agent.port, 10)
        with daemon(estate, folder / "data") as started:
            started.wait_for("/v1/systems", lambda s: s["items"], "a system")
            yield started


@pytest.mark.parametrize(("method", "path"), ASKED)
def test_whatever_is_asked_is_answered_as_documented(running: Daemon, method: str, path: str) -> None:
    expected = {int(status) for status in DOCUMENT["paths"][path][method]["responses"]}

    @settings(
        max_examples=6, deadline=None, database=None, derandomize=True,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(case=SCHEMA[path][method.upper()].as_strategy())
    def ask(case: Case[Any]) -> None:
        answer = case.call(base_url=f"http://127.0.0.1:{running.port}", timeout=60)
        assert answer.status_code in expected, (answer.request.url, answer.request.body, answer.text)
        if answer.status_code >= 400 and not path.startswith("/health"):
            assert answer.headers["content-type"] == ["application/problem+json"]
        told = DOCUMENT["paths"][path][method]["responses"].get("200", {}).get("content", {})
        schema = told.get("application/json", {}).get("schema")
        if answer.status_code == 200 and schema:
            whole = schema | {"components": DOCUMENT["components"]}
            jsonschema_rs.validate(whole, answer.json(), validate_formats=True)

    ask()
    assert running.get("/health/live")[0] == 200
