"""A site of ten units in two systems on one supply, its cards real agents on loopback, its service whole."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from pathlib import Path

from collector.cards.mib.upsmib import ALARM_DESCR, ALARM_OID, SYS_UP_TIME
from collector.cards.snmp import ber
from collector.simulation.cards.agent import Agent, AgentHost, Typed
from collector.simulation.cards.notices import ENTRY_ADDED
from tests.collector.cards.sample_cards import GOOD, served

NORTH = tuple(f"{system}{n}" for system in "AB" for n in range(1, 6))
ON_BATTERY = GOOD | {
    "upsOutputSource": 5,
    "upsSecondsOnBattery": 3,
    "upsBatteryCurrent": 305,
    **{f"upsInputVoltage.{line}": 0 for line in (1, 2, 3)},
    **{f"upsBypassVoltage.{line}": 0 for line in (1, 2, 3)},
}
TRAP_OID = "1.3.6.1.6.3.1.1.4.1.0"
TOKEN = "whsec_" + base64.b64encode(b"a key of this test, 32 bytes lon").decode()
CARD_ALARMS = ("upsAlarmOnBattery", "upsAlarmInputBad", "upsAlarmBypassBad")


class Site:
    """Ten agents that hold what the test puts into `values`.

    With `own_addresses` each has one of this machine's loopback addresses to itself, as notifications need it.
    """

    def __init__(self, units: tuple[str, ...] = NORTH, *, own_addresses: bool = False) -> None:
        self.values: dict[str, dict[str, Typed]] = {unit: dict(served(GOOD)) for unit in units}
        self.hosts = {
            unit: f"127.0.0.{10 + n}" if own_addresses else "127.0.0.1" for n, unit in enumerate(units)
        }
        self.ports: dict[str, int] = {}
        self.requests = 0

    async def serve(self, host: AgentHost) -> None:
        for unit in self.values:
            agent = Agent(lambda unit=unit: self._asked(unit), communities={b"public"})  # type: ignore[misc]
            _, self.ports[unit] = await host.serve(agent, self.hosts[unit], 0)

    def _asked(self, unit: str) -> Mapping[str, Typed]:
        self.requests += 1
        return self.values[unit]

    def to_battery(self, unit: str) -> None:
        counted = {"upsAlarmsPresent": len(CARD_ALARMS)}
        self.values[unit] = dict(served(ON_BATTERY | counted, CARD_ALARMS))

    def to_mains(self, unit: str) -> None:
        self.values[unit] = dict(served(GOOD))

    def write_estate(
        self, folder: Path, channels: str, *, every_s: float = 1.0, on_battery_every_s: float | None = None
    ) -> Path:
        """Write the estate file and its secrets; `channels` holds channels and people as TOML."""
        parts = [
            '[[site]]\nid = "hill"\nname = "Hill"\ntime_zone = "Europe/London"\n'
            '[[supply]]\nid = "north"\nsite = "hill"\n'
            f"[polling]\nevery_s = {every_s}\non_battery_every_s = {on_battery_every_s or every_s}\nslow_every_s = 5\n"
            '[watch]\nbox_fed_by = "A"\nswitches_fed_by = "A"\nway_out_fed_by = "A"\n'
        ]
        parts += [
            f'[[system]]\nid = "{system}"\nname = "Hall {system}"\nsite = "hill"\nsupply = "north"\n'
            'spare_units = 1\nrequirements = [{ id = "shutdown", for = "orderly_shutdown", required_s = 300 }]\n'
            for system in sorted({unit[0] for unit in self.values})
        ]
        for unit, port in self.ports.items():
            parts.append(
                f'[[unit]]\nid = "{unit}"\nsystem = "{unit[0]}"\n'
                '[[unit.fitted]]\nfrom = 2024-01-01\nmodel = "FW 30"\nrating_va = 30000\nrating_w = 27000\n'
                f'[[card]]\nid = "c{unit}"\ntarget = "snmp://{self.hosts[unit]}:{port}"\nsecret = "cards"\ncovers = ["{unit}"]\n'
                f'[[bank]]\nid = "b{unit}"\nfeeds = ["{unit}"]\ncells_in_series = 240\n'
                '[[bank.fitted]]\nfrom = 2024-01-01\ntype = "FW"\nblocks = 40\n'
                "rated_capacity_ah = 40\nrated_hours = 10\nend_voltage_per_cell_v = 1.67\ndesign_life_years = 10\n"
            )
        (folder / "estate.toml").write_text("".join(parts) + channels)
        secrets = folder / "secrets.toml"
        secrets.write_text(
            '[cards]\ncommunity = "public"\n[broker]\nuser = "watch"\npassword = "a long password"\n'
            f'[desk]\ntoken = "{TOKEN}"\n'
        )
        secrets.chmod(0o600)
        return folder / "estate.toml"


def row_added(name: str, number: int) -> bytes:
    """Return upsTrapAlarmEntryAdded (RFC 1628) for the first row of the table."""
    row = 7
    varbinds = (
        (SYS_UP_TIME, ber.TIME_TICKS, number),
        (TRAP_OID, ber.OBJECT_ID, ENTRY_ADDED),
        (f"{ALARM_DESCR}.{row}", ber.OBJECT_ID, ALARM_OID[name]),
    )
    encoded = [ber.encode_varbind(*item) for item in varbinds]
    pdu = ber.encode_response_pdu(ber.FIRST_ID + number, encoded, pdu_type=ber.TRAP_V2)
    return ber.encode_message(ber.VERSION_2C, b"public", pdu)
