"""Every answer in JSON has an example in the reference, and it is what is answered."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
import jsonschema_rs

from collector.process.clock import stamp
from collector.storage.ledger.access import digest
from collector.storage.ledger.discharge_record import to_evidence
from collector.storage.ledger.records import AccessToken, Outgoing
from rules.plant.reading import (
    BatteryReading,
    InputLine,
    InputReading,
    OutputLine,
    OutputReading,
    OutputSource,
    Reading,
)
from tests.api import test_plans as planning
from tests.api.access.door import Door, house
from tests.api.examples import held, schema_of
from tests.api.http.test_shutdown_body import asking
from tests.api.pages import samples
from tests.api.test_looking_back import BANK, record, steps
from tests.api.test_service_http import an_outage


class Asked:
    """Asks, and holds what comes against the kept examples."""

    def __init__(self, client: httpx.AsyncClient) -> None:
        self.client = client
        self.faults: list[str] = []

    async def get(self, path: str, asked: str | None = None) -> Any:
        return self._take("GET", path, await self.client.get(asked or path))

    async def post(
        self, path: str, asked: str, headers: dict[str, str] | None = None, /, **body: object
    ) -> Any:
        return self._take("POST", path, await self.client.post(asked, json=body, headers=headers))

    def _take(self, method: str, path: str, answer: httpx.Response) -> Any:
        assert answer.status_code in {200, 202}, (method, path, answer.text)
        made = answer.json()
        jsonschema_rs.validate(schema_of(method, path), made, validate_formats=True)
        self.faults += held(method, path, made)
        return made


def read(door: Door, volts: float, source: OutputSource) -> Reading:
    lines = tuple(InputLine(n, 50.0, volts) for n in (1, 2, 3))
    output = OutputReading(source, 50.0, tuple(OutputLine(n, 230.0, 10.0, 2000.0, 33.0) for n in (1, 2, 3)))
    battery = BatteryReading(voltage_v=480.0, current_a=12.0, temperature_c=22.0)
    return Reading("A1", stamp(door.clock), battery=battery, input=InputReading(lines=lines), output=output)


async def taken(door: Door, sample: Reading) -> None:
    """Hand on a reading; return once it is kept and shown, ten seconds later."""
    before = door.service.recorder.batches
    await door.service.recorder.queue.put(sample)
    await door.clock.advance(10.0)
    async with asyncio.timeout(60):
        while door.service.recorder.batches == before:  # noqa: ASYNC110 - it tells nobody
            await asyncio.sleep(0.005)


async def test_what_a_running_service_answers_is_what_the_reference_shows(tmp_path: Path) -> None:
    async with house(tmp_path, more=BANK) as door:
        service = door.service
        await steps(service)
        async with service.ledger.transaction() as tx:
            for number in (1, 2):
                tx.save_evidence(to_evidence(record(number, 5)))
            tx.enqueue(letter(door))
        now = door.clock.now()
        token = AccessToken(
            "0a1b2c3d", "night round", "look", digest("s3cret"), now, now + timedelta(days=90)
        )
        await service.access.save_token(token, "A token was made.")
        recording = asyncio.create_task(service.recorder.run())
        try:
            ask = Asked(await door.signed_in("ruth"))
            await outage(door, ask)
            await of_the_plant(door, ask)
            await acts(ask, (now + timedelta(hours=8)).isoformat())
        finally:
            recording.cancel()
            await asyncio.gather(recording, return_exceptions=True)
        mark = "/v1/incidents/{incident}/mark"
        await ask.post(mark, mark.format(incident=await an_outage(service)), source="generator")
    assert ask.faults == []


def letter(door: Door) -> Outgoing:
    now = door.clock.now()
    body = {"person": "R. Haugen", "what": "Unit A1 of Hall is on battery."}
    return Outgoing(
        "m-1", "desk", "desk@site.example", "power-mains-1", now, now, True, "power-mains-1", body=body
    )


async def outage(door: Door, ask: Asked) -> None:
    """Have the mains fail for 70 s; somebody takes it on meanwhile."""
    course = [(230.0, OutputSource.NORMAL), *[(0.0, OutputSource.BATTERY)] * 7, (230.0, OutputSource.NORMAL)]
    for number, (volts, source) in enumerate(course):
        await taken(door, read(door, volts, source))
        if number == 6:
            (there,) = (await ask.client.get("/v1/incidents")).json()["items"]
            incident = there["id"]
            await ask.post(
                "/v1/incidents/{incident}/take-on", f"/v1/incidents/{incident}/take-on", note="on my way"
            )
            await ask.get("/v1/alarms")
            await ask.get("/v1/alarms/{alarm}", "/v1/alarms/on_battery:A1")


async def of_the_plant(door: Door, ask: Asked) -> None:
    """Ask what stands, and what was."""
    present = door.service.present
    present.banks["A1-bank"] = replace(samples.banks()[0], id="A1-bank")
    present.systems["A"] = replace(samples.control_state(door.clock.now()), id="A", name="Hall")
    poller = door.service.recorder.pollers["N1"]
    poller.figures.answered, poller.figures.silent_since = 1, None
    for path in (
        "/health/live", "/health/ready", "/v1/systems", "/v1/units", "/v1/banks", "/v1/on-call", "/v1/generators", "/v1/users",
        "/v1/tokens", "/v1/first-steps", "/v1/sites", "/v1/alarms/quality", "/v1/incidents", "/v1/messages",
    ):  # fmt: skip
        await ask.get(path)
    for path, asked in (
        ("/v1/events", "/v1/events?about=A1"),
        ("/v1/systems/{system}", "/v1/systems/A"),
        ("/v1/systems/{system}/runtime", "/v1/systems/A/runtime"),
        ("/v1/systems/{system}/load/percentiles", "/v1/systems/A/load/percentiles"),
        ("/v1/units/{unit}", "/v1/units/A1"),
        ("/v1/units/{unit}/history", "/v1/units/A1/history?quantity=output_power_w&line=1&points=300"),
        ("/v1/units/{unit}/percentiles", "/v1/units/A1/percentiles?quantity=output_power_w&line=1"),
        ("/v1/banks/{bank}", "/v1/banks/A1-bank"),
        ("/v1/banks/{bank}/discharges", "/v1/banks/A1-bank/discharges?limit=2"),
        ("/v1/banks/{bank}/discharges/{record}", "/v1/banks/A1-bank/discharges/A1-bank-outage-1?limit=3"),
        (
            "/v1/banks/{bank}/discharges/{record}/expected",
            "/v1/banks/A1-bank/discharges/A1-bank-outage-1/expected",
        ),
        ("/v1/generators/{generator}", "/v1/generators/set"),
    ):
        await ask.get(path, asked)


async def acts(ask: Asked, until: str) -> None:
    """Do what people and programs do."""
    alarm, known = "/v1/alarms/{alarm}", "/v1/alarms/on_battery:A1"
    await ask.post(f"{alarm}/note", f"{known}/note", note="fuse 7")
    await ask.post(f"{alarm}/shelve", f"{known}/shelve", until=until, note="switching")
    await ask.post(f"{alarm}/unshelve", f"{known}/unshelve")
    await ask.post(f"{alarm}/out-of-service", f"{known}/out-of-service", note="at work")
    await ask.post(f"{alarm}/return-to-service", f"{known}/return-to-service")
    work = "/v1/systems/{system}/work"
    await ask.post(work, work.format(system="A"), unit="A1", until=until, note="fans")
    await ask.get(work, work.format(system="A"))
    await ask.post(work + "/{unit}/close", f"{work.format(system='A')}/A1/close", note="done")
    log = "t_s,bank_voltage_v,bank_current_a\n" + "".join(f"{60 * n},{500 - n},20\n" for n in range(12))
    tests = "/v1/banks/{bank}/past-tests"
    await ask.post(tests, tests.format(bank="A1-bank"), at="2026-02-01T10:00:00Z", csv=log)
    told = "/v1/generators/{generator}/state"
    site = {"Authorization": "Bearer let-me-tell", "Cookie": ""}
    await ask.post(told, told.format(generator="set"), site, running=True, carries=True)
    await ask.post("/v1/users/{user}/sign-out", "/v1/users/lena/sign-out")
    await ask.post("/v1/tokens/{token}/revoke", "/v1/tokens/0a1b2c3d/revoke")


async def test_what_plans_are_answered_is_what_the_reference_shows(tmp_path: Path) -> None:
    async with planning.site(tmp_path / "data") as here:
        ask = Asked(here.client)
        rows = "/v1/systems/{system}"
        body = {"outages": [{"from_s": 0, "for_s": 7200}], "sheds": [{"group": "lab", "at_s": 60}]}
        await ask.post(rows + "/ridethrough", "/v1/systems/A/ridethrough", **body)
        for path, query in (
            ("shedding", "wanted_s=100000"),
            ("isolation", ISOLATION),
            ("size", "required_s=600"),
            ("margin", ""),
        ):
            await ask.get(f"{rows}/{path}", f"/v1/systems/A/{path}?{query}")
        await ask.get("/v1/programme", "/v1/programme?budget_month=4")
        made = await ask.post("/v1/ridethrough", "/v1/ridethrough")
        await asyncio.sleep(0)
        ride = "/v1/ridethrough/{ride}"
        await ask.get(ride, ride.format(ride=made["id"]))
    assert ask.faults == []


ISOLATION = "unit=A1&from=2026-11-25T08:00:00Z&until=2026-11-25T10:00:00Z"


async def test_what_a_signed_shutdown_answers_is_what_the_reference_shows(tmp_path: Path) -> None:
    async with asking(tmp_path) as here:
        ask = Asked(here.client)
        plans, one = "/v1/systems/{system}/plans", "/v1/systems/A/plans"
        made = await ask.post(
            plans, one, by="R. Haugen", starts_at="2026-11-24T12:10:00Z", lasts_s=300.0, generator=False
        )
        await ask.get(plans, one)
        await ask.get(plans + "/{plan}", f"{one}/{made['id']}")
        await ask.post(
            plans + "/{plan}/withdraw", f"{one}/{made['id']}/withdraw", by="R. Haugen", note="rain"
        )
    assert ask.faults == []
