"""Notifications as RFC 1628 describes them, at most one in five seconds."""

import asyncio
import socket
from datetime import UTC, datetime
from pathlib import Path

from collector.cards.mib import upsmib
from collector.cards.snmp import ber
from collector.process.clock import TurnedClock
from collector.simulation.cards.card import AlarmRows, Typed, oid_of
from collector.simulation.cards.notices import COLD_START, ENTRY_ADDED, ENTRY_REMOVED, ON_BATTERY, Notices
from collector.simulation.estate import SimulatedEstate
from collector.simulation.scenario.director import Cue, MainsFails, MainsReturns

SAID: dict[str, Typed] = {
    oid_of("upsEstimatedMinutesRemaining"): (ber.INTEGER, 17),
    oid_of("upsSecondsOnBattery"): (ber.INTEGER, 1),
    oid_of("upsConfigLowBattTime"): (ber.INTEGER, 3),
}
OUTAGE = ("upsAlarmOnBattery", "upsAlarmInputBad")


def traps(notices: Notices, rows: AlarmRows, from_s: int, until_s: int) -> list[tuple[int, str]]:
    """Let a card stand with these rows for some seconds; return what it sent, and when."""
    sent = []
    for t_s in range(from_s, until_s):
        datagram = notices.after(rows, SAID, uptime_s=1000.0 + t_s, t_s=float(t_s))
        if datagram is not None:
            sent.append((t_s, what(datagram)))
    return sent


def what(datagram: bytes) -> str:
    message = ber.decode_message(datagram)
    assert message.pdu.type == ber.TRAP_V2
    (uptime, _, _), (second, _, trap) = message.pdu.varbinds[:2]
    assert (uptime, second) == ("1.3.6.1.2.1.1.3.0", "1.3.6.1.6.3.1.1.4.1.0")
    return str(trap)


def test_the_numbers_are_the_standards() -> None:
    assert tuple(f"1.3.6.1.2.1.33.2.{n}" for n in (1, 3, 4)) == (ON_BATTERY, ENTRY_ADDED, ENTRY_REMOVED)


def test_on_battery_is_told_at_once_and_each_minute_until_it_is_over() -> None:
    notices = Notices(b"c")
    rows = AlarmRows({}).after(OUTAGE, 1000.0)
    sent = traps(notices, rows, 0, 130)
    assert [t for t, trap in sent if trap == ON_BATTERY] == [0, 60, 120]
    assert traps(notices, AlarmRows({}), 130, 300)[-1][0] < 150


def test_rows_that_come_and_go_are_told_but_on_battery_only_when_it_goes() -> None:
    notices = Notices(b"c")
    rows = AlarmRows({}).after(OUTAGE, 1000.0)
    assert [trap for _, trap in traps(notices, rows, 0, 30)] == [ON_BATTERY, ENTRY_ADDED]
    gone = rows.after((), 1030.0)
    assert [trap for _, trap in traps(notices, gone, 30, 60)] == [ENTRY_REMOVED, ENTRY_REMOVED]


def test_two_notices_are_five_seconds_apart() -> None:
    notices = Notices(b"c")
    rows = AlarmRows({}).after(("upsAlarmInputBad", "upsAlarmBypassBad", "upsAlarmFanFailure"), 1000.0)
    assert [t for t, _ in traps(notices, rows, 0, 30)] == [0, 5, 10]


def test_the_objects_of_the_standard_come_along() -> None:
    notices = Notices(b"c")
    rows = AlarmRows({}).after(OUTAGE, 1000.0)
    first = notices.after(rows, SAID, uptime_s=1000.0, t_s=0.0)
    second = notices.after(rows, SAID, uptime_s=1005.0, t_s=5.0)
    assert first is not None
    assert second is not None
    assert ber.decode_message(first).pdu.varbinds[2:] == [(oid, *SAID[oid]) for oid in SAID]
    row = rows.rows["upsAlarmInputBad"][0]
    assert ber.decode_message(second).pdu.varbinds[2:] == [
        (f"{upsmib.ALARM_TABLE}.1.1.{row}", ber.INTEGER, row),
        (f"{upsmib.ALARM_DESCR}.{row}", ber.OBJECT_ID, upsmib.ALARM_OID["upsAlarmInputBad"]),
    ]


def test_a_restarted_card_says_cold_start() -> None:
    notices = Notices(b"c")
    notices.restarted()
    assert traps(notices, AlarmRows({}), 0, 3) == [(0, COLD_START)]


async def test_an_outage_is_heard_from_the_cards_own_address(tmp_path: Path) -> None:
    clock = TurnedClock(datetime(2026, 11, 24, 12, tzinfo=UTC))
    cues = [Cue(3.0, MainsFails("tollwick-mains")), Cue(20.0, MainsReturns("tollwick-mains"))]
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as ear:
        ear.bind(("127.0.0.1", 0))
        ear.setblocking(False)
        notify = ("127.0.0.1", int(ear.getsockname()[1]))
        async with SimulatedEstate(tmp_path, clock=clock, cues=cues, notify=notify) as estate:
            await clock.advance(6.0)
            datagram, source = await asyncio.wait_for(
                asyncio.get_running_loop().sock_recvfrom(ear, 2048), 2.0
            )
            assert what(datagram) == ON_BATTERY
            assert f"snmp://{source[0]}:{source[1]}" == estate.target_of("tollwick-1-card")
            assert "[notifications]" in estate.estate_file.read_text()
