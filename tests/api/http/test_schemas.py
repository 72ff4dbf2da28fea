"""What the OpenAPI document says of answers about the past is what they hold."""

from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest

from api.app import openapi
from collector.recorder.trackers.discharges import to_evidence
from collector.storage.ledger.records import IncidentLine, JournalLine
from tests.api.test_looking_back import BANK, record, steps
from tests.api.test_service_http import START, an_outage, opened

DOCUMENT = openapi()
ASKED = {
    "/v1/units/{unit}/history": "/v1/units/A1/history?quantity=output_power_w&line=1&points=300",
    "/v1/units/{unit}/percentiles": "/v1/units/A1/percentiles?quantity=output_power_w&line=1",
    "/v1/systems/{system}/load/percentiles": "/v1/systems/A/load/percentiles",
    "/v1/banks/{bank}/discharges": "/v1/banks/A1-bank/discharges?limit=2",
    "/v1/banks/{bank}/discharges/{record}": "/v1/banks/A1-bank/discharges/A1-bank-outage-1?limit=3",
    "/v1/events": "/v1/events?limit=100",
    "/v1/incidents": "/v1/incidents",
}


def answer_schema(path: str, method: str = "get") -> dict[str, Any]:
    """Return the schema of a path's 200, which may point into the document's components."""
    answer = DOCUMENT["paths"][path][method]["responses"]["200"]
    schema: dict[str, Any] = answer["content"]["application/json"]["schema"]
    return schema and {**schema, "components": DOCUMENT["components"]}


def test_every_answer_about_the_past_has_a_schema() -> None:
    words = ("history", "percentiles", "discharges", "events", "incidents")
    about_the_past = [path for path in DOCUMENT["paths"] if any(word in path.split("/") for word in words)]
    assert {*ASKED, "/v1/incidents/{incident}/mark"} == set(about_the_past)
    for path in about_the_past:
        for method in DOCUMENT["paths"][path]:
            assert answer_schema(path, method), path


async def test_real_answers_are_as_the_document_says(tmp_path: Path) -> None:
    async with opened(tmp_path, BANK) as (service, client):
        await steps(service)
        incident = await an_outage(service)
        async with service.ledger.transaction() as tx:
            tx.save_incident(IncidentLine("power-9", "mains", "major", START, body={"alarms": ["a", "b"]}))
            tx.add_event(JournalLine(START, "message_test", None, "A test message was asked for."))
            for number in (1, 2, 3):
                tx.save_evidence(to_evidence(record(number, 5)))
        said = {"by": "R. Haugen", "source": "generator"}
        marked = await client.post(f"/v1/incidents/{incident}/mark", json=said)
        jsonschema_rs.validate(answer_schema("/v1/incidents/{incident}/mark", "post"), marked.json())
        for path, asked in ASKED.items():
            answer = await client.get(asked)
            assert answer.status_code == 200, answer.text
            assert answer.json()["items"], path
            jsonschema_rs.validate(answer_schema(path), answer.json(), validate_formats=True)


def test_the_schemas_refuse_what_is_not_answered() -> None:
    bucket = {"from": "2026-03-01T00:00:00Z", "min": 1.0, "mean": 1.0, "max": 1.0, "good_count": 1}
    whole = {"items": [bucket | {"expected_count": 1}], "next": None}
    schema = answer_schema("/v1/units/{unit}/history")
    jsonschema_rs.validate(schema, whole)
    for wrong in (bucket, bucket | {"expected_count": None}, bucket | {"expected_count": 1, "more": 1}):
        with pytest.raises(jsonschema_rs.ValidationError):
            jsonschema_rs.validate(schema, whole | {"items": [wrong]})
