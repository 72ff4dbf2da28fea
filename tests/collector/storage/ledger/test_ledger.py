"""The ledger commits together what belongs together, and gives it back typed and in pages."""

import sqlite3
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest

from collector.storage.database import StoreError, StoreFault
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import (
    Action,
    AlarmLine,
    Corrections,
    EngineBoots,
    EquipmentEvent,
    Evidence,
    IncidentLine,
    JournalLine,
    JudgementLine,
    LearntFact,
    Outgoing,
    Sending,
    Snapshot,
)

NOW = datetime(2026, 3, 1, 2, 14, 7, 123457, tzinfo=UTC)


@pytest.fixture
async def ledger(tmp_path: Path) -> AsyncIterator[Ledger]:
    async with Ledger(tmp_path / "data" / "ledger.sqlite") as opened:
        yield opened


def message(name: str, *, order_key: str = "i1", seconds: float = 0, urgent: bool = False) -> Outgoing:
    due = NOW + timedelta(seconds=seconds)
    return Outgoing(name, "mail", "duty", order_key, NOW, due, urgent=urgent)


async def test_an_alarm_its_journal_line_and_its_messages_commit_together(ledger: Ledger) -> None:
    alarm = AlarmLine(
        "A1/on_battery", "on_battery", "A1", "major", "active_unacknowledged", NOW, body={"n": [1.5]}
    )
    async with ledger.transaction() as tx:
        tx.save_alarm(alarm)
        tx.add_event(JournalLine(NOW, "alarm", "A1", "A1 is on battery", alarm=alarm.id))
        tx.enqueue(message("m1"))
        assert await ledger.standing_alarms() == ()
    assert await ledger.standing_alarms() == (alarm,)
    assert tx.journal == (await ledger.events()).items
    assert tx.journal[0].seq == 1
    assert [m.id for m in await ledger.due(NOW)] == ["m1"]


async def test_an_error_within_the_block_writes_nothing(ledger: Ledger) -> None:
    async def half() -> None:
        async with ledger.transaction() as tx:
            tx.save_alarm(AlarmLine("a", "k", "A1", "minor", "latched", NOW))
            raise RuntimeError("half way")

    with pytest.raises(RuntimeError, match="half way"):
        await half()
    assert set((await ledger.counts()).values()) == {0}


async def test_a_line_that_cannot_be_kept_takes_the_whole_block_with_it(ledger: Ledger) -> None:
    async def not_finite() -> None:
        async with ledger.transaction() as tx:
            tx.add_event(JournalLine(NOW, "alarm", "A1", "before"))
            tx.add_event(JournalLine(NOW, "alarm", "A1", "not finite", body={"volts": float("nan")}))

    with pytest.raises(ValueError, match="JSON"):
        await not_finite()
    assert set((await ledger.counts()).values()) == {0}


async def test_what_wants_the_disk_at_once_is_refused_by_a_full_one_and_leaves_the_ledger_as_it_was(
    ledger: Ledger,
) -> None:
    async with ledger.transaction() as tx:
        tx.add_event(JournalLine(NOW, "start", None, "started"))
    await ledger.database.write(
        lambda c: c.execute(
            f"PRAGMA max_page_count={c.execute('PRAGMA page_count').fetchone()[0]}"
        ).fetchone()
    )

    async def too_much() -> None:
        async with ledger.transaction(at_once=True) as tx:
            tx.save_alarm(AlarmLine("a", "k", "A1", "minor", "latched", NOW))
            tx.save_evidence(Evidence("e", "B1", "outage", NOW, None, content=b"\x00" * 100_000))

    with pytest.raises(StoreError, match="free space") as caught:
        await too_much()
    assert caught.value.fault is StoreFault.FULL
    assert await ledger.standing_alarms() == ()
    assert len((await ledger.events()).items) == 1


