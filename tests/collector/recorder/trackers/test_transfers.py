"""Calls on the banks through the whole line of the recorder: the journal, the state, the alarm, a restart."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from rules.alarms.lifecycle.states import State
from rules.plant.reading import OutputSource
from rules.system.state import FindingKind
from tests.collector.scripted import Scripted, scripted
from tests.rules.sample_plants import NOON, estate, reading

BANK = OutputSource.BATTERY


async def called(site: Scripted, *units: str) -> None:
    """Put units on their banks, in one reading."""
    site.says |= {u: reading(u, source=BANK) for u in units}
    await site.read(every_s=5.0)


def alarm_state(site: Scripted) -> State:
    return site.recorder.state.alarms["late_back:A"].state


async def back(site: Scripted, *units: str) -> None:
    site.says |= {u: reading(u) for u in units}
    await site.read(every_s=5.0)


async def test_a_unit_late_back_is_a_line_of_the_journal_and_stands_until_the_next_call(
    tmp_path: Path,
) -> None:
    async with scripted(estate(2), tmp_path, NOON) as site:
        await site.go(10)
        await called(site, "A1", "A2")
        await back(site, "A1")
        await site.go(35)
        await back(site, "A2")  # 40 s after A1; its hold-off of 10 s and 10 s of grace are allowed
        assert await site.journal("unit_late_back") == ["Unit A2 came back 40 s after A1; 20 s are allowed."]
        state = site.recorder.state.systems["A"]
        assert [f.about for f in state.findings if f.kind is FindingKind.LATE_BACK] == ["A2"]
        await site.go(130)
        assert alarm_state(site) is State.ACTIVE_UNACKNOWLEDGED
        assert "still_on_battery:A2" not in site.recorder.state.alarms, "40 s are under its delay"

        await called(site, "A1", "A2")
        await back(site, "A1", "A2")
        await site.read()
        assert site.recorder.state.systems["A"].findings == ()
        assert alarm_state(site) is State.LATCHED


async def test_a_call_under_way_goes_on_after_a_kill(tmp_path: Path) -> None:
    async with scripted(estate(2), tmp_path, NOON) as site:
        await called(site, "A1", "A2")
        await back(site, "A1")
        begun = site.clock.now()
        says = site.says
    async with scripted(estate(2), tmp_path, begun + timedelta(seconds=10), says) as site:
        await site.go(20)
        await back(site, "A2")
        assert await site.journal("unit_late_back") == ["Unit A2 came back 35 s after A1; 20 s are allowed."]


async def test_what_the_last_call_showed_is_known_after_a_kill(tmp_path: Path) -> None:
    async with scripted(estate(2), tmp_path, NOON) as site:
        await called(site, "A1", "A2")
        await back(site, "A1")
        await site.go(35)
        await back(site, "A2")
        found = site.recorder.trackers.transfers.found("A")
        now = site.clock.now()
    async with scripted(estate(2), tmp_path, now) as site:
        assert site.recorder.trackers.transfers.found("A") == found
        assert [f.about for f in found] == ["A2"]


async def test_the_line_belongs_to_the_outages_incident(tmp_path: Path) -> None:
    async with scripted(estate(2), tmp_path, NOON) as site:
        await site.go(10)
        await called(site, "A1", "A2")
        await site.go(10)
        await back(site, "A1")
        await site.go(35)
        await back(site, "A2")
        page = await site.ledger.events(limit=200)
        line = next(one for one in page.items if one.kind == "unit_late_back")
        assert line.incident == "power-mains-1"


TEN = tuple(f"A{n}" for n in range(1, 11))


async def notices_of_a_storm(folder: Path, *, late_s: float, apart: bool) -> list[tuple[str | None, str]]:
    """Return the notices of an outage of ten units, with their incidents: one back late, or one apart meanwhile."""
    odd = 0.5 if apart else 0.95
    async with scripted(estate(10), folder, NOON) as site:
        await site.go(30)
        site.says |= {u: reading(u, source=BANK, power_factor=odd if u == "A3" else 0.95) for u in TEN}
        await site.go(100)
        site.says |= {u: reading(u) for u in TEN if u != "A7"}
        await site.go(late_s)
        site.says["A7"] = reading("A7")
        await site.go(300)
        page = await site.ledger.events(limit=1000)
        return [(one.incident, one.text) for one in reversed(page.items) if one.kind.startswith("incident_")]


@pytest.mark.slow
async def test_what_sets_units_apart_swells_no_storm(tmp_path: Path) -> None:
    folders = [tmp_path / name for name in ("plain", "apart", "late")]
    for folder in folders:
        folder.mkdir()
    plain = await notices_of_a_storm(folders[0], late_s=0.0, apart=False)
    assert await notices_of_a_storm(folders[1], late_s=0.0, apart=True) == plain
    late = await notices_of_a_storm(folders[2], late_s=85.0, apart=False)
    beside = [text for incident, text in late if incident != "power-mains-1"]
    assert beside == ["Control centre: Unit A7 came back 85 s after A1; 70 s are allowed."]
    assert late[-1][1] == beside[0], "it is told when the outage is over"
