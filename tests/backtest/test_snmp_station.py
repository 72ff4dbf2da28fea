"""A notice received by net-snmp's own daemon for notifications, in a process of its own.

pytest -s tests/backtest/test_snmp_station.py      # wants snmptrapd (Debian: snmptrapd)
"""

from __future__ import annotations

import asyncio
import subprocess
import time
from pathlib import Path

from tests.collector.messaging.cases import notice
from tests.collector.messaging.channels.test_snmp_notification import ARC, channel, message
from tests.collector.messaging.sinks import free_port
from tests.servers import need_program


def test_a_real_station_takes_a_notice_down_and_acknowledges_it(tmp_path: Path) -> None:
    port, settings = free_port(), tmp_path / "snmptrapd.conf"
    settings.write_text('authCommunity log "to the station"\n')
    command = [
        need_program("snmptrapd"),
        "-f",
        "-On",
        "-Lo",
        "-C",
        "-c",
        str(settings),
        f"udp:127.0.0.1:{port}",
    ]
    heard = tmp_path / "heard"
    with heard.open("w") as out:
        daemon = subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT)
        try:
            end = time.monotonic() + 30
            while "NET-SNMP" not in heard.read_text() and time.monotonic() < end:
                time.sleep(0.1)
            assert asyncio.run(channel(port).send(message())) == "acknowledged"
        finally:
            daemon.terminate()
            daemon.wait(20)
    text = heard.read_text()
    print(text)
    assert f".1.3.6.1.6.3.1.1.4.1.0 = OID: .{ARC}.0.1" in text
    assert notice().incident in text
