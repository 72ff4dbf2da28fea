"""A disk full to the last byte under the running service: an outage is told at once, and all is written later, once."""

from __future__ import annotations

import signal
import sqlite3
from contextlib import closing
from pathlib import Path
from time import monotonic
from typing import Any

import pytest

from tests.collector.messaging.sinks import Broker
from tests.daemon import command, daemon, eventually
from tests.small_disk import small_disk
from tests.trials.brokers import broker_toml, listening
from tests.trials.people import Desk, desk
from tests.trials.plant import Shape, plant

pytestmark = [pytest.mark.real_server, pytest.mark.slow]


def sent_by(data: Path) -> int:
    """Return how many messages the file itself, read by another program, says were sent."""
    with closing(sqlite3.connect(f"file:{data / 'ledger.sqlite'}?mode=ro", uri=True)) as file:
        return int(file.execute("SELECT count(*) FROM outbox WHERE sending = 'sent'").fetchone()[0])


def told(night: Desk) -> list[dict[str, Any]]:
    return [event["data"] for _, event in night.told()]


def outages(night: Desk) -> list[dict[str, Any]]:
    return [notice for notice in told(night) if "mains" in str(notice["what"]).lower()]


def test_an_outage_on_a_full_disk_is_told_at_once_and_once_through_a_kill_and_written_when_there_is_room(
    tmp_path: Path,
) -> None:
    broker = Broker(tmp_path)
    with (
        small_disk(tmp_path / "disk", 8) as disk,
        plant(Shape(systems=1, units=2)) as it,
        desk() as night,
        listening(broker, tmp_path) as heard,
    ):
        estate = it.write_estate(tmp_path, night.toml(tmp_path) + broker_toml(broker, tmp_path))
        data = disk.folder / "data"
        with daemon(estate, data) as service:
            service.wait_for("/health/ready", lambda b: b.get("answering") == 2 or None, "both cards answer")
            disk.fill()
            it.to_battery(it.units)
            lost_s = monotonic()
            eventually(lambda: outages(night), "a person is told of the outage")
            print(f"told {monotonic() - lost_s:.1f} s after the mains was lost, the disk being full")
            eventually(
                lambda: [n for n in heard.incidents() if "mains" in n["what"].lower()], "the broker has it"
            )
            shown = service.get("/v1/incidents")[1]["items"]
            assert any(one["id"] == outages(night)[0]["incident"] for one in shown), shown
            # what goes out in the moment of a kill goes out again, under the same id; that is not what is tried here
            service.wait_for(
                "/v1/messages?sending=waiting", lambda b: not b["items"] or None, "what came of it is known"
            )
            service.process.kill()
            service.process.wait()
        with daemon(estate, data) as service:
            service.wait_for(
                "/v1/alarms",
                lambda b: [a for a in b["items"] if a["id"].startswith("store_failing")],
                "the full disk is an alarm",
            )
            shown = service.get("/v1/incidents")[1]["items"]
            assert any(one["id"] == outages(night)[0]["incident"] for one in shown), shown
            disk.give_room()
            eventually(
                lambda: sent_by(data) >= len(night.ids()) + len(heard.incidents()), "all is on the disk"
            )
            assert len(night.ids()) == len(set(night.ids()))
            posts = [notice["message_id"] for notice in heard.incidents()]
            assert len(posts) == len(set(posts))
            events = service.get("/v1/events")[1]["items"]
            assert [e["kind"] for e in events].count("mains_lost") == 1
            code, took_s = service.end(signal.SIGTERM)
            assert (code, took_s < 5.0) == (0, True)
        assert command("verify", "--data", str(data)).returncode == 0
