"""A maker's table pasted at a bank: checked, tried on the system as it was read, and given back as a line; nothing is kept."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import pytest

from api.http.json import to_bytes
from api.pages.banks.table_trial import table_page
from api.pages.markup.frame import document
from collector.assessment.bank_evidence import BankEvidenceBook
from collector.assessment.hold_up import Judging
from collector.assessment.worker import Worker
from collector.planning.table_trial import TableRefused, TableTrials, TriedTable
from collector.process.clock import TurnedClock, stamp
from collector.recorder.current_state import Present
from collector.storage.history.store import HistoryStore
from collector.storage.ledger import Ledger
from rules.plant.estate import Estate
from rules.system.observation import SystemView, glance
from tests.api.examples import held
from tests.api.pages import samples
from tests.api.pages.sheets.test_registry import check
from tests.api.test_past_tests import BANK
from tests.api.test_plans import AtOnce
from tests.api.test_service_http import opened
from tests.collector.assessment.test_bank_evidence import NoHistory
from tests.rules.sample_plants import NOON, estate, reading

TABLE = "5 66\n10 43\n15 33\n30 19.5\n60 11.2"


async def told(_judged: object) -> None:
    """Take a judgement, which nobody asks for here."""


@asynccontextmanager
async def trials(folder: Path) -> AsyncIterator[tuple[TableTrials, Estate]]:
    """Yield trials at a system of two whose banks have a rated capacity and no table, and the estate."""
    plant = estate(2)
    bare = {
        name: replace(
            bank,
            fitted=tuple(
                replace(f, constant_power=(), rated_capacity_ah=9.0, rated_hours=20.0) for f in bank.fitted
            ),
        )
        for name, bank in plant.banks.items()
    }
    plant = replace(plant, banks=bare)
    clock = TurnedClock(NOON)
    now = stamp(clock)
    readings = {n: replace(reading(n, (2000.0,) * 3), stamp=now, card_alarms=()) for n in ("A1", "A2")}
    view = SystemView(plant, "A", readings, {}, now)
    present = Present(plant, readings=dict(readings))
    worker = cast("Worker", AtOnce())
    async with Ledger(folder / "ledger.sqlite") as ledger:
        book = BankEvidenceBook(plant, ledger, cast("HistoryStore", NoHistory()), present)
        judging = Judging(plant, worker, clock, present, told)
        for one in readings.values():
            judging.carry(one)
        judging.look(view, glance(view))
        yield TableTrials(plant, worker, clock, judging, book), plant


async def test_a_table_is_tried_at_every_bank_of_the_type_and_gives_another_time(tmp_path: Path) -> None:
    async with trials(tmp_path) as (made, plant):
        bank = next(iter(plant.banks))
        plain = await made.tried(bank, TABLE, None)
        stronger = await made.tried(bank, "5 80\n10 55\n15 43\n30 26\n60 15", None)
        assert set(plain.banks) == set(plant.banks)
        assert plain.line == "constant_power = [[5, 66], [10, 43], [15, 33], [30, 19.5], [60, 11.2]]"
        assert plain.then.now.median_s is not None
        assert stronger.then.now.median_s is not None
        assert stronger.then.now.median_s > 1.15 * plain.then.now.median_s
        assert plain.then.unproven  # a table is no discharge
        with pytest.raises(TableRefused, match="fewer watts at 10 minutes"):
            await made.tried(bank, "5 66\n10 70", None)
        per_block = await made.tried(bank, "5 396\n10 258\n15 198\n30 117\n60 67.2", None, per_block=True)
        assert (per_block.line, per_block.then) == (plain.line, plain.then)
        assert all(not fitted.constant_power for b in plant.banks.values() for fitted in b.fitted)


def words(html: str) -> str:
    found = check(html)
    assert (found.faults, found.open, found.unnamed) == ([], [], [])
    return " ".join("".join(found.text).split())


def test_the_page_sets_what_would_be_said_beside_what_is_said_and_gives_the_line() -> None:
    sheet = samples.short()
    bank = sheet.banks[0].id
    state = sheet.systems[0]
    tried = TriedTable(
        bank, state.id, "Fern 12", (bank, "2"), "constant_power = [[5, 66], [10, 43]]", state.hold_up,
        replace(state.hold_up, unproven=(bank,)),
    )  # fmt: skip
    assert held("GET", "/v1/banks/{bank}/table", json.loads(to_bytes(tried))) == []
    html = document(sheet, table_page(sheet, bank, TABLE, tried))
    text = words(html)
    assert "constant_power = [[5, 66], [10, 43]]" in text
    assert f"below [[bank.fitted]] of {bank} and 2" in text
    assert "With this table" in text
    assert "the wear of the blocks is not known by it" in text
    assert TABLE in html  # what was pasted stands in its field
    refused = words(document(sheet, table_page(sheet, bank, "<b>", None, "It is not taken: no.")))
    assert "It is not taken: no." in refused
    assert "With this table" not in refused


async def test_the_form_and_the_interface_say_what_is_wrong_and_who_is_not_known(tmp_path: Path) -> None:
    async with opened(tmp_path, BANK) as (_, client):
        asked: dict[str, Any] = {"table": "5 66\n10 70"}
        page = await client.get("/banks/B1/table", params=asked)
        assert (page.status_code, "fewer watts at 10 minutes" in page.text) == (200, True)
        empty = (await client.get("/banks/B1/table")).text
        assert "per block, which here is 6 cells" in empty
        asked_per = {"table": TABLE.replace("66", "66.5"), "per": "block"}
        assert 'value="block" selected' in (await client.get("/banks/B1/table", params=asked_per)).text
        assert (await client.get("/banks/none/table")).status_code == 404
        answer = await client.get("/v1/banks/B1/table", params=asked)
        assert (answer.status_code, "fewer watts at 10 minutes" in answer.json()["detail"]) == (422, True)
        assert (
            await client.get("/v1/banks/B1/table", params={"table": TABLE})
        ).status_code == 503  # nothing was read
        assert (await client.get("/v1/banks/none/table", params=asked)).status_code == 404
