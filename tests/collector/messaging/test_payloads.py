"""Every payload has the form that is documented, and its documented example is one that the code makes."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel, ValidationError

from collector.messaging import payloads
from collector.messaging.channels.webhook import event_of
from collector.messaging.delivery.dispatch import Dispatch
from collector.messaging.delivery.letter import HEARTBEAT, LETTER, POST, Letter, Post, notice_data, outage_of
from collector.messaging.delivery.state import state_data
from collector.messaging.mqtt.publisher import alive_data
from collector.storage.ledger.records import Outgoing
from collector.storage.ledger.transaction import Transaction
from rules.alarms.catalogue import CATALOGUE
from rules.alarms.incidents.incident import IncidentPart
from rules.alarms.lifecycle.alarm import Acknowledgement, Happened, new_alarm
from rules.alarms.lifecycle.states import AlarmEvent, State
from rules.plant.topology import Topology
from rules.values.reason import told
from tests.collector.messaging.cases import AT, change, everybody, notice, person
from tests.rules.sample_plant import estate, reading, system_state

EXAMPLES = Path(__file__).parents[2] / "data" / "messages"
LEFT = AT + timedelta(seconds=1280)


class Written(Transaction):
    """A transaction of which only the messages are looked at."""

    def __init__(self) -> None:
        super().__init__()
        self.messages: list[Outgoing] = []

    def enqueue(self, message: Outgoing) -> None:
        self.messages.append(message)


def outage() -> Any:
    part = IncidentPart(
        "works", AT, ends_earliest=LEFT, ends_latest=LEFT + timedelta(seconds=300), lowest_left_s=1280.0
    )
    return replace(
        notice(),
        parts=(part,),
        what="Mains lost at main board B: Treatment works is on its banks, 21 min left at the least.",
        lines=("Treatment works: 3 units on battery.",),
        short="Treatment works: mains lost, 21 min left at least. See that set-1 runs and carries by 01:29.",
    )


def alarm() -> Happened:
    one = replace(
        new_alarm(CATALOGUE["on_battery"], "W1", "", 0.0),
        what=told("Unit W1 is on its bank."),
        state=State.ACTIVE_ACKNOWLEDGED,
        since=AT,
        incident="power-north-1",
        acknowledged=Acknowledgement("Ada Fenn", AT + timedelta(seconds=40), "On my way."),
    )
    return Happened(one, State.ACTIVE_UNACKNOWLEDGED, AlarmEvent.ACKNOWLEDGE, (), AT + timedelta(seconds=40))


def sent() -> dict[str, object]:
    """Return one of every sort, as it goes out."""
    dispatch = Dispatch(Topology(estate()), everybody(person()), "fellbeck", ("site",))
    tx = Written()
    dispatch.enqueue(tx, [change(outage()), alarm()])
    posts = [Post.of(m.body) for m in tx.messages if m.schema == POST]
    (letter,) = [m for m in tx.messages if m.schema == LETTER]
    mine = Letter.of(letter.body)
    beat = Outgoing("heartbeat/1", "hook", "", "heartbeat", AT, AT, schema=HEARTBEAT,
                    body={"collector": "fellbeck", "state": "running", "next_within_s": 180.0})  # fmt: skip
    return {
        "alive": alive_data("running", AT, 60.0),
        "alarm": next(p.payload for p in posts if p.topic.startswith("alarm/")),
        "incident": next(p.payload for p in posts if p.topic.startswith("incident/")),
        "person": notice_data(mine, mine.notice.id),
        "unit": state_data(reading("W1", 10.0)),
        "incident-event": event_of(letter),
        "heartbeat-event": event_of(beat),
    }


SENT = sent()


def test_there_is_a_form_and_an_example_of_all_that_is_sent() -> None:
    assert set(payloads.FORMS) == set(SENT)


@pytest.mark.parametrize("name", list(SENT))
def test_what_is_sent_has_its_form_and_is_its_example(name: str, request: pytest.FixtureRequest) -> None:
    told = json.dumps(SENT[name], indent=2, allow_nan=False, ensure_ascii=False) + "\n"
    payloads.FORMS[name].model_validate_json(told)
    assert (EXAMPLES / f"{name}.json").read_text("utf-8") == told


@pytest.mark.parametrize("name", list(SENT))
def test_every_moment_is_rfc_3339_in_utc(name: str) -> None:
    moments = [value for value in _strings(SENT[name]) if value[:5] == "2026-" and "T" in value]
    assert all(value.endswith("Z") for value in moments), moments
    assert moments


@pytest.mark.parametrize("name", list(SENT))
def test_nothing_internal_is_told(name: str) -> None:
    keys = set(_keys(SENT[name]))
    assert not keys & {"stamp", "start_id", "monotonic_s", "news_of", "level", "mark_s", "run_s"}


def test_the_state_of_a_system_is_what_http_gives() -> None:
    state = state_data(system_state("works", 10.0))
    assert state["id"] == "works"
    assert {one["for"] for one in state["requirements"]} == {"manual_generator_start", "generator_start"}


def test_a_system_that_dropped_its_load_is_not_said_to_be_back() -> None:
    ended = IncidentPart("works", AT, until=LEFT, dropped=True)
    assert outage_of(ended)["back_at"] is None
    back = replace(ended, fed_at=LEFT + timedelta(seconds=60))
    assert outage_of(back)["back_at"] == "2026-10-09T00:36:32.000Z"


def test_a_key_that_is_not_documented_is_noticed() -> None:
    plain: Any = SENT["alarm"]
    with pytest.raises(ValidationError):
        payloads.AlarmPayload.model_validate(plain | {"more": 1})


def test_every_key_says_what_it_means() -> None:
    forms = [
        kind for kind in vars(payloads).values() if isinstance(kind, type) and issubclass(kind, BaseModel)
    ]
    silent = [
        f"{kind.__name__}.{name}"
        for kind in forms
        for name, info in kind.model_fields.items()
        if not info.description
    ]
    assert silent == []


def _strings(plain: object) -> list[str]:
    if isinstance(plain, dict):
        return [text for value in plain.values() for text in _strings(value)]
    if isinstance(plain, list):
        return [text for value in plain for text in _strings(value)]
    return [plain] if isinstance(plain, str) else []


def _keys(plain: object) -> list[str]:
    if isinstance(plain, dict):
        return [*plain, *(key for value in plain.values() for key in _keys(value))]
    if isinstance(plain, list):
        return [key for value in plain for key in _keys(value)]
    return []
