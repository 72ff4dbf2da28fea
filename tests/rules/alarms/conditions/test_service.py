"""What the service's own figures say of its alarms."""

from __future__ import annotations

from rules.alarms.catalogue import CATALOGUE
from rules.alarms.conditions.found import Found
from rules.alarms.conditions.service import ServiceFigures, service_conditions
from rules.estate import WatchPower
from tests.rules.plant import estate


def was(kind: str, qualifier: str) -> bool:
    return False


def service(figures: ServiceFigures, power: WatchPower | None = None) -> dict[str, Found]:
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
            "polls_late disk_filling clock_jumped delivery_behind store_failing worker_failing estate_file_behind".split()
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
    assert "2.0%" in found["disk_filling:ridethrough"].seen.what


def test_a_watch_that_would_die_with_the_mains_says_what_feeds_it() -> None:
    assert not service(ServiceFigures())["watch_would_die:ridethrough"].seen.present
    seen = service(ServiceFigures(), WatchPower("mains", "works", None))["watch_would_die:ridethrough"].seen
    assert seen.present
    assert seen.what == "Fed from bare mains: the machine. Not known what feeds the way out."
