"""What comes first is what can wait least."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from rules.alarms.catalogue import CATALOGUE
from rules.alarms.lifecycle.alarm import Alarm, new_alarm
from rules.alarms.urgency import urgency
from rules.values.severity import Severity

NIGHT = datetime(2026, 3, 1, 2, 14, tzinfo=UTC)


def standing(kind: str, due: timedelta | None, severity: Severity | None = None) -> Alarm:
    alarm = new_alarm(CATALOGUE[kind], "A1", "", 0.0)
    return replace(
        alarm,
        severity=severity or CATALOGUE[kind].severity,
        since=NIGHT,
        by_when=None if due is None else NIGHT + due,
    )


def first(*alarms: Alarm) -> list[str]:
    return [a.kind for a in sorted(alarms, key=lambda a: urgency(a, CATALOGUE.get(a.kind)))]


def test_what_helps_for_minutes_comes_before_what_is_graver_and_can_wait() -> None:
    finished = standing("bank_will_not_carry", timedelta(hours=1))
    overload = standing("overload", timedelta(minutes=2))
    assert (finished.severity, overload.severity) == (Severity.CRITICAL, Severity.MAJOR)
    assert first(finished, overload) == ["overload", "bank_will_not_carry"]


def test_a_card_silent_tonight_comes_before_a_shortfall_of_last_month() -> None:
    short = standing("requirement_not_met", timedelta(days=-30))
    silent = standing("card_silent", timedelta(hours=4))
    assert first(short, silent) == ["card_silent", "requirement_not_met"]


def test_an_outage_comes_before_all_that_was_due_long_ago() -> None:
    hot = standing("bank_hot", timedelta(days=-2))
    outage = standing("on_battery", timedelta(minutes=5))
    short = standing("requirement_not_met", timedelta(days=-30))
    assert first(short, hot, outage) == ["on_battery", "bank_hot", "requirement_not_met"]


def test_of_what_can_wait_alike_the_graver_is_first_and_then_what_is_due() -> None:
    warning = standing("redundancy_unknown", timedelta(days=1))
    replace_now = standing("bank_replace_now", timedelta(days=7))
    assert first(warning, replace_now) == ["bank_replace_now", "redundancy_unknown"]
    soon = replace(standing("ends_soon", timedelta(minutes=2)), id="z")
    late = replace(standing("ends_soon", timedelta(minutes=20)), id="a")
    dateless = replace(standing("ends_soon", None), id="0")
    ordered = sorted((dateless, late, soon), key=lambda a: urgency(a, CATALOGUE[a.kind]))
    assert [a.id for a in ordered] == ["z", "a", "0"]


def test_of_a_kind_that_nobody_knows_nothing_is_promised() -> None:
    other = replace(standing("card_silent", timedelta(hours=4)), kind="of_a_later_version")
    assert first(other, standing("card_silent", timedelta(hours=4))) == ["card_silent", "of_a_later_version"]
