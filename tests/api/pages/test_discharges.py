"""The discharges of a bank as pages: each with what came of it, its plots, and nothing drawn that was not read."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

from api.pages.banks.discharges import discharge_page, discharges_page, way_to
from api.pages.markup.frame import document
from api.pages.sheets.bank_sheet import bank_page
from collector.read_model.answers import DischargeRow, ExpectedDischarge
from collector.storage.ledger.discharge_record import to_evidence
from rules.battery.discharge.expected import Beside, ExpectedCourse
from rules.values.code import Code
from rules.values.reason import reason
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
    deep = document(sheet, discharge_page(sheet, bank.id, one, None))
    assert "Volts" in words(deep)
    assert "supply back" in words(deep)
    lost = document(sheet, discharge_page(sheet, bank.id, replace(one, ended_how="output_lost"), None))
    assert "output lost" in words(lost)
    assert "supply back" not in words(lost)
    assert len(deep.encode()) < 60_000


def test_what_is_odd_about_a_record_is_said_beside_what_it_showed_and_why_nothing_can_be_told() -> None:
    sheet = samples.short()
    state = next(b for b in sheet.banks if any(d.capacity_fraction is not None for d in b.discharges))
    place = next(k for k, d in enumerate(state.discharges) if d.capacity_fraction is not None)
    one = replace(record(1, 900), bank=state.id, at=state.discharges[place].at - timedelta(seconds=119))

    def told(**changes: Any) -> tuple[str, str]:
        shown = list(state.discharges)
        shown[place] = replace(shown[place], **changes)
        odd = replace(state, discharges=tuple(shown))
        there = replace(sheet, banks=tuple(odd if b.id == state.id else b for b in sheet.banks))
        page = bank_page(there, state.id)
        assert page is not None
        return (
            words(document(there, discharges_page(there, state.id, [one], "mark"))),
            words(document(there, page)),
        )

    zero, stands = reason(Code.LOG_CURRENT_ZERO), reason(Code.LOG_VOLTAGE_STANDS, volts=491.0)
    for text in told(because=(zero,)):
        assert "Current stands at 0 beside output power: not believed." in text
    for text in told(
        because=(zero, stands), capacity_fraction=None, low=None, high=None, depth_fraction=None
    ):
        assert (
            "Cannot tell: the voltage stands at 491 V throughout: see whether the card refreshes it." in text
        )


def test_a_gap_of_the_record_is_a_gap_of_the_plot_and_the_deepest_volt_is_not_lost() -> None:
    sheet = samples.short()
    bank = sheet.banks[0].id
    rows = [DischargeRow(float(t), 480.0, None, None, None, True) for t in range(1200) if not 400 <= t < 700]
    rows[300] = replace(rows[300], voltage_v=401.0)
    one = replace(record(1, 5), bank=bank, rows=tuple(rows), ended_after_s=1198.0, ended_s=1199.0)
    html = document(sheet, discharge_page(sheet, bank, one, None))
    text = words(html)
    assert "not read for" in html
    assert "Volts, V, of the bank; volts: 401 to 480" in html
    assert "The longest time without a reading was" in text
    assert "Power" not in text  # nothing of it was read


def expected(beside: Beside, read_v: float = 430.0) -> ExpectedDischarge:
    course = ExpectedCourse(
        t_s=(10.0, 600.0, 899.0),
        low_v=(470.0, 460.0, 440.0),
        median_v=(480.0, 470.0, 450.0),
        high_v=(490.0, 480.0, 460.0),
        read_v=read_v,
        beside=beside,
    )
    return ExpectedDischarge(course, 5300.0)


def test_what_was_read_stands_beside_what_was_expected() -> None:
    sheet = samples.short()
    one = replace(record(1, 900), bank=sheet.banks[0].id)
    html = document(sheet, discharge_page(sheet, one.bank, one, expected(Beside.UNDER)))
    text = words(html)
    assert "430 V at its end, under the 440 to 460 V expected." in text
    assert "expected: 440 to 460 at the end" in html  # for those who cannot see the drawing
    assert "just before 5.3" in text
    assert html.count('class="fan"') == 1
    html = document(sheet, discharge_page(sheet, one.bank, one, expected(Beside.WITHIN, 450.0)))
    assert "450 V at its end, within the 440 to 460 V expected." in words(html)
    html = document(sheet, discharge_page(sheet, one.bank, one, None))
    assert "still being reckoned" in words(html)
    html = document(sheet, discharge_page(sheet, one.bank, one, ExpectedDischarge(None, None)))
    assert "Too little was drawn" in words(html)
    assert 'class="fan"' not in html


def test_the_recharge_of_hours_does_not_squeeze_a_discharge_of_minutes() -> None:
    sheet = samples.short()
    bank = sheet.banks[0].id
    on = [DischargeRow(10.0 * n, 480.0 - n, 10.0, 25.0, 5000.0, True) for n in range(1, 40)]
    back = [DischargeRow(400.0 + 900.0 * n, 540.0, -2.0, 25.0, 5000.0, False) for n in range(20)]
    rest = DischargeRow(0.0, 545.0, 0.0, 25.0, 5000.0, False)
    one = replace(
        record(1, 5), bank=bank, rows=(rest, *on, *back), started_s=10.0, ended_after_s=390.0, ended_s=400.0
    )
    html = document(sheet, discharge_page(sheet, bank, one, None))
    assert "not read for" not in html  # nothing of it was missed
    assert "Volts, V, of the bank; volts: 441 to 545" in html


async def test_what_was_expected_is_served_as_json_too(tmp_path: Path) -> None:
    async with opened(tmp_path, BANK) as (service, client):
        async with service.ledger.transaction() as tx:
            tx.save_evidence(to_evidence(record(1, 900)))
        found = await client.get("/v1/banks/A1-bank/discharges/A1-bank-outage-1/expected")
        assert (found.status_code, found.json()["volts"]) == (200, None)  # none of its units was read yet
        assert (await client.get("/v1/banks/A1-bank/discharges/none/expected")).status_code == 404
        assert (await client.get("/v1/banks/none/discharges/none/expected")).status_code == 404


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
