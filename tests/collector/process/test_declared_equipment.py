"""Different equipment at an address clears once somebody records the replacement, and not before."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from collector.assessment.equipment import units_replaced
from collector.configuration import load_text
from collector.process.clock import TurnedClock, stamp
from collector.service.service import Service
from collector.storage.ledger.records import EquipmentEvent
from rules.monitor.inputs import EquipmentDeclared
from rules.plant.reading import Nameplate, Reading
from tests.api.test_service_http import ESTATE, SECRETS

START = datetime(2026, 3, 1, 12, tzinfo=UTC)
PLATE = Nameplate(manufacturer="Old", model="M 20", ups_software="1", agent_software="1", rating_va=20000.0)


async def test_a_recorded_replacement_clears_the_alarm(tmp_path: Path) -> None:
    secrets = tmp_path / "secrets.toml"
    secrets.write_text(SECRETS, "utf-8")
    secrets.chmod(0o600)
    clock = TurnedClock(START)
    async with Service(load_text(ESTATE, tmp_path / "estate.toml"), tmp_path / "data", clock) as service:

        async def read(plate: Nameplate) -> None:
            for _ in range(30):
                await service.recorder.process([Reading("A1", stamp(clock), nameplate=plate)])
                await clock.advance(5.0)

        await read(PLATE)
        await read(replace(PLATE, model="M 30", rating_va=30000.0))
        alarm = service.present.alarms["different_equipment:A1"]
        assert alarm.state.active
        assert await units_replaced(service.present.alarms.values(), service.ledger) == ()
        async with service.ledger.transaction() as tx:
            tx.add_equipment(EquipmentEvent(clock.now(), "replaced", "A1", "A. Person", clock.now()))
        for unit in await units_replaced(service.present.alarms.values(), service.ledger):
            await service.recorder.process([EquipmentDeclared(stamp(clock), unit)])
        await read(replace(PLATE, model="M 30", rating_va=30000.0))
        after = service.present.alarms.get("different_equipment:A1")
        assert after is None or not after.state.active