async def test_of_one_order_key_only_the_oldest_waiting_message_is_due(ledger: Ledger) -> None:
    async with ledger.transaction() as tx:
        for name in ("m1", "m2"):
            tx.enqueue(message(name))
        tx.enqueue(message("other", order_key="i2", urgent=True))
        tx.enqueue(message("later", order_key="i3", seconds=60))
        tx.enqueue(message("m1"))  # enqueued twice, kept once
    assert [m.id for m in await ledger.due(NOW)] == ["other", "m1"]
    async with ledger.transaction() as tx:
        tx.try_again("m1", NOW + timedelta(seconds=30), "451 try again later")
    assert [m.id for m in await ledger.due(NOW)] == ["other"]
    assert await ledger.waiting() == (4, NOW, NOW)
    async with ledger.transaction() as tx:
        tx.sent("other", "250 ok")
        tx.give_up("m1", "550 no such person")
    assert [m.id for m in await ledger.due(NOW)] == ["m2"]
    dead = (await ledger.messages(sending=Sending.DEAD)).items
    assert [(m.id, m.attempts, m.result) for m in dead] == [("m1", 2, "550 no such person")]
    assert (await ledger.message("other")) is not None


async def test_a_message_put_off_while_the_clock_stood_a_year_ahead_is_due_once_it_is_set_right(
    ledger: Ledger,
) -> None:
    async with ledger.transaction() as tx:
        tx.enqueue(message("tomorrow", seconds=86_400))
        tx.enqueue(message("tried", order_key="i2"))
        tx.try_again("tried", NOW + timedelta(days=365), "451 try again later")
        tx.enqueue(message("behind it", order_key="i2"))
    assert [m.id for m in await ledger.due(NOW)] == ["tried"]


async def test_the_journal_reads_back_in_pages_both_ways(ledger: Ledger) -> None:
    async with ledger.transaction() as tx:
        for n in range(7):
            about = "A1" if n % 2 else "A2"
            tx.add_event(JournalLine(NOW + timedelta(minutes=n), "k", about, str(n), incident="i"))
    page = await ledger.events(limit=3)
    texts = [line.text for line in page.items]
    while page.next is not None:
        page = await ledger.events(limit=3, before=page.next)
        texts += [line.text for line in page.items]
    assert texts == ["6", "5", "4", "3", "2", "1", "0"]
    assert [line.text for line in (await ledger.events(after=5)).items] == ["5", "6"]
    assert [line.text for line in (await ledger.events(about="A1", kinds=("k",))).items] == ["5", "3", "1"]
    found = await ledger.events(
        incident="i", start=NOW + timedelta(minutes=2), end=NOW + timedelta(minutes=4)
    )
    assert [line.text for line in found.items] == ["3", "2"]
    assert (await ledger.events(kinds=("other",))).items == ()


async def test_everything_the_ledger_keeps_comes_back_as_it_was(ledger: Ledger) -> None:
    elsewhere = NOW.astimezone(timezone(timedelta(hours=5, minutes=30)))
    incident = IncidentLine("i", "site", "major", elsewhere, body={"units": ["A1", "Ä2"]})
    evidence = Evidence(
        "e", "B1", "import", NOW, NOW, "M. Okafor", "hand_readings/1", {"blocks": 40}, b"\x00\x01"
    )
    under_way = Evidence("f", "B2", "outage", NOW, None)
    action = Action(NOW, "R. Lindqvist", "shelve", "A1", "fan on order", alarm="a")
    replaced = EquipmentEvent(
        NOW - timedelta(days=3), "replaced", "B1", "M. Okafor", NOW, body={"strings": 2}
    )
    corrections = Corrections("c1", "card-A1", NOW, body={"upsOutputPower": 0.1})
    snapshot = Snapshot("watch", NOW, "watch/1", {"state": [1, None]})
    judgement = JudgementLine("B1", NOW, "sha256:00", 2**62, body={"fraction": 0.83})
    engine = EngineBoots("80001f88", 3, 47, NOW)
    async with ledger.transaction() as tx:
        tx.save_incident(incident)
        tx.save_evidence(evidence)
        tx.save_evidence(under_way)
        tx.add_action(action)
        tx.add_equipment(replaced)
        tx.save_corrections(corrections)
        tx.save_snapshot(snapshot)
        tx.add_judgement(judgement)
        tx.save_engine(engine)
        tx.learn(LearntFact("card-A1", "current_sign", NOW, body={"sign": 1}))
        tx.learn(LearntFact("card-A1", "current_sign", NOW, body={"sign": -1}))
    assert await ledger.incident("i") == incident
    assert await ledger.open_incidents() == (incident,)
    assert (await ledger.incidents()).items == (incident,)
    assert await ledger.evidence("B1") == (evidence,)
    assert await ledger.evidence("B1", since=NOW + timedelta(seconds=1)) == ()
    assert await ledger.open_evidence() == (under_way,)
    assert [a.why for a in (await ledger.actions(about="A1")).items] == ["fan on order"]
    assert [e.body for e in await ledger.equipment("B1")] == [{"strings": 2}]
    assert len(await ledger.equipment()) == 1
    assert await ledger.corrections() == {"c1": corrections}
    assert await ledger.snapshot("watch") == snapshot
    assert await ledger.snapshot("peaks") is None
    assert (await ledger.judgement("B1")) == (await ledger.judgements("B1")).items[0]
    assert (await ledger.judgements("B1")).items[0].seed == 2**62
    assert await ledger.engines() == {"80001f88": engine}
    assert [fact.body for fact in await ledger.facts("card-A1")] == [{"sign": -1}]
    assert len(await ledger.facts()) == 1


