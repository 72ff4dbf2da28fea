"""What the card says beside what is said of it: only an alarm that stands explains another, and for good."""

from __future__ import annotations

import pytest

from rules.alarms.catalogue import CARD_ALARMS, CATALOGUE, SAYS
from rules.alarms.lifecycle.states import State
from rules.plant.reading import OutputSource
from tests.rules.monitor.watching import NORTH, Watch, outage
from tests.rules.sample_plant import START, on_bank, reading

HOT = ("upsAlarmTempBad",)


def test_heat_that_the_card_reports_is_told_while_our_own_alarm_waits_out_its_delay() -> None:
    watch = Watch()
    watch.calm(0)
    for seconds in range(10, 130, 5):
        watch.give(reading("W1", seconds, temperature_c=46.0, alarms=HOT))
        watch.pass_time(seconds, seconds + 4)
    assert watch.alarm_state("bank_hot:W1") is State.NORMAL, "it stands after 300 s"
    assert watch.alarm_state("card_alarm:W1:upsAlarmTempBad").active
    told = watch.notices("unit-W1")
    assert told
    assert "finds a temperature out of tolerance" in told[0].what
    # the card's own delay, a window to gather in, and a tick
    assert (told[0].at - START).total_seconds() <= 10 + CATALOGUE["card_alarm"].on_delay_s + 5.0 + 1.0


def test_once_our_own_alarm_stands_it_says_it_and_the_cards_is_held_in_one_incident() -> None:
    watch = Watch()
    watch.calm(0)
    for seconds in range(10, 330, 5):
        watch.give(reading("W1", seconds, temperature_c=46.0, alarms=HOT))
        watch.pass_time(seconds, seconds + 4)
    assert watch.alarm_state("bank_hot:W1").active
    assert watch.alarm_state("card_alarm:W1:upsAlarmTempBad") is State.SUPPRESSED_BY_DESIGN
    assert {n.incident for n in watch.notices()} == {"unit-W1-1"}
    assert "It is 46 °C" in watch.notices()[-1].what


@pytest.mark.parametrize("row", ["upsAlarmOnBattery", "upsAlarmInputBad", "upsAlarmBypassBad"])
@pytest.mark.parametrize("stays_s", [60.0, 3600.0])
def test_a_row_that_stays_after_the_return_never_opens_by_itself(row: str, stays_s: float) -> None:
    watch = Watch()
    outage(watch)
    watch.pass_time(17, 60)
    seconds = 61.0
    while seconds < 61.0 + stays_s:
        watch.give(*(reading(u, seconds, alarms=(row,)) for u in NORTH))
        watch.pass_time(seconds, seconds + 4)
        seconds += 5.0 if seconds < 180 else 60.0
    opened = {n.incident for n in watch.notices()}
    assert opened == {"power-north-1"}
    assert all("draws from its bank" not in " ".join((n.what, *n.lines)) for n in watch.notices())
    watch.calm(seconds, NORTH)
    watch.pass_time(seconds, seconds + 30)
    assert f"card_alarm:W1:{row}" not in watch.state.alarms
    watch.give(reading("W1", seconds + 40, alarms=(row,)))
    watch.pass_time(seconds + 40, seconds + 60)
    assert watch.alarm_state(f"card_alarm:W1:{row}").active, "another occurrence, and nothing says it"


def test_whatever_comes_first_in_one_second_the_alarm_that_stands_speaks_for_the_card() -> None:
    watch = Watch()
    watch.calm(0)
    bypass = reading("W1", 10.0, source=OutputSource.BYPASS, alarms=("upsAlarmOnBypass",))
    watch.give(bypass)
    watch.pass_time(11, 40)
    assert watch.alarm_state("on_bypass:W1").active
    assert watch.alarm_state("card_alarm:W1:upsAlarmOnBypass") is State.SUPPRESSED_BY_DESIGN
    (notice,) = watch.notices("unit-W1")
    assert notice.alarms == ("on_bypass:W1",)


def test_what_an_alarm_of_ours_says_for_the_card_is_read_from_one_table() -> None:
    assert {name for names in SAYS.values() for name in names} == {
        card.name for card in CARD_ALARMS.values() if card.said_by is not None
    }
    assert set(SAYS) <= set(CATALOGUE)


def test_a_row_beside_a_unit_on_its_bank_waits_no_longer_than_the_outage_takes_to_stand() -> None:
    watch = Watch()
    watch.calm(5)
    watch.give(on_bank("W1", 10.0))
    watch.pass_time(11, 20)
    assert watch.alarm_state("card_alarm:W1:upsAlarmOnBattery") is State.SUPPRESSED_BY_DESIGN
