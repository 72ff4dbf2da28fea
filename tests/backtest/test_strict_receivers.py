"""Our events by the strict readers that others wrote: of CloudEvents, and of Standard Webhooks.

    pip install --target FOLDER cloudevents==2.2.0 standardwebhooks==1.1.0
    PYTHONPATH=.:FOLDER pytest -s tests/backtest/test_strict_receivers.py

Neither is wanted for anything else, so neither is among what the tests need; without them there is nothing to try.
"""

from __future__ import annotations

import base64
import json
from datetime import UTC, datetime
from typing import Any

import pytest

from collector.messaging.channels.webhook import CONTENT_TYPE, signed
from tests.collector.messaging.test_payloads import SENT

SECRET = "whsec_" + base64.b64encode(b"a key of this test, 32 bytes lon").decode()
EVENTS = ("incident-event", "heartbeat-event")


def event(name: str) -> dict[str, Any]:
    found: Any = SENT[name]
    return dict(found)


def body(name: str) -> bytes:
    return json.dumps(event(name), allow_nan=False, separators=(",", ":")).encode()


@pytest.mark.parametrize("name", EVENTS)
def test_a_reader_of_cloudevents_takes_each_event(name: str) -> None:
    http = pytest.importorskip("cloudevents.core.bindings.http")
    formats = pytest.importorskip("cloudevents.core.formats.json")
    v1 = pytest.importorskip("cloudevents.core.v1.event")
    message = http.HTTPMessage({"content-type": CONTENT_TYPE}, body(name))
    read = http.from_http(message, formats.JSONFormat(), v1.CloudEvent)
    known = {k: v for k, v in read.get_attributes().items() if k != "time"}
    assert known == {k: v for k, v in event(name).items() if k not in {"data", "time"}}
    assert read.get_data() == event(name)["data"]


@pytest.mark.parametrize("name", EVENTS)
def test_a_verifier_of_standard_webhooks_takes_what_we_sign_and_nothing_else(name: str) -> None:
    webhooks = pytest.importorskip("standardwebhooks")
    verifier, now_s = webhooks.Webhook(SECRET), int(datetime.now(UTC).timestamp())
    headers = signed(event(name)["id"], now_s, body(name), SECRET)
    assert verifier.verify(body(name), headers) == event(name)
    old = signed(event(name)["id"], now_s - 400, body(name), SECRET)
    other = signed("msg_another", now_s, body(name), SECRET) | {"webhook-id": event(name)["id"]}
    for damaged, with_headers in ((body(name) + b" ", headers), (body(name), old), (body(name), other)):
        with pytest.raises(webhooks.WebhookVerificationError):
            verifier.verify(damaged, with_headers)
