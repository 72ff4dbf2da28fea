"""What did not arrive is there to be seen: on the alarms sheet and over HTTP."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from collector.messaging.delivery.outbox import HELD
from collector.messaging.delivery.recipients import letters
from collector.read_model.undelivered import undelivered_of
from collector.storage.ledger.records import Outgoing, Sending
from rules.plant.topology import Topology
from tests.api.test_service_http import START, opened
from tests.collector.messaging.cases import AT, notice, person
from tests.rules.sample_plant import estate


def letter(number: int = 1, **changes: object) -> Outgoing:
    one = letters(
        notice(number=number), (person(),), Topology(estate()), time_zone="UTC", collector="fellbeck"
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
