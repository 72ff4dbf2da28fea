from dataclasses import dataclass, field
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any, cast

from collector.planning.isolation_answers import TakingOut
from collector.planning.planner import WORK, NotYet, Planner
from collector.process.background_budget import Budget
from collector.process.clock import Clock, TurnedClock
from collector.recorder.current_state import Present
from rules.alarms.catalogue import CATALOGUE
from rules.alarms.lifecycle.alarm import Alarm
from rules.alarms.lifecycle.states import State
from rules.phrasing.reasons import say
from rules.planning.isolation.rows import REMINDERS
from rules.plant.reading import Silence
from rules.values.reason import told
from rules.values.severity import Severity
from tests.api.pages import samples

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)


@dataclass
class Answers:
    """Stands for the planner: an answer for every unit, or what it raises."""

    raises: Exception | None = None
    asked: list[tuple[Any, ...]] = field(default_factory=list)

    async def isolation(self, *question: Any) -> object:
        self.asked.append(question)
        if self.raises is not None:
            raise self.raises
        return question


def made(planner: Answers) -> tuple[TakingOut, Present]:
    present = Present(samples.estate())
    for unit in present.estate.units:
        present.silences[unit] = cast("Silence", None)
    clock = cast("Clock", SimpleNamespace(now=lambda: NOW))
    budget = Budget(TurnedClock(NOW))
    return TakingOut(present.estate, cast("Planner", planner), clock, present, budget=budget), present


async def test_an_answer_is_asked_for_the_next_hours_and_thrown_away_when_it_cannot_be_made_again() -> None:
    planner = Answers()
    asking, present = made(planner)
    unit = next(iter(present.estate.units.values()))
    await asking.once(unit)
    assert planner.asked == [(unit.system, unit.id, NOW, NOW + WORK)]
    assert unit.id in present.isolations
    planner.raises = NotYet(unit.system)
    await asking.once(unit)
    assert unit.id not in present.isolations


async def test_a_system_on_its_banks_is_not_asked_about_and_no_older_answer_stays() -> None:
    planner = Answers()
    asking, present = made(planner)
    state = next(s for s in samples.outage().systems if s.on_battery)
    unit = present.estate.units_of(state.id)[0]
    await asking.once(unit)
    present.systems[state.id] = state
    await asking.once(unit)
    assert len(planner.asked) == 1
    assert unit.id not in present.isolations


def test_a_reminder_to_order_or_visit_is_no_reason_against_work_and_a_failing_bank_is() -> None:
    present = Present(samples.estate())
    system = next(iter(present.estate.systems))
    unit = present.estate.units_of(system)[0].id
    bank = present.estate.banks_of_system(system)[0].id
    for kind, about in (("bank_order_now", bank), ("visit_due", unit), ("bank_will_not_carry", bank)):
        stands = SimpleNamespace(
            kind=kind,
            about=about,
            what=told(kind),
            condition=True,
            over=False,
            severity=Severity.MAJOR,
            state=State.ACTIVE_UNACKNOWLEDGED,
        )
        present.alarms[kind] = cast("Alarm", stands)
    planner = SimpleNamespace(_estate=present.estate, _present=present)
    assert Planner._alarms(cast("Planner", planner), system) == (told("bank_will_not_carry"),)


def test_of_what_stands_against_work_the_gravest_comes_first_and_units_before_banks() -> None:
    present = Present(samples.estate())
    system = next(iter(present.estate.systems))
    unit = present.estate.units_of(system)[0].id
    bank = present.estate.banks_of_system(system)[0].id
    for kind, about, severity in (
        ("bank_too_small", bank, Severity.MINOR),  # for whoever plans: no reason against work
        ("bank_suspect", bank, Severity.MINOR),
        ("load_share", unit, Severity.MINOR),
        ("overload", unit, Severity.MAJOR),
    ):
        stands = SimpleNamespace(
            kind=kind,
            about=about,
            what=told(kind),
            condition=True,
            over=False,
            severity=severity,
            state=State.ACTIVE_UNACKNOWLEDGED,
        )
        present.alarms[kind] = cast("Alarm", stands)
    planner = SimpleNamespace(_estate=present.estate, _present=present)
    found = Planner._alarms(cast("Planner", planner), system)
    assert [say(one) for one in found] == ["overload", "load_share", "bank_suspect"]


def test_what_is_called_a_reminder_is_an_alarm_of_planning() -> None:
    assert all(CATALOGUE[kind].planning for kind in REMINDERS)
