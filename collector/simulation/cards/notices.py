"""The notifications a simulated card sends: SNMPv2c traps of RFC 1628, one every five seconds at most.

upsTrapOnBattery goes out when the bank takes over and each minute until it no longer carries; alarm rows
that come and go are told of, except those the standard excepts (RFC 1628, upsTrapAlarmEntryAdded and
upsTrapAlarmEntryRemoved). A restarted card says coldStart.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from collector.cards.mib import upsmib
from collector.cards.snmp import ber
from collector.simulation.cards.card import AlarmRows, Typed, oid_of

SPACING_S: Final = 5.0
REPEATED_S: Final = 60.0
COLD_START: Final = "1.3.6.1.6.3.1.1.5.1"
_TRAP_OID: Final = "1.3.6.1.6.3.1.1.4.1.0"
_ALARM_ID: Final = upsmib.ALARM_TABLE + ".1.1"
_NEVER_ADDED: Final = frozenset({"upsAlarmOnBattery", "upsAlarmTestInProgress"})
_NEVER_REMOVED: Final = frozenset({"upsAlarmTestInProgress"})

Varbinds = tuple[tuple[str, int, ber.Value], ...]


ON_BATTERY: Final = upsmib.NOTIFICATIONS_ROOT + ".1"
ENTRY_ADDED: Final = upsmib.NOTIFICATIONS_ROOT + ".3"
ENTRY_REMOVED: Final = upsmib.NOTIFICATIONS_ROOT + ".4"


@dataclass
class Notices:
    """What one card has to tell, and when it may tell the next thing. Times in seconds of the epoch."""

    community: bytes
    known: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    waiting: list[tuple[str, Varbinds]] = field(default_factory=list)
    may_send_s: float = 0.0
    on_battery_s: float | None = None
    sent: int = 0

    def restarted(self) -> None:
        """Forget everything and say so."""
        self.known, self.on_battery_s = {}, None
        self.waiting = [(COLD_START, ())]

    def after(
        self, rows: AlarmRows, said: Mapping[str, Typed], *, uptime_s: float, t_s: float
    ) -> bytes | None:
        """Take the card's state at `t_s`; return the datagram it sends now, if any.

        `said` are the card's objects by OID, of which upsTrapOnBattery carries three.
        """
        self._compare(rows.rows)
        if "upsAlarmOnBattery" not in rows.rows:
            self.on_battery_s = None
        elif self.on_battery_s is None or t_s - self.on_battery_s >= REPEATED_S:
            self.on_battery_s = t_s
            self.waiting.insert(0, (ON_BATTERY, _on_battery(said)))
        if not self.waiting or t_s < self.may_send_s:
            return None
        trap, varbinds = self.waiting.pop(0)
        self.may_send_s = t_s + SPACING_S
        self.sent += 1
        return self._datagram(trap, varbinds, uptime_s)

    def _compare(self, rows: Mapping[str, tuple[int, int]]) -> None:
        for name, (row, _) in rows.items():
            if name not in self.known and name not in _NEVER_ADDED:
                self.waiting.append((ENTRY_ADDED, _entry(name, row)))
        for name, (row, _) in self.known.items():
            if name not in rows and name not in _NEVER_REMOVED:
                self.waiting.append((ENTRY_REMOVED, _entry(name, row)))
        self.known = rows

    def _datagram(self, trap: str, varbinds: Varbinds, uptime_s: float) -> bytes:
        """Return an SNMPv2-Trap message (RFC 3416, 4.2.6): uptime, what it is, and its objects."""
        ticks = int(uptime_s * 100.0) % 2**32
        first: Varbinds = (
            (upsmib.SYS_UP_TIME, ber.TIME_TICKS, ticks),
            (_TRAP_OID, ber.OBJECT_ID, trap),
        )
        encoded = [ber.encode_varbind(*item) for item in (*first, *varbinds)]
        pdu = ber.encode_response_pdu(ber.FIRST_ID + self.sent, encoded, pdu_type=ber.TRAP_V2)
        return ber.encode_message(ber.VERSION_2C, self.community, pdu)


def _on_battery(said: Mapping[str, Typed]) -> Varbinds:
    names = ("upsEstimatedMinutesRemaining", "upsSecondsOnBattery", "upsConfigLowBattTime")
    return tuple((oid, *said[oid]) for oid in map(oid_of, names) if oid in said)


def _entry(name: str, row: int) -> Varbinds:
    return (
        (f"{_ALARM_ID}.{row}", ber.INTEGER, row),
        (f"{upsmib.ALARM_DESCR}.{row}", ber.OBJECT_ID, upsmib.ALARM_OID[name]),
    )
