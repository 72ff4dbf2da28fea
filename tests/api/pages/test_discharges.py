"""The discharges of a bank as pages: each with what came of it, its plots, and nothing drawn that was not read."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from api.pages.banks.discharges import discharge_page, discharges_page, way_to
from api.pages.markup.frame import document
from collector.read_model.answers import DischargeRow
from collector.storage.ledger.discharge_record import to_evidence
from tests.api.pages import samples
from tests.api.pages.sheets.test_registry import check
from tests.api.test_looking_back import BANK, record
from tests.api.test_service_http import opened


def words(html: str) -> str:
    found = check(html)
    assert (found.faults, found.open, found.unnamed) == ([], [], [])
    return " ".join("".join(found.text).split())


def test_a_judged_discharge_says_what_it_showed_and_another_that_it_was_only_seen() -> None:
    sheet = samples.short()
    bank = next(b for b in sheet.banks if any(d.capacity_fraction is not None for d in b.discharges))
    judged = next(d for d in bank.discharges if d.capacity_fraction is not None)
    # its record begins with the rest before it
    one = replace(record(1, 900), bank=bank.id, at=judged.at - timedelta(seconds=119))
    other = replace(one, id="other", at=judged.at - timedelta(days=9), ended_s=None, ended_how=None)
    text = words(document(sheet, discharges_page(sheet, bank.id, [one, other], "mark-2")))
    assert f"Judged {round(100 * (judged.capacity_fraction or 0))} %" in text
    assert "14:59, then the supply came back" in text
    assert "it goes on" in text
    assert "Seen, not judged." in text
    deep = document(sheet, discharge_page(sheet, bank.id, one))
    assert "Volts" in words(deep)
    assert "supply back" in words(deep)
    lost = document(sheet, discharge_page(sheet, bank.id, replace(one, ended_how="output_lost")))
    assert "output lost" in words(lost)
    assert "supply back" not in words(lost)
    assert len(deep.encode()) < 60_000


def test_a_gap_of_the_record_is_a_gap_of_the_plot_and_the_deepest_volt_is_not_lost() -> None:
    sheet = samples.short()
    bank = sheet.banks[0].id
    rows = [DischargeRow(float(t), 480.0, None, None, None, True) for t in range(1200) if not 400 <= t < 700]
    rows[300] = replace(rows[300], voltage_v=401.0)
    one = replace(record(1, 5), bank=bank, rows=tuple(rows), ended_s=1199.0)
    html = document(sheet, discharge_page(sheet, bank, one))
    text = words(html)
    assert "h-loose" in html
    assert "Volts, V, of the bank; volts: 401 to 480" in html
    assert "The longest time without a reading was" in text
    assert "Power" not in text  # nothing of it was read


async def test_the_pages_are_served_and_lead_to_each_other(tmp_path: Path) -> None:
    async with opened(tmp_path, BANK) as (service, client):
        async with service.ledger.transaction() as tx:
            for number in range(1, 43):
                tx.save_evidence(to_evidence(record(number, 60)))
        first = await client.get(way_to("A1-bank"))
        assert first.status_code == 200
        assert way_to("A1-bank", "A1-bank-outage-1") in first.text
        older = first.text.split('href="/banks/A1-bank/discharges?after=')[1].split('"')[0]
        rest = await client.get(f"{way_to('A1-bank')}?after={older}")
        assert rest.text.count("then the supply came back") == 2
        one = await client.get(way_to("A1-bank", "A1-bank-outage-1"))
        assert (one.status_code, "Its rows, as JSON" in one.text) == (200, True)
        assert (await client.get(way_to("A1-bank", "none"))).status_code == 404
        assert (await client.get("/banks/none/discharges")).status_code == 404
