"""The whole service with InfluxDB behind it: what is read waits while the server is away, and arrives once, in order.

The engine is Debian's 1.x behind a mapping of the write URL; a real 1.8, 2.x or 3.x was not run.
"""

import re
import signal
import time
import urllib.parse
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.collector.cards.sample_cards import free_port, net_snmp_agent
from tests.collector.storage.history.influx_server import INFLUXD, InfluxServer, PathMapping
from tests.daemon import Daemon, daemon, eventually
from tests.servers import missing
from tests.test_whole_service import estate_file

pytestmark = [pytest.mark.real_server, pytest.mark.slow]

HISTORY = """
[[alarm]]
id = "store_failing"
on_delay_s = 0

[history]
store = "influxdb"
url = "%s"
database = "yard"
"""
SERIES = "/v1/units/A1/history?quantity=output_power_w&line=1&points=2000&from=%s"


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[tuple[InfluxServer, PathMapping]]:
    if INFLUXD is None:
        missing("influxd is not installed")
    (tmp_path / "engine").mkdir()
    server = InfluxServer(tmp_path / "engine")
    server.start()
    mapping = PathMapping(server.port)
    yield server, mapping
    mapping.end()
    server.end(signal.SIGKILL)


def with_influxdb(folder: Path, agent_port: int, url: str) -> Path:
    """Write an estate file whose history goes to InfluxDB."""
    file = estate_file(folder, agent_port, free_port())
    file.write_text(file.read_text("utf-8") + HISTORY % url, "utf-8")
    return file


def stored_ms(server: InfluxServer, unit: str) -> list[int]:
    """Return the times of all of a unit's rows, from the engine itself."""
    asked = {"db": "yard", "epoch": "ms", "q": f"SELECT \"@period\" FROM reading WHERE unit = '{unit}'"}
    reply = httpx.get(f"http://127.0.0.1:{server.port}/query", params=asked, timeout=20.0).json()
    return [int(row[0]) for series in reply["results"][0].get("series", ()) for row in series["values"]]


def sent_ms(mapping: PathMapping, unit: str) -> list[int]:
    """Return the times of a unit's rows in the order in which the engine took them."""
    lines = [line for body in mapping.taken for line in body.decode().splitlines()]
    return [int(line.rpartition(" ")[2]) for line in lines if line.startswith(f"reading,unit={unit},")]


def good(running: Daemon, since: str) -> list[dict[str, Any]]:
    status, body = running.get(SERIES % urllib.parse.quote(since))
    return [b for b in body["items"] if b["good_count"]] if status == 200 else []


def store_alarm(alarms: dict[str, Any]) -> dict[str, Any] | None:
    return next(
        (a for a in alarms["items"] if a["id"].startswith("store_failing") and a["state"] != "normal"), None
    )


def test_nothing_read_is_lost_or_doubled_while_the_engine_and_the_daemon_come_and_go(
    tmp_path: Path, engine: tuple[InfluxServer, PathMapping]
) -> None:
    server, mapping = engine
    server.make("yard")
    began = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(time.time() - 1))
    with net_snmp_agent(tmp_path) as agent:
        estate = with_influxdb(tmp_path, agent.port, mapping.url)
        with daemon(estate, tmp_path / "data") as running:
            eventually(lambda: len(good(running, began)) > 2, "history over HTTP")
            assert b"<svg" in running.page("/units/A1")
            # the server is stopped: polls go on, the answer is a sentence and so is the alarm
            before = len(stored_ms(server, "A1"))
            server.end()
            status, problem = running.get(SERIES % began)
            assert status == 503
            assert re.search("did not answer.*local spool", problem["detail"])
            alarm = running.wait_for("/v1/alarms", store_alarm, "the store's alarm")
            assert "local spool" in alarm["what"]
            at = running.wait_for("/v1/units/A1", lambda u: u["reading"]["at"], "a reading")
            running.wait_for("/v1/units/A1", lambda u: u["reading"]["at"] > at, "a later reading")
            assert running.page("/units/A1")
            server.start()
            eventually(lambda: len(stored_ms(server, "A1")) > before + 3, "what waited")
            server.end(signal.SIGKILL)  # in the middle of it
            server.start()
            running.wait_for(SERIES % began, lambda h: h["items"], "history again")
            server.end(signal.SIGKILL)
            time.sleep(2.0)  # some polls for the spool
            running.end(signal.SIGKILL)
        stood = len(sent_ms(mapping, "A1"))
        with daemon(estate, tmp_path / "data") as again:  # with no engine there
            again.wait_for("/v1/units/A1", lambda u: u["reading"], "a reading")
            time.sleep(1.0)
            server.start()
            eventually(lambda: len(sent_ms(mapping, "A1")) > stood + 3, "what waited over the kill")
            eventually(lambda: good(again, began), "history after the restart")
            assert again.end(signal.SIGTERM)[0] == 0
        # the rest is sent at the next start
        with daemon(estate, tmp_path / "data") as last:
            eventually(lambda: len(stored_ms(server, "A1")) > stood + 4, "the rest")
            last.end(signal.SIGTERM)
    stored, sent = stored_ms(server, "A1"), sent_ms(mapping, "A1")
    assert stored == sorted(set(stored))
    assert set(sent) == set(stored)
    first_time = list(dict.fromkeys(sent))
    assert first_time == sorted(
        first_time
    )  # a batch whose answer was lost goes again, at once, and changes nothing
    gaps = sorted(b - a for a, b in pairwise(stored))
    assert sum(gap > 4000 for gap in gaps) <= 2  # polled every second, but while the daemon was down


def test_a_database_that_is_not_there_is_a_sentence_and_an_alarm_until_it_is_made(
    tmp_path: Path, engine: tuple[InfluxServer, PathMapping]
) -> None:
    server, mapping = engine
    with net_snmp_agent(tmp_path) as agent:
        estate = with_influxdb(tmp_path, agent.port, mapping.url)
        with daemon(estate, tmp_path / "data") as running:
            alarm = running.wait_for("/v1/alarms", store_alarm, "the store's alarm")
            assert "no database 'yard'" in alarm["what"]
            assert "make the database" in alarm["what"]
            status, problem = running.get(SERIES % "2026-01-01T00:00:00Z")
            assert status == 503
            assert "no database 'yard'" in problem["detail"]
            server.make("yard")
            eventually(lambda: len(stored_ms(server, "A1")) > 3, "what waited")
            running.wait_for(SERIES % "2026-01-01T00:00:00Z", lambda h: h["items"], "history")
            assert running.end(signal.SIGTERM)[0] == 0


def test_an_engine_that_wants_to_know_who_asks_is_a_sentence_and_an_alarm(tmp_path: Path) -> None:
    if INFLUXD is None:
        missing("influxd is not installed")
    (tmp_path / "engine").mkdir()
    server = InfluxServer(tmp_path / "engine", identities=True)
    server.start()
    mapping = PathMapping(server.port)
    try:
        server.make_with_keeper("yard")
        with net_snmp_agent(tmp_path) as agent:
            estate = with_influxdb(tmp_path, agent.port, mapping.url)
            with daemon(estate, tmp_path / "data") as running:
                alarm = running.wait_for("/v1/alarms", store_alarm, "the store's alarm")
                assert "refuses this identity for database 'yard'" in alarm["what"]
                assert "`secret` in [history]" in alarm["what"]
                assert running.get("/health/live")[0] == 200
                assert running.end(signal.SIGTERM)[0] == 0
    finally:
        mapping.end()
        server.end(signal.SIGKILL)
