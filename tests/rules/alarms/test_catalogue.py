"""The catalogue of alarms is complete, consistent and documented."""

from typing import get_args

import pytest

from collector.configuration.settings_tables import Explains
from rules.alarms.catalogue import (
    CARD_ALARMS,
    CATALOGUE,
    AlarmKind,
    Explanation,
    Override,
    catalogue_reference,
    with_overrides,
)
from rules.values.severity import Severity

KINDS = list(CATALOGUE.values())

REQUIRED_AT_FIRST = set(
    "on_battery requirement_not_met requirement_unknown load_share phase_imbalance redundancy_lost on_bypass "
    "output_off bank_past_age card_silent card_alarm unclassified_card_alarm different_equipment cannot_judge_unit".split()
)


def test_the_first_set_of_alarms_is_there() -> None:
    assert set(CATALOGUE) >= REQUIRED_AT_FIRST


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.id)
def test_every_entry_says_what_it_means_why_what_follows_and_what_to_do(kind: AlarmKind) -> None:
    assert kind.meaning.endswith(".")
    assert kind.causes
    assert kind.consequence.endswith(".")
    assert str(kind.do).endswith(".")
    assert kind.do.first[-1].isalnum(), "what comes first stands without a stop"
    assert kind.do.rest[0] in ".:;"
    assert kind.respond_s > 0
    assert kind.on_delay_s >= 0
    assert kind.off_delay_s >= 0


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.id)
def test_the_on_delay_leaves_time_to_respond(kind: AlarmKind) -> None:
    assert kind.on_delay_s < kind.respond_s


def test_an_entry_that_somebody_must_answer_within_minutes_is_at_least_major() -> None:
    assert all(kind.severity.rank >= Severity.MAJOR.rank for kind in KINDS if kind.respond_s <= 600)


def test_planned_work_never_explains_what_nobody_plans() -> None:
    for kind_id in ("ends_soon", "overload", "different_equipment", "break_off", "plan_no_longer_holds"):
        assert CATALOGUE[kind_id].suppressed_by == ()


def test_only_a_signed_plan_that_has_the_set_isolated_explains_that_no_set_comes() -> None:
    for kind_id in ("no_supply_in_time", "starts_failed"):
        assert CATALOGUE[kind_id].suppressed_by == (Explanation.SET_ISOLATED,)
    assert Explanation.SET_ISOLATED.value not in get_args(Explains)  # no estate file can say so


def test_all_24_well_known_alarms_of_rfc_1628_are_explained() -> None:
    assert len(CARD_ALARMS) == 24
    assert all(a.said_by is None or a.said_by in CATALOGUE for a in CARD_ALARMS.values())


def test_a_limit_is_left_only_past_its_deadband() -> None:
    limit = CATALOGUE["bank_hot"].limit
    assert limit is not None
    assert limit.passed(35.1, was=False) is True
    assert limit.passed(34.0, was=True) is True
    assert limit.passed(32.9, was=True) is False
    assert limit.passed(None, was=True) is None


def test_severity_rises_with_the_case_and_stays_while_the_number_is_unknown() -> None:
    kind = CATALOGUE["on_battery"]
    assert kind.severity_for({"left_s": 900.0}) is Severity.MAJOR
    assert kind.severity_for({"left_s": 599.0}) is Severity.CRITICAL
    assert kind.severity_for({"left_s": 650.0}, standing=Severity.CRITICAL) is Severity.CRITICAL
    assert kind.severity_for({"left_s": None}, standing=Severity.CRITICAL) is Severity.CRITICAL
    assert kind.severity_for({"left_s": 721.0}, standing=Severity.CRITICAL) is Severity.MAJOR
    assert kind.severity_for(None) is Severity.MAJOR


def test_a_site_may_set_limits_and_delays_of_its_own() -> None:
    changed = with_overrides({"bank_hot": Override(limit=40.0, on_delay_s=60.0)})["bank_hot"]
    assert changed.limit is not None
    assert (changed.limit.value, changed.limit.deadband, changed.on_delay_s) == (40.0, 2.0, 60.0)


def test_a_limit_for_an_alarm_without_one_is_refused() -> None:
    with pytest.raises(ValueError, match="no limit"):
        with_overrides({"output_off": Override(limit=1.0)})


def test_the_reference_names_every_alarm_with_its_action() -> None:
    text = catalogue_reference()
    for kind in KINDS:
        assert f"## {kind.id}\n" in text
        assert str(kind.do) in text
    assert all(name in text for name in CARD_ALARMS)
