"""What the OpenAPI document says of answers about the past is what they hold."""

import re
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest

from api.app import openapi
from api.http.answer_forms import components, form_of
from collector.storage.ledger.discharge_record import to_evidence
from collector.storage.ledger.records import IncidentLine, JournalLine
from rules.battery.state import BankState
from rules.phrasing.wire import to_json
from rules.plant.reading import Reading
from rules.system.state import SystemState
from rules.values.verdict import Verdict
from tests.api.pages import samples
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

EXPECTED = "/v1/banks/{bank}/discharges/{record}/expected"


def answer_schema(path: str, method: str = "get") -> dict[str, Any]:
    """Return the schema of a path's 200, which may point into the document's components."""
    answer = DOCUMENT["paths"][path][method]["responses"]["200"]
    schema: dict[str, Any] = answer["content"]["application/json"]["schema"]
    return schema and {**schema, "components": DOCUMENT["components"]}


def test_every_answer_about_the_past_has_a_schema() -> None:
    words = ("history", "percentiles", "discharges", "events", "incidents")
    about_the_past = [path for path in DOCUMENT["paths"] if any(word in path.split("/") for word in words)]
    assert {*ASKED, EXPECTED, "/v1/incidents/{incident}/mark", "/v1/incidents/{incident}/take-on"} == set(
        about_the_past
    )
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
        expected = await client.get("/v1/banks/A1-bank/discharges/A1-bank-outage-1/expected")
        jsonschema_rs.validate(answer_schema(EXPECTED), expected.json())
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


def test_every_answer_in_json_has_a_form_whose_keys_are_named() -> None:
    for path, methods in DOCUMENT["paths"].items():
        for method, operation in methods.items():
            for status, answer in operation["responses"].items():
                form = answer.get("content", {}).get("application/json", {}).get("schema")
                if not status.startswith("2") or "application/json" not in answer.get("content", {}):
                    continue
                assert form, (method, path)
                whole = {**form, "components": DOCUMENT["components"]}
                jsonschema_rs.meta.validate(whole)
                assert not jsonschema_rs.is_valid(whole, {"nothing": "that is answered"}), (method, path)


def test_a_form_follows_the_wire_key_by_key() -> None:
    assert form_of(dict[str, tuple[float, ...]]) == {
        "type": "object",
        "additionalProperties": {"type": "array", "items": {"type": ["number", "null"]}},
    }
    assert form_of(tuple[str, int]) == {
        "type": "array",
        "prefixItems": [{"type": "string"}, {"type": "integer"}],
        "minItems": 2,
        "maxItems": 2,
    }
    assert form_of(Verdict | None) == {"anyOf": [{"enum": [v.value for v in Verdict]}, {"type": "null"}]}
    with pytest.raises(TypeError, match="no form for"):
        form_of(bytes)


@pytest.mark.parametrize("kind", [SystemState, BankState, Reading])
def test_what_the_wire_writes_of_a_value_fits_its_form(kind: type[Any]) -> None:
    sheet = samples.short()
    known: dict[type[Any], list[Any]] = {
        SystemState: list(sheet.systems),
        BankState: list(sheet.banks),
        Reading: [view.reading for view in sheet.units if view.reading],
    }
    form = {**form_of(kind), "components": {"schemas": components()}}
    assert known[kind]
    for value in known[kind]:
        plain = to_json(value)
        jsonschema_rs.validate(form, plain, validate_formats=True)
        assert isinstance(plain, dict)
        assert not jsonschema_rs.is_valid(form, plain | {"another": 1})
        assert not jsonschema_rs.is_valid(form, dict(list(plain.items())[1:]))


def test_every_moment_in_the_examples_is_rfc_3339_in_utc_and_no_figure_is_of_our_own_clock() -> None:
    """Of one clock of ours are seconds with no moment they count from: nobody else can use them."""
    for name in ("HTTP.md", "MESSAGES.md"):
        text = (Path(__file__).parents[3] / "deploy" / name).read_text("utf-8")
        assert re.findall(r'"\d{4}-\d\d-\d\dT[\d:.]+[+-]\d\d:?\d\d"', text) == []
        internal = r'"(opened_s|pending_s|last_notice_s|quiet_since_s|mark_s|run_s|state_s|monotonic_s|start_id|told_\w+s)":'
        assert re.findall(internal, text) == []
