"""What somebody is told when their hours begin."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any

import pytest

from collector.configuration.people.people import People
from collector.configuration.people.tables import PersonTable, RotaTable
from collector.messaging.delivery.handover import MADE_UP_FOR, Handover, beginnings
from collector.messaging.delivery.letter import Letter
from collector.messaging.delivery.recipients import letters
from collector.process.clock import TurnedClock
from collector.recorder.journal_lines import save_change
from collector.storage.ledger import Ledger
from rules.alarms.catalogue import Cause
from rules.alarms.incidents.incident import Incident, IncidentChange
from rules.plant.topology import Topology
from rules.values.reason import told
from rules.values.severity import Severity
from tests.collector.messaging.cases import everybody, notice, person
from tests.rules.sample_plant import estate

EIGHT = datetime(2026, 10, 9, 7, tzinfo=UTC)
"""A Friday, 08:00 by the clock in London."""
NIGHT = EIGHT - timedelta(hours=6)
ROTA = RotaTable.model_validate(
    {"id": "standby", "people": ("Ada", "Bo"), "from": datetime(2026, 10, 2, 8)}  # noqa: DTZ001 - by its own clock
)
ON_CALL = [{"on_call": "standby", "severity": "minor"}]


def day(name: str = "Day", **tell: Any) -> PersonTable:
    hours = {"from": time(8), "until": time(18)}
    return person(name, tell=[{"severity": "minor", **hours, **tell}])


@pytest.fixture
async def ledger(tmp_path: Path) -> AsyncIterator[Ledger]:
    async with Ledger(tmp_path / "ledger.sqlite") as one:
        yield one


class Desk:
    def __init__(
        self, ledger: Ledger, *people: PersonTable, at: datetime = EIGHT - timedelta(minutes=1)
    ) -> None:
        self.clock, self.ledger = TurnedClock(at), ledger
        self.people: People = everybody(*people, rotas=[ROTA])
        self.again()

    def again(self) -> None:
        """Start anew on the same ledger."""
        self.handover = Handover(
            self.ledger, self.clock, self.people, Topology(estate()), collector="fellbeck"
        )

    async def look(self, at: datetime) -> list[tuple[str, str]]:
        """Return whom is told what on looking at a moment."""
        await self.clock.advance((at - self.clock.now()).total_seconds())
        await self.handover.look()
        page = await self.ledger.messages()
        found = [Letter.of(line.body) for line in reversed(page.items) if line.id.startswith("hours-")]
        return [(one.person, one.notice.what) for one in found]

    async def happens(self, number: int = 1, **changes: Any) -> None:
        """Have an incident open in the night, of which the people of that hour are told."""
        one = Incident(
            f"i{number}", f"i{number}", Cause.POWER, "works", NIGHT, 0.0, Severity.MAJOR, announced_at=NIGHT,
            title=told(f"Mains lost {number}."), do=told("See to the generator."),
        )  # fmt: skip
        one = replace(one, **changes)
        opened = replace(notice(at=NIGHT, opened_at=NIGHT), incident=one.id, id=f"{one.id}.1")
        async with self.ledger.transaction() as tx:
            save_change(tx, IncidentChange(one, None, NIGHT))
            for message in letters(opened, self.people, Topology(estate()), collector="fellbeck"):
                tx.enqueue(message)


def test_hours_begin_at_their_hour_on_their_days_and_with_a_turn() -> None:
    people = everybody(
        day(),
        day("Weekend", days=["sat"]),
        person("Ada", tell=ON_CALL),
        person("Bo", tell=ON_CALL),
        rotas=[ROTA],
    )
    found = beginnings(people, EIGHT - timedelta(days=1), EIGHT + timedelta(days=2))
    assert [(b.person.name, b.at - EIGHT, b.before) for b in found] == [
        ("Day", timedelta(0), None),
        ("Bo", timedelta(0), "Ada"),
        ("Day", timedelta(days=1), None),
        ("Weekend", timedelta(days=1), None),
        ("Day", timedelta(days=2), None),
    ]


def test_hours_that_go_on_over_midnight_do_not_begin_there() -> None:
    people = everybody(person("Always"), person("Friday on", tell=[{"days": ["fri", "sat", "sun"]}]))
    start = datetime(2026, 10, 5, tzinfo=UTC)
    found = beginnings(people, start, start + timedelta(days=7))
    assert [(b.person.name, b.at) for b in found] == [("Friday on", datetime(2026, 10, 8, 23, tzinfo=UTC))]


async def test_what_began_in_the_night_is_handed_over_at_eight(ledger: Ledger) -> None:
    desk = Desk(ledger, day(), person("Night"))
    await desk.happens(1)
    await desk.happens(2, severity=Severity.CRITICAL)
    await desk.happens(3, closed_at=NIGHT)
    assert await desk.look(EIGHT - timedelta(seconds=1)) == []
    assert await desk.look(EIGHT) == [("Day", "Your hours begin: 2 incidents from before stand.")]
    message = (await ledger.messages()).items[0]
    assert Letter.of(message.body).notice.lines == (
        "Since Fri 9 Oct 2026, 02:00: Mains lost 2. See to the generator.",
        "Since Fri 9 Oct 2026, 02:00: Mains lost 1. See to the generator.",
    )
    assert (message.urgent, message.incident) == (True, None)


@pytest.mark.parametrize(
    "changes",
    [{"severity": Severity.WARNING}, {"about": "depot"}, {"announced_at": None}, {"opened_at": EIGHT}],
)
async def test_what_does_not_concern_them_is_not_handed_over(changes: dict[str, Any], ledger: Ledger) -> None:
    desk = Desk(ledger, day(about=["works"]))
    await desk.happens(**changes)
    assert await desk.look(EIGHT) == []


async def test_who_was_told_in_the_night_is_not_told_again(ledger: Ledger) -> None:
    both = person("Both", tell=[{"severity": "critical"}, {"severity": "minor", "from": time(8)}])
    desk = Desk(ledger, both)
    opened = replace(notice(severity=Severity.CRITICAL, at=NIGHT), incident="i1", id="i1.1")
    await desk.happens()
    async with ledger.transaction() as tx:
        for message in letters(opened, desk.people, Topology(estate()), collector="fellbeck"):
            tx.enqueue(message)
    assert await desk.look(EIGHT) == []


async def test_a_change_of_who_is_on_call_is_told_to_both_and_stands_in_the_journal(ledger: Ledger) -> None:
    desk = Desk(ledger, person("Ada", tell=ON_CALL), person("Bo", tell=ON_CALL))
    assert await desk.look(EIGHT) == [
        ("Bo", "You are on call until Fri 16 Oct 2026, 08:00 (standby), after Ada."),
        ("Ada", "You are no longer on call (standby): Bo is."),
    ]
    assert [line.text for line in (await ledger.events()).items] == ["Bo is on call by standby after Ada."]


async def test_who_comes_on_call_hears_what_stands(ledger: Ledger) -> None:
    desk = Desk(ledger, person("Ada", tell=ON_CALL), person("Bo", tell=ON_CALL))
    await desk.happens()
    told = await desk.look(EIGHT)
    assert told[0][1].endswith("after Ada. 1 incident from before stands.")
    page = await ledger.messages(incident="i1")
    assert [Letter.of(line.body).person for line in page.items] == ["Ada"], "only who was on call at night"


async def test_a_start_anew_tells_nobody_twice_and_makes_up_for_what_fell_into_the_stop(
    ledger: Ledger,
) -> None:
    desk = Desk(ledger, person("Ada", tell=ON_CALL), person("Bo", tell=ON_CALL))
    first = await desk.look(EIGHT)
    desk.again()
    assert await desk.look(EIGHT + timedelta(hours=1)) == first
    assert len((await ledger.events()).items) == 1


@pytest.mark.parametrize(("late", "told"), [(MADE_UP_FOR - timedelta(minutes=1), 2), (MADE_UP_FOR, 0)])
async def test_a_long_stop_is_not_made_up_for(late: timedelta, told: int, ledger: Ledger) -> None:
    desk = Desk(ledger, person("Ada", tell=ON_CALL), person("Bo", tell=ON_CALL), at=EIGHT + late)
    assert len(await desk.look(EIGHT + late)) == told
