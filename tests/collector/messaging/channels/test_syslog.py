"""Lines to a log server: to a real one, in plain and by TLS; and what they hold, octet by octet."""

from __future__ import annotations

import asyncio
import re
import subprocess
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.configuration.channel_tables import SyslogSettings as Settings
from collector.messaging.channels.channel import ChannelDown
from collector.messaging.channels.syslog import SyslogChannel, line_of
from collector.messaging.delivery.recipients import letters
from collector.storage.ledger.records import Outgoing
from rules.alarms.incidents.incident import NoticeKind
from rules.plant.topology import Topology
from rules.values.severity import Severity
from tests.collector.messaging.cases import everybody, notice, person
from tests.collector.messaging.sinks import certificate, free_port
from tests.rules.sample_plant import estate
from tests.servers import need_program

HEADER = re.compile(
    r"<(\d{1,3})>1 (\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z) (\S{1,255}) ridethrough - (\w{1,32}) (\[.*?[^\\]\])\[(.*?)\] \ufeff(.*)",
    re.DOTALL,
)


def message(kind: NoticeKind = NoticeKind.OPENED) -> Outgoing:
    who = person(reach=[{"channel": "log"}])
    return letters(notice(kind=kind), everybody(who), Topology(estate()), collector="fellbeck")[0]


class LogServer:
    """A real rsyslogd that writes what it gets into a file, one line a message, by TLS where asked."""

    def __init__(self, folder: Path, *, encrypted: bool) -> None:
        self.port, self.file = free_port(), folder / "log"
        self.authority = certificate(folder)
        driver = (
            'StreamDriver.Name="ossl" StreamDriver.Mode="1" StreamDriver.AuthMode="anon"' if encrypted else ""
        )
        keys = f'defaultNetstreamDriverCAFile="{self.authority.certificate}" ' * encrypted
        keys += f'defaultNetstreamDriverCertFile="{self.authority.certificate}" ' * encrypted
        keys += f'defaultNetstreamDriverKeyFile="{self.authority.key}"' * encrypted
        whole = "%pri% %timestamp:::date-rfc3339% %app-name% %msgid% %structured-data% %msg%\\n"
        settings = folder / "rsyslog.conf"
        settings.write_text(
            f'global(workDirectory="{folder}" {keys})\n'
            f'module(load="imtcp" {driver})\n'
            f'template(name="whole" type="string" string="{whole}")\n'
            f'input(type="imtcp" port="{self.port}" address="127.0.0.1")\n'
            f'action(type="omfile" file="{self.file}" template="whole")\n'
        )
        command = [need_program("rsyslogd"), "-n", "-f", str(settings), "-i", str(folder / "pid")]
        self._process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    def lines(self) -> list[str]:
        return self.file.read_text().splitlines() if self.file.exists() else []

    def wait_for(self, word: str) -> None:
        """Wait until a line came that has a word."""
        end = time.monotonic() + 60
        while not any(word in line for line in self.lines()) and time.monotonic() < end:
            time.sleep(0.05)

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(20)


async def sent(channel: SyslogChannel, one: Outgoing) -> str:
    """Send a message as the outbox does, again and again: a server that has only just been started takes none yet."""
    async with asyncio.timeout(60):
        while True:
            try:
                return await channel.send(one)
            except ChannelDown:
                await asyncio.sleep(0.1)


@pytest.fixture(params=["plain", "tls"])
def server(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[LogServer]:
    started = LogServer(tmp_path, encrypted=request.param == "tls")
    yield started
    started.stop()


@pytest.mark.real_server
async def test_a_log_server_gets_each_notice_as_a_line_with_the_alarm_in_it(
    server: LogServer, request: pytest.FixtureRequest
) -> None:
    encrypted = "tls" in request.node.name
    settings = Settings(
        id="log",
        kind="syslog",
        host="127.0.0.1",
        port=server.port,
        encrypted=encrypted,
        authority_file=str(server.authority.certificate) if encrypted else None,
    )
    channel = SyslogChannel(settings)
    assert (await sent(channel, message())).startswith("handed over, ")
    await sent(channel, message(NoticeKind.CLOSED))
    await asyncio.to_thread(server.wait_for, "cleared")
    opened, closed = dict.fromkeys(server.lines())  # what is sent again says the same
    priority, at, app, kind, rest = opened.split(" ", 4)
    assert (int(priority) // 8, app, kind) == (16, "ridethrough", "opened")
    assert at.startswith(f"{notice().at:%Y-%m-%dT%H:%M:%S}")
    assert rest.startswith("[alarm resource=")
    assert 'perceivedSeverity="' in rest
    assert f"{notice().what} Do: {notice().do}" in rest
    assert (closed.split(" ", 4)[0], 'perceivedSeverity="cleared"' in closed) == (str(16 * 8 + 5), True)


async def test_where_no_server_listens_the_channel_is_down() -> None:
    settings = Settings(id="log", kind="syslog", host="127.0.0.1", port=free_port(), encrypted=False)
    with pytest.raises(ChannelDown):
        await SyslogChannel(settings).send(message())


@pytest.mark.parametrize(("severity", "level"), [("critical", 1), ("major", 2), ("minor", 3), ("warning", 4)])
def test_the_severity_is_that_of_the_standard(severity: str, level: int) -> None:
    one = replace(notice(), severity=Severity(severity))
    found = HEADER.fullmatch(line_of(one, "host", facility=16))
    assert found is not None
    assert int(found[1]) == 16 * 8 + level
    assert f'perceivedSeverity="{severity}"' in found[5]


def test_accents_stay_as_they_are() -> None:
    found = HEADER.fullmatch(line_of(replace(notice(), what="Käfers Mühle: 38 °C."), "host", facility=16))
    assert found is not None
    assert found[7].startswith("Käfers Mühle: 38 °C. Do: ")


@given(st.text(max_size=60), st.text(max_size=60))
def test_whatever_a_place_is_called_it_stays_one_message(place: str, what: str) -> None:
    one = replace(notice(), place=place, what=what)
    line = line_of(one, "a host\n", facility=23)
    assert "\n" not in line
    found = HEADER.fullmatch(line)
    assert found is not None
    assert found[3] == "ahost"
    value = re.search(r'resource="((?:[^"\\\]]|\\["\\\]])*)"', found[5])
    assert value is not None