async def test_alarms_are_listed_by_state_in_pages(ledger: Ledger) -> None:
    async with ledger.transaction() as tx:
        for n in range(5):
            state = "normal" if n % 2 else "shelved"
            at = NOW + timedelta(minutes=n)
            tx.save_alarm(AlarmLine(f"a{n}", "k", "A1", "minor", state, at, standing=state != "normal"))
    page = await ledger.alarms(limit=3)
    assert [a.id for a in page.items] == ["a4", "a3", "a2"]
    assert page.next is not None
    assert [a.id for a in (await ledger.alarms(limit=3, after=page.next)).items] == ["a1", "a0"]
    assert [a.id for a in (await ledger.alarms(states=("shelved",))).items] == ["a4", "a2", "a0"]
    assert [a.id for a in await ledger.standing_alarms()] == ["a0", "a2", "a4"]


async def test_a_moment_without_a_time_zone_is_refused(ledger: Ledger) -> None:
    with pytest.raises(ValueError, match="time zone"):
        async with ledger.transaction() as tx:
            tx.add_event(JournalLine(datetime(2026, 3, 1), "k", None, "when?"))  # noqa: DTZ001


async def test_a_ledger_outlives_its_program(tmp_path: Path) -> None:
    for n in range(3):
        async with Ledger(tmp_path / "ledger.sqlite") as ledger, ledger.transaction() as tx:
            tx.add_event(JournalLine(NOW, "start", None, str(n)))
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        assert [line.seq for line in (await ledger.events(after=0)).items] == [1, 2, 3]


def test_a_newer_ledger_is_refused(tmp_path: Path) -> None:
    connection = sqlite3.connect(tmp_path / "ledger.sqlite")
    connection.execute("PRAGMA user_version=7")
    connection.close()
    with pytest.raises(StoreError, match="version 7"):
        Ledger(tmp_path / "ledger.sqlite")


async def test_states_are_found_by_the_beginning_of_their_names_and_let_go_by_the_whole(
    ledger: Ledger,
) -> None:
    kept = [Snapshot(name, NOW, "x/1", {"n": n}) for n, name in enumerate(("a/b%", "a/b_c", "a_b", "A/b"))]
    async with ledger.transaction() as tx:
        for line in kept:
            tx.save_snapshot(line)
    assert await ledger.snapshots("a/") == (kept[0], kept[1])
    async with ledger.transaction() as tx:
        tx.drop_snapshot("a/b_c")
        tx.drop_snapshot("never there")
    assert await ledger.snapshots("a/") == (kept[0],)
    assert await ledger.snapshot("a_b") == kept[2]


async def test_a_new_incident_between_two_pages_neither_repeats_nor_hides_one(ledger: Ledger) -> None:
    def incident(number: int) -> IncidentLine:  # two and two of them opened at the same moment
        return IncidentLine(f"power-{number}", "A", "major", NOW + timedelta(seconds=number // 2))

    async with ledger.transaction() as tx:
        for number in range(7):
            tx.save_incident(incident(number))
    first = await ledger.incidents(limit=3)
    async with ledger.transaction() as tx:
        tx.save_incident(incident(7))
    second = await ledger.incidents(limit=3, after=first.next)
    third = await ledger.incidents(limit=3, after=second.next)
    numbers = [line.id.removeprefix("power-") for page in (first, second, third) for line in page.items]
    assert numbers == ["6", "5", "4", "3", "2", "1", "0"]
    assert third.next is None
