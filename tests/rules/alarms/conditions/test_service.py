"""What the service's own figures say of its alarms."""

from __future__ import annotations

from rules.alarms.catalogue import CATALOGUE
from rules.alarms.conditions.condition import Condition
from rules.alarms.conditions.service import ServiceFigures, service_conditions
from rules.monitor.inputs import ServiceLooked
from rules.phrasing.reasons import say
from rules.plant.estate import WatchPower
from tests.rules.monitor.watching import Watch
from tests.rules.sample_plant import estate, stamp


def was(kind: str, qualifier: str) -> bool:
    return False


def service(figures: ServiceFigures, power: WatchPower | None = None) -> dict[str, Condition]:
    site = estate()
    if power is not None:
        object.__setattr__(site, "watch_power", power)
    return {f"{one.kind}:{one.about}": one for one in service_conditions(figures, site, CATALOGUE, was=was)}


def test_figures_that_are_not_known_decide_nothing() -> None:
    found = service(ServiceFigures())
    undecided = {key for key, one in found.items() if one.seen.present is None}
    assert undecided == {
        f"{kind}:ridethrough"
        for kind in (
            "polls_late readings_wait judgements_wait disk_filling clock_jumped delivery_behind store_failing worker_failing estate_file_behind".split()
        )
    }


def test_a_full_disk_a_failing_store_and_a_lost_channel_are_alarms() -> None:
    found = service(
        ServiceFigures(
            free_fraction=0.02, store_error="disk full", channels={"post": True}, undeliverable={"post": 2}
        )
    )
    for key in (
        "disk_filling:ridethrough",
        "store_failing:ridethrough",
        "channel_failing:post",
        "messages_undeliverable:post",
    ):
        assert found[key].seen.present, key
    assert "2.0%" in say(found["disk_filling:ridethrough"].seen.what)


def test_that_messages_wait_is_no_second_alarm_beside_the_channel_that_fails() -> None:
    figures = ServiceFigures(oldest_s=400.0, channels={"post": True, "bell": False})

    def behind(*failing: str) -> tuple[str, ...]:
        found = service_conditions(figures, estate(), CATALOGUE, was=was, failing=failing)
        (one,) = [c for c in found if c.kind == "delivery_behind"]
        assert one.seen.present
        return one.seen.explained

    assert behind("post") == ("said_already",)
    assert behind() == (), "no channel's alarm stands, and they wait all the same"


def test_a_dead_channel_is_one_incident() -> None:
    watch = Watch()
    for number in range(90):
        at = 10.0 * number
        figures = ServiceFigures(oldest_s=at, channels={"post": True}, why={"post": "refused"})
        watch.give(ServiceLooked(stamp(at), figures))
    assert [n.what for n in watch.notices()] == ["Channel post fails. It says: refused."]


def test_readings_that_wait_sixteen_seconds_are_told_in_those_words() -> None:
    found = service(ServiceFigures(wait_s=16.0, background_s=0.0))
    assert found["readings_wait:ridethrough"].seen.present
    assert say(found["readings_wait:ridethrough"].seen.what) == "Readings wait 16 s to be judged."
    assert found["judgements_wait:ridethrough"].seen.present is False
    assert service(ServiceFigures(wait_s=1.0))["readings_wait:ridethrough"].seen.present is False


def test_a_watch_that_would_die_with_the_mains_says_what_feeds_it() -> None:
    assert not service(ServiceFigures())["watch_would_die:ridethrough"].seen.present
    seen = service(ServiceFigures(), WatchPower("mains", "works", None))["watch_would_die:ridethrough"].seen
    assert seen.present
    assert say(seen.what) == "Fed from bare mains: the machine. Not known what feeds the way out."


def test_a_calendar_that_cannot_be_read_is_an_alarm_that_names_it_and_the_place() -> None:
    figures = ServiceFigures(
        calendars={"network": "work.ics: want a calendar (RFC 5545); got line 3", "fans": None}
    )
    found = {
        one.qualifier: one.seen
        for one in service_conditions(figures, estate(), CATALOGUE, was=was)
        if one.kind == "calendar_unreadable"
    }
    assert found["fans"].present is False
    assert found["network"].present
    assert say(found["network"].what) == (
        "The calendar network cannot be read: work.ics: want a calendar (RFC 5545); got line 3."
    )


def test_another_sites_collector_is_silent_only_where_that_can_be_told() -> None:
    figures = ServiceFigures(collectors={"depot": True, "mill": None, "weir": False})
    found = service(figures)
    seen = {name: found[f"collector_silent:{name}"].seen.present for name in ("depot", "mill", "weir")}
    assert seen == {"depot": True, "mill": None, "weir": False}
