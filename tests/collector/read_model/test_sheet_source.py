"""An alarm as people read it: true at the moment it is read."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from collector.read_model.sheet_source import AS_LAST_TOLD, NO_LONGER, alarm_as_read
from rules.alarms.catalogue import CATALOGUE
from rules.alarms.lifecycle.alarm import new_alarm
from rules.alarms.lifecycle.states import State
from rules.phrasing.reasons import say
from rules.values.reason import told
from tests.rules.sample_plant import estate

NOON = datetime(2026, 10, 9, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("state", "condition", "standing", "over"),
    [
        (State.ACTIVE_UNACKNOWLEDGED, True, True, False),
        (State.ACTIVE_UNACKNOWLEDGED, None, True, False),
        (State.ACTIVE_UNACKNOWLEDGED, False, True, True),  # waits out its off-delay
        (State.RETURNED_UNACKNOWLEDGED, False, False, True),
        (State.LATCHED, False, False, True),
        (State.RETURNED_UNACKNOWLEDGED, None, False, True),  # its card fell silent afterwards
        (State.RETURNED_UNACKNOWLEDGED, True, False, False),  # it is so again, and waits out its delay
    ],
)
def test_what_is_no_longer_so_is_said_in_the_past_tense_and_asks_for_nothing_that_is_over(
    state: State, condition: bool | None, standing: bool, over: bool
) -> None:
    made = new_alarm(CATALOGUE["ends_soon"], "works", "", 0.0)
    alarm = replace(
        made,
        state=state,
        condition=condition,
        standing=standing,
        what=told("It drops its load soon."),
        since=NOON,
    )
    read = alarm_as_read(estate(), alarm)
    assert read.what.startswith(NO_LONGER) is over
    assert read.do == ("" if over and state is not State.LATCHED else say(made.do))
    assert read.do_first == ("" if not read.do else "Shed load now, in the agreed order")


@pytest.mark.parametrize(("condition", "open_now"), [(True, False), (None, True)])
def test_an_alarm_of_readiness_says_that_it_cannot_be_told_now_as_the_verdict_beside_it_does(
    condition: bool | None, open_now: bool
) -> None:
    made = new_alarm(CATALOGUE["requirement_not_met"], "works", "start", 0.0)
    state = State.ACTIVE_UNACKNOWLEDGED
    alarm = replace(made, state=state, condition=condition, standing=True, what=told("It is short."))
    assert alarm_as_read(estate(), alarm).what.startswith(AS_LAST_TOLD) is open_now
