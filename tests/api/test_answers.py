"""Somebody answers a message from where they are: by their own link, once; the others are told who has it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

import httpx

from api.pages.markup.assets import ANSWER_STYLES
from collector.process.clock import TurnedClock, stamp
from collector.service.service import Service
from rules.alarms.lifecycle.states import State
from rules.plant.reading import InputLine, InputReading, OutputLine, OutputReading, OutputSource, Reading
from tests.api.test_service_http import opened
from tests.collector.messaging.sinks import WebSink

MORE = """
[delivery]
answers_at = "http://127.0.0.1:8470/"
[[channel]]
id = "desk"
kind = "webhook"
url = "{url}"
[[person]]
name = "R. Haugen"
reach = [{{ channel = "desk", address = "haugen" }}]
tell = [{{ severity = "warning" }}]
[[person]]
name = "S. Moe"
reach = [{{ channel = "desk", address = "moe" }}]
tell = [{{ severity = "warning" }}]
"""


@dataclass
class Told:
    """A service in which an outage was told to two people, and what each of them got."""

    service: Service
    client: httpx.AsyncClient
    sink: WebSink

    def to(self, person: str) -> list[dict[str, str]]:
        return [e["data"] for e in self.sink.events() if e["data"]["person"] == person]

    def way(self, person: str) -> str:
        """Return the path of the link that somebody got first."""
        return self.to(person)[0]["answer"].removeprefix("http://127.0.0.1:8470")

    def unanswered(self) -> list[str]:
        found = self.service.recorder.state.alarms.values()
        return [a.id for a in found if a.state is State.ACTIVE_UNACKNOWLEDGED and a.incident]


@asynccontextmanager
async def told(folder: Path) -> AsyncIterator[Told]:
    sink = WebSink()
    await sink.start()
    try:
        async with opened(folder, MORE.format(url=sink.url)) as (service, client):
            jobs = (service.recorder.run(), service.recorder.tick(), service.office.run())
            running = [asyncio.create_task(job) for job in jobs]
            try:
                here = Told(service, client, sink)
                await lit(service)
                async with asyncio.timeout(30):
                    while not (here.to("R. Haugen") and here.to("S. Moe")):
                        await pass_s(service, 1.0)
                yield here
            finally:
                for task in running:
                    task.cancel()
                await asyncio.gather(*running, return_exceptions=True)
    finally:
        await sink.stop()


async def pass_s(service: Service, seconds: float) -> None:
    """Let time pass for the service, and a moment for its sockets."""
    assert isinstance(service.clock, TurnedClock)
    await service.clock.advance(seconds)
    await asyncio.sleep(0.02)


async def lit(service: Service) -> None:
    """Have unit A1 lose its mains."""
    for volts, source in [(230.0, OutputSource.NORMAL)] + [(0.0, OutputSource.BATTERY)] * 4:
        lines = tuple(InputLine(n, 50.0, volts) for n in (1, 2, 3))
        output = OutputReading(source, 50.0, tuple(OutputLine(n, 230.0, 10.0, 2000.0) for n in (1, 2, 3)))
        await service.recorder.queue.put(
            Reading("A1", stamp(service.clock), input=InputReading(lines=lines), output=output)
        )
        await pass_s(service, 2.0)


async def test_an_answer_acknowledges_all_of_it_and_tells_the_others_who_has_it(tmp_path: Path) -> None:
    async with told(tmp_path) as here:
        assert here.unanswered()
        assert here.way("R. Haugen") != here.way("S. Moe")
        page = await here.client.get(here.way("R. Haugen"))
        assert page.status_code == 200
        assert "Nobody has said yet that they have it." in page.text
        assert f"As of {here.service.clock.now():%H:%M:%S}:" in page.text, (
            "the age of what it says stands beside it"
        )
        assert len(page.content) + len(ANSWER_STYLES.body) < 5_000
        assert page.headers["cache-control"] == "no-store"
        assert here.unanswered(), "a link that is only followed changes nothing"

        done = await here.client.post(here.way("R. Haugen"), data={"minutes": "20", "note": "call the desk"})
        assert done.status_code == 303, done.text
        assert here.unanswered() == []
        after = await here.client.get(here.way("S. Moe"))
        assert "R. Haugen has it since" in after.text
        there = here.service.clock.now() + timedelta(minutes=20)
        async with asyncio.timeout(30):
            while len(here.to("S. Moe")) < 2:
                await pass_s(here.service, 1.0)
        said = here.to("S. Moe")[-1]["what"]
        assert said.startswith(f"R. Haugen has it, on the way, there by {there:%H:%M}: call the desk: ")
        assert here.to("S. Moe")[-1]["answer"] is None
        assert len(here.to("R. Haugen")) == 1, "who has it knows it"
        events = (await here.client.get("/v1/events?limit=100")).json()["items"]
        lines = [line for line in events if line["kind"] == "taken_on"]
        assert [line["asked"]["who"] for line in lines] == ["R. Haugen"]
        assert lines[0]["asked"]["means"].startswith("by the link ")


async def test_a_link_answers_once_and_only_as_it_was_sent(tmp_path: Path) -> None:
    async with told(tmp_path) as here:
        way = here.way("R. Haugen")
        wrong = await here.client.post(way, data={"minutes": "soon"})
        assert (wrong.status_code, "want a whole number" in wrong.text) == (422, True)
        assert here.unanswered(), "what was not understood changes nothing"
        both = await asyncio.gather(*(here.client.post(way, data={"note": ""}) for _ in range(2)))
        assert sorted(one.status_code for one in both) == [303, 409]
        assert "answered by this link already" in (await here.client.post(way, data={"note": ""})).text
        for other in (way[:-1], way + "A", "/answer/x.y", "/answer/" + "A" * 2000):
            assert (await here.client.get(other)).status_code == 404
            assert (await here.client.post(other, data={"note": ""})).status_code == 404
        # somebody else's link still answers: they may come too
        assert (await here.client.post(here.way("S. Moe"), data={"note": ""})).status_code == 303


async def test_over_http_an_incident_is_taken_on_and_what_is_over_is_not(tmp_path: Path) -> None:
    async with told(tmp_path) as here:
        (incident,) = {data["incident"] for data in here.to("S. Moe")}
        way = f"/v1/incidents/{incident}/take-on"
        taken = (await here.client.post(way, json={"by": "K. Lind", "note": "from the desk"})).json()
        assert (taken["by"], taken["note"], taken["acknowledged"] > 0) == ("K. Lind", "from the desk", True)
        assert here.unanswered() == []
        async with asyncio.timeout(30):
            while not all(len(here.to(name)) > 1 for name in ("R. Haugen", "S. Moe")):
                await pass_s(here.service, 1.0)
        nowhere = await here.client.post("/v1/incidents/none-1/take-on", json={"by": "K. Lind"})
        assert nowhere.status_code == 404


async def test_no_store_and_no_interface_shows_a_link(tmp_path: Path) -> None:
    async with told(tmp_path) as here:
        token = here.way("R. Haugen").rpartition("/")[2]
        for asked in ("/v1/messages", "/v1/events", "/v1/incidents", "/alarms"):
            assert token not in (await here.client.get(asked)).text
        await here.client.post(here.way("R. Haugen"), data={"note": ""})
        kept = b"".join(path.read_bytes() for path in (tmp_path / "data").rglob("*.sqlite*"))
        assert token.encode() not in kept
