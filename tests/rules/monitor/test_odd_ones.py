"""Units that do not do what the others on their supply do."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from rules.alarms.events import PowerEvent
from rules.alarms.incidents.incident import IncidentChange
from rules.alarms.lifecycle.alarm import Alarm
from rules.phrasing.notice_case import worst_first
from rules.plant.reading import BatteryStatus, OutputSource
from rules.values.severity import Severity
from tests.rules.monitor.watching import EVERY, NORTH, Watch, outage
from tests.rules.sample_plant import (
    START,
    UNITS,
    on_bank,
    reading,
    silence,
)


def test_one_unit_on_battery_alone_is_not_called_a_mains_failure() -> None:
    watch = Watch()
    watch.calm(5)
    watch.give(on_bank("W2", 10.0))
    watch.calm(11, tuple(u for u in NORTH if u != "W2"))
    watch.pass_time(12, 16)
    notice = watch.notices()[0]
    assert notice.about == "W2"
    assert "alone runs on its bank; 9 units on the same supply still have mains" in notice.what
    assert "input breaker" in notice.do
    assert "mains_lost" not in watch.kinds()


def test_one_board_without_mains_is_about_that_board() -> None:
    watch = Watch()
    watch.calm(5)
    watch.give(*(on_bank(u, 10.0) for u in UNITS["works"]))
    watch.calm(11, UNITS["control"])
    watch.pass_time(12, 16)
    assert watch.notices()[0].about == "north/main board B"


def test_of_alarms_alike_in_severity_the_one_that_leaves_less_time_is_told_first() -> None:
    soon, late = (
        Alarm(id=f"{name}:{about}", kind=name, about=about, severity=Severity.MAJOR, by_when=START + after)
        for name, about, after in (
            ("unit_overload", "W9", timedelta(minutes=2)),
            ("bank_hot", "A1", timedelta(hours=4)),
        )
    )
    asks_nothing = replace(late, id="a:A0", by_when=None)
    assert worst_first([asks_nothing, late, soon]) == [soon, late, asks_nothing]


def board_alone(watch: Watch, seconds: float) -> None:
    """The works's board has gone at 10 s; the control room has mains throughout."""
    watch.calm(5)
    for at in range(10, int(seconds), 5):
        watch.give(*(on_bank(u, at, start=watch.run) for u in UNITS["works"]))
        watch.calm(at + 1, UNITS["control"])


def test_mains_lost_while_a_board_is_out_already_is_lost_when_the_others_lose_it() -> None:
    watch = Watch()
    board_alone(watch, 300.0)
    assert "mains_lost" not in watch.kinds()
    watch.give(*(on_bank(u, 300.0, start=watch.run) for u in (*UNITS["control"], *UNITS["works"])))
    (lost,) = [e for e in watch.of(PowerEvent) if e.kind == "mains_lost"]
    assert lost.at == START + timedelta(seconds=300)


def test_a_board_that_is_out_is_no_mains_failure_when_the_other_cards_fall_silent() -> None:
    watch = Watch()
    board_alone(watch, 300.0)
    watch.give(*(silence(u, 300.0) for u in UNITS["control"]))
    watch.give(*(on_bank(u, 305.0, start=watch.run) for u in UNITS["works"]))
    assert "mains_lost" not in watch.kinds()


def test_a_board_that_goes_while_the_generator_feeds_the_others_holds_no_outage_of_theirs_open() -> None:
    watch = Watch()
    outage(watch)
    for at in range(30, 200, 5):
        watch.give(*(on_bank(u, at, start=watch.run) for u in UNITS["works"]))
        watch.calm(at + 1, UNITS["control"])
    (back,) = [e for e in watch.of(PowerEvent) if e.kind == "supply_back"]
    assert back.what["took_s"] == 21.0, "the control room was fed again so long after"
    watch.calm(200)
    assert watch.kinds().count("supply_back") == 1
    assert watch.kinds().count("mains_lost") == 1


def test_two_supplies_are_never_one_incident() -> None:
    watch = Watch()
    outage(watch, units=EVERY)
    assert {n.about for n in watch.notices()} == {"north", "south"}


def test_a_unit_without_mains_that_is_not_on_its_bank_is_broken_out() -> None:
    watch = Watch()
    watch.calm(5)
    watch.give(*(on_bank(u, 10.0) for u in NORTH if u != "C1"))
    watch.give(reading("C1", 10.5, source=OutputSource.BYPASS, input_v=0.0))
    watch.pass_time(11, 40)
    assert watch.alarm_state("not_on_battery:C1").active
    broken = watch.notices("unit-C1")
    assert broken
    assert broken[-1].short.startswith("Unit C1 (")
    assert watch.of(IncidentChange)[-1].incident.part_of in (None, "power-north-1")


def test_a_unit_that_stays_on_its_bank_after_the_others_came_back_is_broken_out() -> None:
    watch = Watch()
    outage(watch)
    for seconds in range(20, 160, 5):
        watch.calm(seconds, tuple(u for u in NORTH if u != "W4"))
        watch.give(on_bank("W4", seconds))
        watch.pass_time(seconds, seconds + 4)
    assert watch.alarm_state("still_on_battery:W4").active
    assert any("still runs on its bank while 9 others" in n.what for n in watch.notices("unit-W4"))


def test_a_bank_that_says_it_is_low_before_its_peers_is_broken_out_at_once() -> None:
    watch = Watch()
    outage(watch)
    watch.give(
        replace(on_bank("W3", 40.0), battery=replace(on_bank("W3", 40.0).battery, status=BatteryStatus.LOW))
    )
    watch.pass_time(40, 46)
    notices = watch.notices("unit-W3")
    assert len(notices) == 1
    assert notices[0].severity is Severity.CRITICAL
    assert (notices[0].at - START).total_seconds() <= 45.0
