"""Notifications in the journal: what they say, how many, and what a stranger's text may not do."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from collector.cards.mib.upsmib import ALARM_DESCR, ALARM_OID, BY_NAME, NOTIFICATIONS_ROOT
from collector.cards.mib.wire_values import safe_text
from collector.cards.traps.journal import MOST_OF_ALL, MOST_OF_ONE, HeardNotifications
from collector.cards.traps.receiver import Notification
from collector.configuration import load
from collector.process.clock import TurnedClock
from collector.service.service import Service
from collector.simulation.cards.agent import AgentHost
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import JournalLine
from tests.collector.messaging.cases import until
from tests.collector.messaging.sinks import free_port
from tests.collector.messaging.site import Site, row_added
from tests.rules.sample_plants import NOON, estate


def heard(
    name: str = "upsTrapOnBattery", *varbinds: tuple[str, str], cards: tuple[str, ...] = ()
) -> Notification:
    card = estate(2).card_of("A1")
    assert card is not None
    return Notification(
        cards or (card.id,), "192.0.2.1", NOON, name, f"{NOTIFICATIONS_ROOT}.1", tuple(varbinds)
    )


@pytest.fixture
async def ledger(tmp_path: Path) -> AsyncIterator[Ledger]:
    async with Ledger(tmp_path / "ledger.sqlite") as opened:
        yield opened


async def lines(ledger: Ledger) -> list[JournalLine]:
    return list(reversed((await ledger.events(kinds=("notification",), limit=1000)).items))


async def test_a_notification_is_told_in_the_names_of_the_standard_and_kept_whole(ledger: Ledger) -> None:
    journal = HeardNotifications(estate(2), ledger, TurnedClock(NOON))
    seconds = BY_NAME["upsSecondsOnBattery"].oid
    row = f"{ALARM_DESCR}.7"
    journal.hear(heard("upsTrapOnBattery", (seconds, "42"), (row, ALARM_OID["upsAlarmInputBad"])))
    await journal.write()
    (line,) = await lines(ledger)
    card = journal.estate.card_of("A1")
    assert card is not None
    assert line.text == (
        f"Card {card.id} sent upsTrapOnBattery: upsSecondsOnBattery 42; {row} upsAlarmInputBad."
    )
    assert (line.about, line.at) == ("A1", NOON)
    assert line.body["said"] == [[seconds, "42"], [row, ALARM_OID["upsAlarmInputBad"]]]


async def test_a_strangers_text_is_cut_short_and_keeps_to_its_line(ledger: Ledger) -> None:
    journal = HeardNotifications(estate(2), ledger, TurnedClock(NOON))
    journal.hear(
        heard("upsTrapOnBattery", ("1.3.6.1.4.1.9.1", safe_text("\x1b[2J\r\nNothing is wrong" * 20)))
    )
    await journal.write()
    (line,) = await lines(ledger)
    assert line.text.isprintable()
    assert len(line.text) < 150


async def test_a_chatty_card_is_limited_counted_and_hinders_no_other(ledger: Ledger) -> None:
    clock = TurnedClock(NOON)
    plant = estate(2)
    journal = HeardNotifications(plant, ledger, clock)
    other = plant.card_of("A2")
    assert other is not None
    for _ in range(MOST_OF_ONE + 30):
        journal.hear(heard())
    journal.hear(heard(cards=(other.id,)))
    await journal.write()
    assert [line.about for line in await lines(ledger)] == ["A1"] * MOST_OF_ONE + ["A2"]
    await clock.advance(600)
    await journal.write()
    assert (await lines(ledger))[-1].text.startswith("30 more notifications came from card ")
    journal.hear(heard())
    await journal.write()
    assert len(await lines(ledger)) == MOST_OF_ONE + 3, "a new window"


async def test_many_senders_share_a_limit(ledger: Ledger) -> None:
    plant = estate(2)
    journal = HeardNotifications(plant, ledger, TurnedClock(NOON))
    for n in range(MOST_OF_ALL + 50):
        journal.hear(heard(cards=(f"a{n}", f"b{n}")))
    await journal.write()
    assert len(await lines(ledger)) == MOST_OF_ALL


@pytest.mark.slow
async def test_a_trap_on_the_wire_is_in_the_journal_of_the_service(tmp_path: Path) -> None:
    site, port = Site(("A1", "A2"), own_addresses=True), free_port()
    async with AgentHost() as host:
        await site.serve(host)
        configuration = load(site.write_estate(tmp_path, f"[notifications]\nport = {port}\n"))
        async with Service(configuration, tmp_path / "data") as service:
            running = asyncio.create_task(service.run())
            await until(lambda: len(service.present.readings) == 2)
            place = (site.hosts["A2"], site.ports["A2"])
            host.send(place, row_added("upsAlarmFanFailure", 1), ("127.0.0.1", port))
            async with asyncio.timeout(20):
                while not (found := await lines(service.ledger)):  # noqa: ASYNC110 - what tells is a table
                    await asyncio.sleep(0.05)
            service.stop()
            await running
    assert (found[0].about, found[0].body["name"]) == ("A2", "upsTrapAlarmEntryAdded")
    assert "upsAlarmFanFailure" in found[0].text
