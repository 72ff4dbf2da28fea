"""Several sites as one estate: what each said last, and once one is quiet, what that is worth."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from collector.messaging.centre.parts import (
    QUIET_AFTER_S,
    AlarmsPart,
    BankPart,
    BeatPart,
    Part,
    PlantPart,
    SystemPart,
    Told,
)
from collector.messaging.delivery.letter import Telling
from collector.process.clock import TurnedClock
from collector.read_model.centre.joined import JoinedPresent
from collector.read_model.centre.site_said import LONGEST_S, SiteSaid
from rules.alarms.catalogue import CATALOGUE
from rules.alarms.lifecycle.alarm import new_alarm
from rules.alarms.lifecycle.states import State
from rules.system.state import OnBattery
from rules.values.verdict import Verdict
from tests.rules.sample_plant import estate, overdue_bank, reading, system_state

AT = datetime(2026, 11, 24, 10, tzinfo=UTC)
PLANT = PlantPart("East", "abc", "1.0", 10.0, estate())
ALARM = replace(
    new_alarm(CATALOGUE["on_battery"], "W1", "", 0.0), state=State.ACTIVE_UNACKNOWLEDGED, since=AT
)


class Both:
    """Two sites of the same plant, and what is joined of them."""

    def __init__(self) -> None:
        self.clock = TurnedClock(AT)
        self.sites = {s: SiteSaid(s, f"https://{s}.example.org", self.clock) for s in ("east", "west")}
        self.joined = JoinedPresent(self.sites, self.clock)
        self.number = 0

    def say(self, site: str, *said: tuple[str, Part], retained: bool = False, start: str = "run") -> None:
        for topic, part in said:
            self.number += 1
            self.sites[site].take(topic, Told(start, self.number, self.clock.now(), part), retained=retained)
        self.joined.look()

    def all_of(self, site: str, *, retained: bool = False) -> None:
        self.say(
            site,
            ("system/works", SystemPart(system_state("works", 10.0), readings=(reading("W1", 1.0),))),
            ("bank/W1", BankPart(replace(overdue_bank("W1"), id=next(iter(estate().banks))))),
            ("alarms", AlarmsPart((ALARM,), told={"power-1": (Telling("Ada", "mail", AT),)})),
            ("plant", PLANT),  # what a broker retains comes in any order
            ("beat", BeatPart()),
            retained=retained,
        )


async def test_things_of_two_sites_that_are_called_alike_stand_side_by_side() -> None:
    both = Both()
    both.all_of("east")
    both.all_of("west")
    present = both.joined.present
    assert set(present.systems) == {"east:works", "west:works"}
    assert set(present.alarms) == {"on_battery:east:W1", "on_battery:west:W1"}
    assert set(present.readings) == {"east:W1", "west:W1"}
    assert len(both.joined.estate.units) == 2 * len(estate().units)
    assert set(both.joined.told) == {"east:power-1", "west:power-1"}
    assert present.systems["east:works"].site == "east:fellbeck"


async def test_a_quiet_site_is_said_to_be_quiet_and_nothing_of_it_is_taken_for_fresh() -> None:
    both = Both()
    both.all_of("east")
    both.all_of("west")
    verdicts = [need.verdict for need in both.joined.present.systems["west:works"].requirements]
    await both.clock.advance(QUIET_AFTER_S)
    both.say("east", ("beat", BeatPart()))
    await both.clock.advance(1.0)
    both.joined.look()
    present = both.joined.present
    assert {n.verdict for n in present.systems["west:works"].requirements} == {Verdict.CANNOT_TELL}
    assert [n.verdict for n in present.systems["east:works"].requirements] == verdicts
    assert present.silences["west:W1"].stamp.at == AT
    assert "east:W1" not in present.silences
    quiet = present.alarms["collector_silent:west"]
    assert (quiet.since, quiet.state) == (AT, State.ACTIVE_UNACKNOWLEDGED)
    assert "on_battery:west:W1" in present.alarms  # what stood is not taken for over
    both.say("west", ("beat", BeatPart()))
    present = both.joined.present
    assert [n.verdict for n in present.systems["west:works"].requirements] == verdicts
    assert present.silences == {}
    assert "collector_silent:west" not in present.alarms


async def test_what_a_broker_retained_is_shown_but_never_as_heard() -> None:
    both = Both()
    both.all_of("west", retained=True)
    await both.clock.advance(QUIET_AFTER_S + 1.0)
    both.joined.look()
    (needs,) = [one.requirements for one in both.joined.present.systems.values()]
    assert {need.verdict for need in needs} == {Verdict.CANNOT_TELL}
    assert both.sites["west"].quiet_since == AT


async def test_a_system_that_was_on_its_banks_is_reckoned_on_while_its_site_is_quiet() -> None:
    both = Both()
    dark = OnBattery(AT, AT + timedelta(minutes=9), AT + timedelta(minutes=20))
    both.say(
        "west",
        ("plant", PLANT),
        ("system/works", SystemPart(replace(system_state("works", 10.0), on_battery=dark))),
    )
    await both.clock.advance(QUIET_AFTER_S + 1.0)
    both.joined.look()
    assert both.joined.present.systems["west:works"].on_battery == replace(dark, reckoned_since=AT)


async def test_of_two_words_in_one_run_the_newer_stands_and_a_new_run_begins_anew() -> None:
    both = Both()
    both.say("east", ("plant", PLANT))
    site = both.sites["east"]
    newer = replace(system_state("works", 10.0), as_of=AT + timedelta(seconds=9))
    older = replace(system_state("works", 10.0), as_of=AT)
    assert site.take("system/works", Told("run", 9, AT, SystemPart(newer)), retained=False)
    assert not site.take("system/works", Told("run", 8, AT, SystemPart(older)), retained=False)
    assert site.systems()["east:works"].state.as_of == newer.as_of
    assert site.take("system/works", Told("next", 1, AT, SystemPart(older)), retained=False)
    assert site.systems()["east:works"].state.as_of == older.as_of


async def test_another_plant_is_taken_over_and_what_is_no_longer_in_it_goes() -> None:
    both = Both()
    both.all_of("east")
    seen = both.joined.present
    version = seen.version
    less = replace(estate(), systems={}, units={}, banks={}, cards={}, load_groups={})
    both.say("east", ("plant", replace(PLANT, estate=less)))
    present = both.joined.present
    assert present is not seen
    assert present.version > version
    assert await seen.news_after(version) > version  # whoever waits for news there is woken
    assert present.systems == {}


async def test_what_is_said_of_units_that_the_plant_does_not_declare_is_not_shown() -> None:
    both = Both()
    stranger = SystemPart(system_state("works", 10.0), readings=(replace(reading("W1", 1.0), unit="nobody"),))
    both.say("east", ("plant", PLANT), ("system/works", stranger))
    assert both.joined.present.systems == {}


async def test_no_site_makes_itself_out_to_be_heard_for_long() -> None:
    both = Both()
    both.say("east", ("plant", PLANT), ("beat", BeatPart(1e9)))
    await both.clock.advance(LONGEST_S + 1.0)
    assert both.sites["east"].quiet
