"""Cards for tests: a healthy three-phase one, and ways to spoil it."""

import json
import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from collector.cards.mib.upsmib import (
    ALARM_DESCR,
    ALARM_OID,
    ALARM_TIME,
    BY_NAME,
    OBJECTS,
    SYS_UP_TIME,
    Kind,
    TablePart,
)
from collector.cards.mib.wire_values import WireState, WireValue
from collector.cards.snmp import ber
from collector.simulation.cards.agent import Typed
from rules.plant.reading import Stamp
from tests.servers import need_program

AT = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
STAMP = Stamp(AT, 1000.0, "start")
_TAG = {
    Kind.INTEGER: ber.INTEGER,
    Kind.GAUGE: ber.GAUGE32,
    Kind.COUNTER: ber.COUNTER32,
    Kind.TICKS: ber.TIME_TICKS,
    Kind.TEXT: ber.OCTET_STRING,
    Kind.OID: ber.OBJECT_ID,
}

# A 30 kVA / 27 kW three-phase unit at 5100 W and 0.9 power factor per line, 240 cells on float at 2.27 V.
GOOD: dict[str, WireValue] = {
    "sysUpTime": 123450,
    "upsIdentManufacturer": "Fernhill Works",
    "upsIdentModel": "FW 30",
    "upsIdentUPSSoftwareVersion": "2.1",
    "upsIdentAgentSoftwareVersion": "7.04",
    "upsBatteryStatus": 2,
    "upsSecondsOnBattery": 0,
    "upsEstimatedMinutesRemaining": 50,
    "upsEstimatedChargeRemaining": 100,
    "upsBatteryVoltage": 5451,
    "upsBatteryCurrent": 0,
    "upsBatteryTemperature": 24,
    "upsInputLineBads": 3,
    "upsInputNumLines": 3,
    "upsOutputSource": 3,
    "upsOutputFrequency": 500,
    "upsOutputNumLines": 3,
    "upsBypassFrequency": 500,
    "upsBypassNumLines": 3,
    "upsAlarmsPresent": 0,
    "upsTestId": "1.3.6.1.2.1.33.1.7.7.4",
    "upsTestResultsSummary": 1,
    "upsTestResultsDetail": "",
    "upsTestStartTime": 1000,
    "upsTestElapsedTime": 1000,
    "upsConfigInputVoltage": 230,
    "upsConfigInputFreq": 500,
    "upsConfigOutputVoltage": 230,
    "upsConfigOutputFreq": 500,
    "upsConfigOutputVA": 30000,
    "upsConfigOutputPower": 27000,
    "upsConfigLowBattTime": 5,
}
GOOD |= {
    f"{name}.{line}": value
    for line in (1, 2, 3)
    for name, value in {
        "upsInputFrequency": 500,
        "upsInputVoltage": 230 + line,
        "upsInputCurrent": 250,
        "upsInputTruePower": 5400,
        "upsOutputVoltage": 230,
        "upsOutputCurrent": 246,
        "upsOutputPower": 5100,
        "upsOutputPercentLoad": 57,
        "upsBypassVoltage": 229,
        "upsBypassCurrent": 0,
        "upsBypassPower": 0,
    }.items()
}


def oid_of(key: str) -> str:
    """Return where the standard puts a wire key."""
    if key == "sysUpTime":
        return SYS_UP_TIME
    name, _, line = key.partition(".")
    return BY_NAME[name].at(int(line)) if line else BY_NAME[name].oid


def served(values: Mapping[str, WireValue], alarms: tuple[str, ...] = ()) -> dict[str, Typed]:
    """Return wire values as an agent serves them, with rows of the alarm table for some alarms (by name)."""
    table: dict[str, Typed] = {}
    for key, value in values.items():
        kind = Kind.TICKS if key == "sysUpTime" else BY_NAME[key.partition(".")[0]].kind
        typed: ber.Value = value.encode() if isinstance(value, str) and kind is Kind.TEXT else value
        table[oid_of(key)] = (_TAG[kind], typed)
    for row, name in enumerate(alarms, start=7):
        table[f"{ALARM_DESCR}.{row}"] = (ber.OBJECT_ID, ALARM_OID.get(name, name))
        table[f"{ALARM_TIME}.{row}"] = (ber.TIME_TICKS, 100 * row)
    return table


