"""What a command makes of a data folder whose readings are at an InfluxDB server."""

from dataclasses import replace
from pathlib import Path

import pytest

from collector.cards.mib.interpretation import CardMeaning
from collector.configuration import load
from collector.configuration.history_server import history_server
from collector.read_model.stored import StoredEstate
from collector.storage.data_folder import LEDGER_FILE, SPOOL_FILE
from collector.storage.database import make_folder
from collector.storage.history.influx.access import InfluxPlace
from collector.storage.history.influx.store import InfluxHistory
from collector.storage.ledger import Ledger
from tests.api.commands.reports.test_plan import ESTATE, carrying


@pytest.mark.real_server
async def test_a_plan_is_played_on_the_servers_readings_and_on_those_that_wait_for_it(
    tmp_path: Path, place: InfluxPlace
) -> None:
    configuration = load(Path(ESTATE))
    table = configuration.history.model_copy(
        update={"store": "influxdb", "url": place.url, "database": place.bucket}
    )
    configuration = replace(configuration, history=table)
    make_folder(tmp_path / "data")
    async with Ledger(tmp_path / "data" / LEDGER_FILE):
        pass
    meaning = CardMeaning(lambda _: None)
    server = history_server(configuration)
    assert server is not None
    running = InfluxHistory(tmp_path / "data" / SPOOL_FILE, server, meaning)
    await running.append([carrying("core-1")])
    await running.send()
    await running.append([carrying("core-2")])  # which waits
    async with StoredEstate(configuration, tmp_path / "data") as kept:
        assert set(kept.present.readings) == {"core-1", "core-2"}
        basis = await kept.basis("core")
    assert basis.task.asked is not None
    assert sum(basis.task.asked.power_w.values()) == pytest.approx(9000.0)
    assert await running.waiting() == 1  # nobody but the collector sends it
    await running.close()
