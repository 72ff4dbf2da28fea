"""A supply that comes and goes through a morning: told as that, once, and a real outage in the midst of it all the same."""

from __future__ import annotations

from rules.alarms.incidents.incident import NoticeKind
from tests.rules.monitor.watching import EVERY, NORTH, Watch
from tests.rules.sample_plant import START, UNITS, on_bank, reading

EACH_S = 97.0
"""From one dip to the next: by three in a minute none of it is chattering."""
DIP_S = 11.0


def dips(watch: Watch, count: int, start: float = 10.0) -> float:
    """Have one unit lose its input again and again; return when the last is over and the next would come."""
    unit = UNITS["depot"][0]
    others = [u for u in EVERY if u != unit]
    at = start
    for _ in range(count):
        second = at
        while second < at + EACH_S:
            on = second < at + DIP_S
            watch.give(
                on_bank(unit, second) if on else reading(unit, second), *(reading(u, second) for u in others)
            )
            watch.pass_time(second, second + 4)
            second += 5.0
        at = second
    return at


def test_forty_dips_are_told_as_coming_and_going_once_and_as_over_once() -> None:
    watch = Watch()
    watch.calm()
    at = dips(watch, 12)
    kinds = [n.kind for n in watch.notices()]
    assert kinds == [NoticeKind.OPENED, NoticeKind.CLOSED] * 2 + [NoticeKind.OPENED]
    told = watch.notices()[-1]
    assert "It comes and goes: 3 times within 3 min" in told.what
    assert ", 3 times in 3 min" in told.short
    while at < 3000.0:
        watch.calm(at)
        watch.pass_time(at, at + 9)
        at += 10.0
    over = watch.notices()[-1]
    assert over.kind is NoticeKind.CLOSED
    assert (
        over.what
        == "Back on supply after 2 min 30 s on battery in 10 times; the load was carried throughout."
    )
    assert len(watch.notices()) == 6


def test_an_outage_that_stays_is_told_though_the_supply_came_and_went_before() -> None:
    watch = Watch()
    watch.calm()
    began = at = dips(watch, 6)
    while at < began + 300.0:
        watch.give(*(on_bank(u, at) if u == UNITS["depot"][0] else reading(u, at) for u in EVERY))
        watch.pass_time(at, at + 4)
        at += 5.0
    told = [n for n in watch.notices() if n.opened_at is not None][5:]
    assert [n.kind for n in told] == [NoticeKind.CHANGED]
    assert told[0].what == "Now 1 unit on battery at supply south."
    assert (told[0].at - START).total_seconds() - began <= 75.0
    watch.calm(at)
    watch.pass_time(at, at + 120)
    assert watch.notices()[-1].kind is NoticeKind.CLOSED


def test_a_supply_is_not_said_to_have_come_and_gone_as_often_as_one_of_its_units() -> None:
    """Lost twice with all its units; the unit that was on its bank alone in between had been there three times."""
    watch = Watch()
    watch.calm()
    for at, lost in ((10.0, NORTH), (80.0, ("W2",)), (150.0, NORTH)):
        for second in (at, at + 5.0, at + 10.0):
            watch.give(*(on_bank(u, second) if u in lost else reading(u, second) for u in EVERY))
            watch.pass_time(second, second + 4)
        if at < 150.0:
            for second in (at + 15.0, at + 30.0, at + 60.0):
                watch.calm(second)
                watch.pass_time(second, second + 9)
    told = watch.notices()[-1]
    assert told.what.startswith(
        "Mains lost at supply north: 10 units on battery. Of these unit W2 (3 times within 2 min"
    )
    assert told.what.endswith("comes and goes; told again when it stays or has rested.")
    assert "3 times" not in told.short
