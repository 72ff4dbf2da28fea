"""What did not arrive is there to be seen: on the alarms sheet and over HTTP."""

from __future__ import annotations

import html
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from collector.messaging.delivery.outbox import HELD
from collector.messaging.delivery.recipients import letters
from collector.read_model.telling import undelivered_of
from collector.storage.ledger.records import Outgoing, Sending
from rules.plant.topology import Topology
from tests.api.test_service_http import START, opened
from tests.collector.messaging.cases import AT, everybody, notice, person
from tests.rules.sample_plant import estate

FIRST = datetime(2026, 1, 5, 8, tzinfo=UTC)


def letter(number: int = 1, **changes: object) -> Outgoing:
    one = letters(
        notice(number=number), everybody(person(), zone="UTC"), Topology(estate()), collector="fellbeck"
    )[0]
    return replace(one, **changes)  # type: ignore[arg-type]


def test_what_was_given_up_or_failed_is_shown_and_what_is_on_its_way_is_not() -> None:
    found = undelivered_of(
        (
            letter(1, sending=Sending.DEAD, attempts=1, result="550 no such mailbox"),
            letter(2, attempts=3, result="refused", created=AT + timedelta(seconds=9)),
            letter(3),
            letter(4, attempts=1, result=HELD),
            letter(5, sending=Sending.DEAD, created=AT - timedelta(days=31)),
        ),
        AT + timedelta(minutes=1),
    )
    assert [(one.what, one.given_up, one.tries, one.result) for one in found] == [
        ("Treatment works: mains lost, 2", False, 3, "refused"),
        ("Treatment works: mains lost, 1", True, 1, "550 no such mailbox"),
    ]


async def test_a_dead_letter_is_on_the_alarms_sheet_and_over_http(tmp_path: Path) -> None:
    async with opened(tmp_path) as (service, client):
        assert "Not delivered" not in (await client.get("/alarms")).text
        hostile = letter(created=START, due=START, destination="<b>nobody</b>")
        async with service.ledger.transaction() as tx:
            tx.enqueue(hostile)
            tx.give_up(hostile.id, "550 <script>no such mailbox</script>")
        await service.clock.advance(30.0)  # type: ignore[attr-defined]
        page = (await client.get("/alarms")).text
        dead = (await client.get("/v1/messages?sending=dead")).json()["items"]
    assert "Not delivered" in page
    assert "R. Haugen" in page
    assert "Given up: 550 &lt;script&gt;no such mailbox" in page
    assert [(one["id"], one["result"]) for one in dead] == [
        (hostile.id, "550 <script>no such mailbox</script>")
    ]


ON_CALL = """
[[channel]]
id = "bell"
kind = "command"
command = ["/bin/true"]
[[person]]
name = "Ada <i>"
telephone = "01632 960 077"
reach = [{ channel = "bell" }]
tell = [{ on_call = "standby" }]
[[person]]
name = "Bo"
reach = [{ channel = "bell" }]
tell = [{ on_call = "standby" }]
[[rota]]
id = "standby"
people = ["Ada <i>", "Bo"]
from = 2026-01-05T08:00:00
turn_days = 14
"""


async def test_who_is_on_call_stands_on_the_alarms_sheet_and_over_http(tmp_path: Path) -> None:
    more = "\n".join(line.strip() for line in ON_CALL.splitlines())
    async with opened(tmp_path, more) as (service, client):
        found = (await client.get("/v1/on-call")).json()
        await service.clock.advance(30.0)  # type: ignore[attr-defined]
        page = (await client.get("/alarms")).text
    (one,) = found["items"]
    turns = (START - FIRST) // timedelta(days=14)
    person, then = ("Ada <i>", "Bo") if turns % 2 == 0 else ("Bo", "Ada <i>")
    assert (one["rota"], one["person"], one["then"], one["stands_in"]) == ("standby", person, then, False)
    assert one["since"] <= START.isoformat() < one["until"]
    assert html.escape(person) in page
    assert f"then {html.escape(then)} (standby)." in page
    assert ('href="tel:01632960077"' in page) is (person != "Bo")


async def test_without_a_rota_nothing_is_said_of_it(tmp_path: Path) -> None:
    async with opened(tmp_path) as (_, client):
        assert (await client.get("/v1/on-call")).json() == {"items": [], "next": None}
        assert "On call" not in (await client.get("/alarms")).text
