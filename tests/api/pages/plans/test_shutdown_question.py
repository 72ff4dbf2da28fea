"""The question in the address: it comes back as it was put, and what cannot be taken is named."""

from datetime import timedelta
from urllib.parse import urlencode

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.http.scenario_body import ScenarioBody
from api.pages.plans.shutdown_question import (
    GeneratorAsked,
    ShutdownQuestion,
    asked,
    can,
    first_question,
)
from rules.planning.ridethrough.supply import SetCase
from rules.plant.estate import LoadGroup
from tests.rules.sample_plants import NOON, estate

LAB = LoadGroup("lab", "A", (1000.0, 1000.0, 1000.0), 3)
PLANT = estate(2, load_groups=[LAB])
ZONE = PLANT.site_of("A").time_zone


def put(**fields: object) -> tuple[ShutdownQuestion, tuple[str, ...]]:
    return asked(PLANT, urlencode(fields, doseq=True), NOON)


def test_without_a_word_it_is_next_saturday_from_eight_for_four_hours() -> None:
    found, wrong = asked(PLANT, "", NOON)
    assert wrong == ()
    assert found == first_question(PLANT, "A", NOON)
    assert found.starts_at.weekday() == 5
    assert timedelta(0) < found.starts_at - NOON <= timedelta(days=7, hours=8)
    assert (found.starts_at.hour, found.hours, found.sheds, found.out) == (8, 4.0, (), None)


def test_what_is_asked_is_what_is_played_and_what_is_signed() -> None:
    found, wrong = put(
        day="2026-12-12", at="07:30", hours="1,5", generator="none", shed="lab", shed_min="2", out="A1"
    )
    assert wrong == ()
    played = found.scenario()
    assert played.outages[0].for_s == 5400.0
    assert not played.outages[0].generator
    assert played.units_out == {"A1"}
    assert [(s.group, s.at_s) for s in played.sheds] == [("lab", 120.0)]
    assert ScenarioBody.model_validate(found.body()).value() == played
    by_hand, _ = (
        put(generator="hand") if GeneratorAsked.BY_HAND in can(PLANT.generator_of("A")) else (None, ())
    )
    assert by_hand is None or by_hand.scenario().generator.case is SetCase.BY_HAND


def test_the_address_puts_the_same_question_again() -> None:
    found, _ = put(day="2027-03-28", at="01:15", hours="0.5", shed=["lab"], shed_min="1.25", out="A2")
    again, wrong = asked(PLANT, found.address.partition("?")[2], NOON)
    assert (again, wrong) == (found, ())


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("system", "nowhere", "no system"),
        ("day", "next week", "The day"),
        ("day", "9999-12-31", "The day"),
        ("at", "eight", "The hour"),
        ("hours", "0", "Want 0.02 to 336 h; got '0'"),
        ("hours", "nan", "Want"),
        ("shed_min", "-1", "Want 0 to 1440 min"),
        ("generator", "perhaps", "generator"),
        ("shed", "kitchen", "no load group 'kitchen'"),
        ("out", "B9", "no unit 'B9'"),
    ],
)
def test_what_cannot_be_taken_is_named_and_the_rest_stands(field: str, value: str, said: str) -> None:
    found, wrong = put(**{"hours": "2", field: value})
    assert len(wrong) == 1
    assert said in wrong[0]
    assert field == "hours" or found.hours == 2.0


@given(st.text(max_size=80), st.integers(0, 366 * 24))
def test_whatever_stands_in_the_address_there_is_a_question(query: str, hours: int) -> None:
    now = NOON + timedelta(hours=hours)
    found, _ = asked(PLANT, query, now)
    assert found.system in PLANT.systems
    assert asked(PLANT, found.address.partition("?")[2], now)[0] == found


@given(
    st.sampled_from(["day", "at", "hours", "generator", "shed", "shed_min", "out", "system"]),
    st.text(max_size=30),
)
def test_whatever_stands_in_a_field_there_is_a_question(field: str, value: str) -> None:
    found, _ = put(**{field: value})
    assert ScenarioBody.model_validate(found.body()).value() == found.scenario()