def state(**changes: WireValue | None) -> WireState:
    """Return the healthy card's state with some values changed; None removes one. `name_2` is line 2."""
    values = dict(GOOD)
    for key, value in changes.items():
        name, _, line = key.partition("_")
        wire = f"{name}.{line}" if line else name
        if value is None:
            values.pop(wire, None)
        else:
            values[wire] = value
    return WireState(values=values, alarms=(), part_at=dict.fromkeys(TablePart, AT))


def every_line(name: str, value: WireValue) -> dict[str, WireValue | None]:
    """Return changes for `state` that set a column on all three lines."""
    return {f"{name}_{line}": value for line in (1, 2, 3)}


@dataclass(frozen=True)
class RealAgent:
    """A running net-snmp agent; change what it serves by `serve`."""

    port: int
    table: Path
    directory: Path

    def serve(self, values: Mapping[str, Typed]) -> None:
        names = {
            ber.INTEGER: "integer",
            ber.OCTET_STRING: "string",
            ber.OBJECT_ID: "objectid",
            ber.COUNTER32: "counter",
            ber.GAUGE32: "gauge",
            ber.TIME_TICKS: "timeticks",
        }
        rows = {
            oid: [names[tag], value.decode() if isinstance(value, bytes) else str(value)]
            for oid, (tag, value) in values.items()
            if oid.startswith("1.3.6.1.2.1.33.")
        }
        fresh = self.table.with_suffix(".new")
        fresh.write_text(json.dumps(rows))
        fresh.replace(self.table)


def free_port() -> int:
    """Return a port that was free a moment ago, for UDP and for TCP."""
    while True:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as udp, socket.socket() as tcp:
            udp.bind(("127.0.0.1", 0))
            port = int(udp.getsockname()[1])
            with suppress(OSError):
                tcp.bind(("127.0.0.1", port))
                return port


USERS = """
createUser noone
createUser md5only MD5 "maple-leaf-7" DES "river-stone-8"
createUser sha1aes SHA "maple-leaf-7" AES "river-stone-8"
createUser sha256aes SHA-256 "maple-leaf-7" AES "river-stone-8"
createUser sha512aes SHA-512 "maple-leaf-7" AES "river-stone-8"
createUser sha224 SHA-224 "maple-leaf-7"
createUser sha384 SHA-384 "maple-leaf-7"
rouser noone noauth
rouser md5only priv
rouser sha1aes priv
rouser sha256aes auth
rouser sha512aes priv
rouser sha224 auth
rouser sha384 auth
"""


@contextmanager
def net_snmp_agent(directory: Path, port: int | None = None) -> Iterator[RealAgent]:
    """Run Debian's snmpd on loopback, serving the UPS MIB through pass_persist."""
    snmpd = need_program("snmpd")
    port = port or free_port()
    agent = RealAgent(port, directory / "table.json", directory)
    agent.serve(served(GOOD))
    script = Path(__file__).with_name("pass_persist.py")
    conf = directory / "snmpd.conf"
    conf.write_text(
        f"agentaddress udp:127.0.0.1:{port}\nrocommunity public 127.0.0.1\n"
        f"pass_persist .1.3.6.1.2.1.33 {sys.executable} {script} {agent.table}\n{USERS}"
    )
    # Without -C, or the agent would not read back the engine boots it keeps.
    kept = {
        "SNMP_PERSISTENT_DIR": str(directory / "kept"),
        "SNMPCONFPATH": f"{directory}:{directory / 'kept'}",
    }
    environment = {**os.environ, **kept, "MIBS": ""}
    command = [snmpd, "-f", "-LF", "w", str(directory / "log"), "-I", "-smux"]
    process = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        _await_answer(port, process)
        yield agent
    finally:
        process.terminate()
        process.wait(10)


def _await_answer(port: int, process: subprocess.Popen[bytes]) -> None:
    request = ber.request_template(1, b"public", ber.pdu_template(ber.GET, [SYS_UP_TIME])).with_id(
        ber.FIRST_ID
    )
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.settimeout(0.1)
        sock.connect(("127.0.0.1", port))
        for _ in range(100):
            assert process.poll() is None, "snmpd ended at once"
            try:
                sock.send(request)
                sock.recv(65535)
            except (TimeoutError, ConnectionRefusedError):
                time.sleep(0.05)
            else:
                return
    raise AssertionError("snmpd does not answer")


def all_read_objects() -> set[str]:
    """Return the names of the objects that a card is asked for in service."""
    return {item.name for item in OBJECTS if item.part is not None}
