"""The whole program killed at any moment of an outage, and started again: the story goes on, nothing is invented."""

import json
import random
import signal
import sys
import time
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from tests.collector.cards.sample_cards import GOOD, net_snmp_agent, served
from tests.daemon import command, daemon, eventually
from tests.test_whole_service import ON_BATTERY, estate_file

pytestmark = [pytest.mark.real_server, pytest.mark.slow]

TOLD = """
[[channel]]
id = "book"
kind = "command"
command = ["%(python)s", "%(script)s", "%(book)s"]

[[person]]
name = "Night desk"
reach = [{ channel = "book" }]
tell = [{ severity = "warning" }]
"""
SCRIPT = """
import os, sys
line = sys.stdin.buffer.read().replace(b"\\n", b" ").strip() + b"\\n"
os.write(os.open(sys.argv[1], os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600), line)
"""


COMES_AND_GOES = {"alarm_occur", "alarm_suppress"}
ONCE = {"mains_lost", "unit_to_battery", "incident_opened"} | COMES_AND_GOES


def told(book: Path) -> list[dict[str, Any]]:
    if not book.exists():
        return []
    return [json.loads(line) for line in book.read_text("utf-8").splitlines()]


def openings(book: Path, incident: str) -> set[str]:
    """Return the ids of the messages that opened an incident."""
    kind = "ridethrough.incident.opened"
    return {m["id"] for m in told(book) if m["type"] == kind and m["subject"] == incident}


def same(alarm: dict[str, Any]) -> tuple[Any, ...]:
    """Return what a kill may not change. How grave it is counts once it is told: delays run on over a kill, and one
    that is held back may come to stand at the next start."""
    severity = alarm["severity"] if alarm["state"].startswith("active") else None
    return alarm["about"], alarm["since"], alarm["incident"], severity


def test_an_outage_through_three_kills_is_one_incident_opened_once(tmp_path: Path) -> None:
    script, book, data = tmp_path / "write.py", tmp_path / "book.jsonl", tmp_path / "data"
    script.write_text(SCRIPT, "utf-8")
    chance = random.Random(8470)
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
    with net_snmp_agent(tmp_path / "a") as a, net_snmp_agent(tmp_path / "b") as b:
        estate = estate_file(tmp_path, a.port, b.port)
        more = TOLD % {"python": sys.executable, "script": script, "book": book}
        estate.write_text(estate.read_text("utf-8") + more, "utf-8")
        stood: dict[str, tuple[Any, ...]] = {}
        began: dict[str, Any] = {}
        lost = served(GOOD | ON_BATTERY | {"upsSecondsOnBattery": 0}, ("upsAlarmOnBattery",))
        for kill in range(3):
            with daemon(estate, data) as running:
                if kill == 0:
                    running.wait_for("/v1/systems", lambda s: len(s["items"]) == 2, "both systems")
                    for agent in (a, b):
                        agent.serve(lost)  # by cards that do not count how long
                    running.wait_for(
                        "/v1/alarms", lambda f: [x for x in f["items"] if x["incident"]], "an alarm"
                    )
                    began = running.wait_for("/v1/systems/A", lambda s: s["on_battery"], "A on battery")
                after = {x["id"]: same(x) for x in running.get("/v1/alarms")[1]["items"]}
                assert {k: after.get(k) for k in stood} == stood
                time.sleep(chance.uniform(0.0, 1.5))  # any moment will do
                stood = {x["id"]: same(x) for x in running.get("/v1/alarms")[1]["items"]}
                running.end(signal.SIGKILL)
            found = command("verify", "--data", str(data))
            assert found.returncode == 0, found.stdout
        with daemon(estate, data) as running:
            alarms = {x["id"]: same(x) for x in running.get("/v1/alarms")[1]["items"]}
            assert {key: alarms.get(key) for key in stood} == stood
            on_battery = running.wait_for("/v1/systems/A", lambda s: s["on_battery"], "A on battery")
            assert on_battery["since"] == began["since"]
            outage = running.wait_for(
                "/v1/incidents", lambda f: [x for x in f["items"] if x["cause"] == "power"], "the outage"
            )
            assert len(outage) == 1
            eventually(lambda: openings(book, outage[0]["id"]), "the opening message")
            events = running.get("/v1/events?limit=1000")[1]["items"]
            assert running.end(signal.SIGTERM)[0] == 0
    assert len(openings(book, outage[0]["id"])) == 1  # a repeat after a kill would carry the same id
    happened = Counter(
        (e["kind"], e["about"], e["alarm"] or e["incident"]) for e in events if e["kind"] in ONCE
    )
    assert {("mains_lost", "mains"), ("unit_to_battery", "A1")} <= {key[:2] for key in happened}
    # a busy machine may read late, and an alarm about that come, go and come: once more for every going alone
    gone = Counter(e["alarm"] for e in events if e["kind"].startswith(("alarm_return", "alarm_release")))
    again = {
        key: n for key, n in happened.items() if n > 1 + (gone[key[2]] if key[0] in COMES_AND_GOES else 0)
    }
    assert again == {}
    assert command("verify", "--data", str(data)).returncode == 0
