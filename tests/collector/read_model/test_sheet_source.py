"""An alarm as people read it: true at the moment it is read."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import cast

import pytest

from collector.read_model.sheet_source import NO_LONGER, alarm_as_read, alarm_of, in_order
from collector.read_model.source import SheetSource
from rules.alarms.catalogue import CATALOGUE
from rules.alarms.lifecycle.alarm import Alarm, new_alarm
from rules.alarms.lifecycle.states import State
from rules.phrasing.notice_case import AS_LAST_TOLD
from rules.phrasing.reasons import say
from rules.system.state import OnBattery
from rules.values.reason import told
from tests.rules.sample_plant import estate, system_state

NOON = datetime(2026, 10, 9, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("state", "condition", "known", "standing", "over"),
    [
        (State.ACTIVE_UNACKNOWLEDGED, True, True, True, False),
        (State.ACTIVE_UNACKNOWLEDGED, None, True, True, False),
        (State.ACTIVE_UNACKNOWLEDGED, False, False, True, True),  # waits out its off-delay
        (
            State.ACTIVE_UNACKNOWLEDGED,
            None,
            False,
            True,
            True,
        ),  # and cannot be told meanwhile: what was over stays so
        (State.RETURNED_UNACKNOWLEDGED, False, False, False, True),
        (State.LATCHED, False, False, False, True),
        (State.RETURNED_UNACKNOWLEDGED, None, False, False, True),  # its card fell silent afterwards
        (State.RETURNED_UNACKNOWLEDGED, True, True, False, False),  # it is so again, and waits out its delay
    ],
)
def test_what_is_no_longer_so_is_said_in_the_past_tense_and_asks_for_nothing_that_is_over(
    state: State, condition: bool | None, known: bool, standing: bool, over: bool
) -> None:
    made = new_alarm(CATALOGUE["ends_soon"], "works", "", 0.0)
    alarm = replace(
        made,
        state=state,
        condition=condition,
        known=known,
        standing=standing,
        what=told("It drops its load soon."),
        since=NOON,
        by_when=NOON,
    )
    read = alarm_as_read(estate(), alarm)
    assert read.what.startswith(NO_LONGER) is over
    assert read.do == ("" if over and state is not State.LATCHED else say(made.do))
    assert read.do_first == ("" if not read.do else "Shed what can be spared now")
    assert (read.by_when is None) is not bool(read.do)


@pytest.mark.parametrize(("condition", "open_now"), [(True, False), (None, True)])
def test_an_alarm_of_readiness_says_that_it_cannot_be_told_now_as_the_verdict_beside_it_does(
    condition: bool | None, open_now: bool
) -> None:
    made = new_alarm(CATALOGUE["requirement_not_met"], "works", "start", 0.0)
    state = State.ACTIVE_UNACKNOWLEDGED
    alarm = replace(
        made, state=state, condition=condition, known=True, standing=True, what=told("It is short.")
    )
    assert alarm_as_read(estate(), alarm).what.startswith(AS_LAST_TOLD) is open_now


@pytest.mark.parametrize(("kind", "about"), [("on_battery", "W1"), ("ends_soon", "works")])
def test_whatever_moment_the_words_that_are_kept_are_of_an_alarm_counts_to_the_moment_it_is_read(
    kind: str, about: str
) -> None:
    """A data folder keeps an alarm's words of when it changed last: they promised 9.0 min where 8.3 were left."""
    ends = NOON + timedelta(seconds=500.0)
    works = system_state("works", 0.0, on_battery=OnBattery(NOON - timedelta(seconds=40.0), ends, None))
    kept = replace(
        new_alarm(CATALOGUE[kind], about, "", 0.0),
        state=State.SHELVED,
        condition=True,
        standing=True,
        what=told("It holds 9.0 min more at the least."),
    )
    source = SimpleNamespace(estate=estate(), present=SimpleNamespace(systems={"works": works}), told={})
    read = alarm_of(cast("SheetSource", source), kept, NOON)
    assert "holds 8.3 min more at the least" in read.what


def test_the_first_to_act_on_is_what_can_wait_least_and_what_is_over_or_held_back_comes_last() -> None:
    def standing(kind: str, due: datetime, state: State = State.ACTIVE_UNACKNOWLEDGED) -> Alarm:
        made = new_alarm(CATALOGUE[kind], "works", "", 0.0)
        return replace(made, state=state, condition=True, standing=True, since=NOON, by_when=due)

    short = standing("requirement_not_met", NOON - timedelta(days=20))
    silent = standing("card_silent", NOON + timedelta(hours=4))
    over = standing("overload", NOON, State.RETURNED_UNACKNOWLEDGED)
    shelved = standing("on_bypass", NOON, State.SHELVED)
    normal = standing("bank_hot", NOON, State.NORMAL)
    shown = in_order((short, shelved, over, normal, silent))
    assert [a.kind for a in shown] == ["card_silent", "requirement_not_met", "overload", "on_bypass"]
