"""What is said while an outage ends: units fed one by one, starts that no longer count, words that go on counting."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from rules.alarms.conditions.supply import SupplyMemory
from rules.alarms.incidents.incident import Notice, NoticeKind
from rules.monitor.inputs import SystemJudged
from rules.phrasing.reasons import say
from rules.plant.reading import OutputSource
from rules.system.state import OnBattery, ShedFirst, ShedStep
from rules.values.reason import told
from tests.rules.day import on_battery_since
from tests.rules.monitor.watching import NORTH, Watch, outage
from tests.rules.sample_plant import START, UNITS, on_bank, reading, silence, stamp, system_state

WORKS = UNITS["works"]


def judged(watch: Watch, seconds: float, on: OnBattery | None) -> None:
    watch.give(SystemJudged(stamp(seconds), system_state("works", seconds, on_battery=on)))


def north(watch: Watch) -> SupplyMemory:
    return watch.state.supplies["north"]


def texts(notice: Notice) -> str:
    return " ".join((notice.what, notice.do, notice.short, *notice.lines))


# ---- since when a generator's starts count ---------------------------------------------------------------------


def test_a_unit_that_ran_alone_on_its_bank_for_an_hour_does_not_make_the_outage_an_hour_old_for_the_set() -> (
    None
):
    watch = Watch()
    watch.calm(0)
    for seconds in range(10, 3600, 60):
        watch.give(on_bank("W1", seconds))
        watch.calm(seconds + 1, tuple(u for u in NORTH if u != "W1"))
        assert north(watch).dead_since is None
    watch.give(*(on_bank(u, 3610.0) for u in NORTH))
    assert north(watch).dead_since == START + timedelta(seconds=3610)


def test_starts_stop_counting_when_one_unit_is_fed_and_begin_anew_when_it_loses_it_again() -> None:
    watch = Watch()
    outage(watch, 10.0)
    assert north(watch).dead_since == START + timedelta(seconds=10.9), "the last of ten, read 0.1 s apart"
    watch.give(reading("W1", 60.0))
    assert north(watch).dead_since is None
    assert north(watch).lost_since is not None, "the outage itself goes on"
    watch.give(on_bank("W1", 90.0))
    assert north(watch).dead_since == START + timedelta(seconds=90)


def test_voltage_that_came_back_at_an_input_is_a_start_that_worked_though_the_unit_has_not_accepted_it() -> (
    None
):
    watch = Watch()
    outage(watch, 10.0)
    watch.give(reading("W1", 60.0, source=OutputSource.BATTERY, input_v=228.0))
    assert north(watch).dead_since is None


def test_a_card_whose_input_voltage_never_fell_says_nothing_of_the_supply() -> None:
    watch = Watch()
    watch.calm(5)
    watch.give(*(on_bank(u, 10.0) for u in NORTH if u != "W1"))
    watch.give(reading("W1", 10.5, source=OutputSource.BATTERY, input_v=231.0))
    watch.give(reading("W1", 15.5, source=OutputSource.BATTERY, input_v=231.0))
    assert north(watch).dead_since is not None


def test_starts_that_had_failed_are_over_when_a_unit_is_fed() -> None:
    watch = Watch()
    outage(watch)
    judged(watch, 90, on_battery_since(10, lasts_s=1040, failed=3))
    assert watch.alarm_state("starts_failed:works").active
    watch.give(reading("W1", 95.0), reading("W2", 95.0))
    judged(watch, 95, replace(on_battery_since(10, lasts_s=1040), fed=("W1", "W2")))
    watch.pass_time(96, 102)
    assert not watch.alarm_state("starts_failed:works").active
    assert not watch.alarm_state("no_supply_in_time:works").active


def test_while_nothing_is_read_starts_neither_fail_nor_work() -> None:
    watch = Watch()
    outage(watch)
    reckoned = replace(on_battery_since(10, lasts_s=1040), reckoned_since=START + timedelta(seconds=20))
    judged(watch, 100, reckoned)
    assert not watch.alarm_state("starts_failed:works").active
    assert not watch.alarm_state("no_supply_in_time:works").active


# ---- what is said while only some are fed ----------------------------------------------------------------


def test_a_unit_whose_bank_ended_is_not_fed_again() -> None:
    watch = Watch()
    outage(watch)
    judged(watch, 16, on_battery_since(10, lasts_s=1500))
    watch.give(
        reading("W1", 40.0, source=OutputSource.NONE, input_v=0.0), *(on_bank(u, 40.0) for u in NORTH[1:])
    )
    judged(watch, 40, on_battery_since(10, lasts_s=600))  # the rest carry more, so it ends sooner
    watch.pass_time(41, 60)
    changed = [n for n in watch.notices("power-north") if n.at > START + timedelta(seconds=40)]
    assert changed
    for notice in changed:
        assert "Supply is there" not in notice.do


def test_units_that_have_voltage_and_take_it_one_after_the_other_send_nobody_to_the_set() -> None:
    watch = Watch()
    outage(watch)
    judged(watch, 16, on_battery_since(10, lasts_s=1500))
    watch.give(*(reading(u, 88.0, source=OutputSource.BATTERY, input_v=228.0) for u in ("W5", "W6")))
    watch.pass_time(88, 95)
    (notice, *_) = [n for n in watch.notices("power-north") if n.at >= START + timedelta(seconds=88)]
    assert notice.do.startswith("Supply is there: what still runs on its bank should take it within")
    assert "set-1" not in notice.do


def shed_works(watch: Watch, seconds: float, lasts_s: float) -> None:
    """Judge the works on their banks with a load group that would have to be shed to hold for what is wanted."""
    at = START + timedelta(seconds=seconds)
    shed = ShedFirst(
        at,
        900.0,
        told("a start by hand"),
        (ShedStep("desks", 3600.0, "night desk, panel 3"),),
        at + timedelta(seconds=960),
        reached=True,
        shed_by=at + timedelta(seconds=60),
    )
    judged(watch, seconds, replace(on_battery_since(10, lasts_s=lasts_s), shed=shed))


def test_an_outage_told_as_supply_comes_back_has_the_return_in_its_headline_and_one_order() -> None:
    watch = Watch()
    watch.calm(5)
    watch.give(*(on_bank(u, 10 + 0.1 * n) for n, u in enumerate(NORTH)))
    shed_works(watch, 12, 400)
    watch.give(*(reading(u, 13.0, source=OutputSource.BATTERY, input_v=228.0) for u in NORTH))
    watch.pass_time(14, 20)
    (notice, *_) = watch.notices("power-north")
    assert notice.kind is NoticeKind.OPENED
    assert notice.what == "Mains lost at supply north, and supply is there again: 10 units still on battery."
    assert notice.do.startswith("Supply is there: what still runs on its bank should take it within")
    assert "desks" not in " ".join(notice.lines)
    assert "there again" in notice.short


def test_what_is_told_later_while_supply_waits_to_be_taken_says_so_first_and_asks_for_the_rest_only_if_it_is_not() -> (
    None
):
    """The end is nearer than the time in which the units would take their supply."""
    watch = Watch()
    outage(watch)
    judged(watch, 16, on_battery_since(10, lasts_s=1500))
    watch.give(*(reading(u, 80.0, source=OutputSource.BATTERY, input_v=228.0) for u in NORTH))
    shed_works(watch, 80, 100)
    watch.pass_time(81, 88)
    later = [n for n in watch.notices("power-north") if n.kind is NoticeKind.CHANGED]
    assert later
    assert later[-1].what.startswith("Supply is there again: Treatment works drops its load soon.")
    assert "if it does not: " in later[-1].do
    for notice in later:
        assert notice.what.startswith("Supply is there again: Treatment works")
        assert not any(notice.what.endswith(line) for line in notice.lines), "said once"
        assert notice.do.startswith("Supply is there: what still runs on its bank should take it within")
        assert not any("desks" in line for line in notice.lines)


def test_no_message_says_that_the_set_must_come_while_units_of_the_system_are_fed_again() -> None:
    watch = Watch()
    outage(watch)
    judged(watch, 16, on_battery_since(10, lasts_s=1500))
    fed = ("W1", "W2", "W3", "W4")
    for seconds in range(40, 150, 5):
        watch.give(*(on_bank(u, seconds) for u in ("W5", "W6")))
        watch.calm(seconds, fed + UNITS["control"])
        judged(watch, seconds, replace(on_battery_since(10, lasts_s=1500), fed=fed + UNITS["control"]))
        watch.pass_time(seconds, seconds + 4)
    later = [n for n in watch.notices("power-north") if n.at > START + timedelta(seconds=40)]
    assert later, "control is back on supply"
    for notice in later:
        assert "generator runs" not in texts(notice)
        assert "See that set-1" not in texts(notice)
        assert notice.do.startswith("Supply is there: see that what still runs on its bank takes it")
    assert "Treatment works: 2 units on battery, 27.1 kW, 4 of 6 units are fed; " in texts(later[-1])


def test_a_system_of_which_no_unit_is_fed_while_another_system_is_has_its_own_way_in_to_look_at() -> None:
    watch = Watch()
    outage(watch)
    judged(watch, 96, replace(on_battery_since(10, lasts_s=1040), fed=UNITS["control"]))
    alarm = watch.state.alarms["no_supply_in_time:works"]
    assert say(alarm.what).startswith(
        "No supply for Treatment works within the 1.3 min allowed for set-1, though 4 other units on its supply are fed."
    )
    assert say(alarm.do) == "Look at the breakers between the supply and this system: others on it are fed."


def test_a_system_whose_fed_units_can_carry_its_load_does_not_end() -> None:
    watch = Watch()
    outage(watch)
    judged(watch, 20, on_battery_since(10, lasts_s=300))
    assert not watch.alarm_state("ends_soon:works").active, "a dip of a second or two is no end"
    watch.pass_time(21, 22)
    assert watch.alarm_state("ends_soon:works").active
    carried = OnBattery(START + timedelta(seconds=10), None, None, fed=WORKS[:5], carried=True)
    watch.calm(30, WORKS[:5])
    judged(watch, 30, carried)
    watch.pass_time(31, 45)
    assert not watch.alarm_state("ends_soon:works").active


# ---- when all is back ------------------------------------------------------------------------------------


def test_when_all_is_fed_again_nothing_is_asked_of_anybody() -> None:
    watch = Watch()
    outage(watch)
    watch.pass_time(17, 70)
    watch.calm(71, NORTH)
    watch.pass_time(72, 130)
    after = [n for n in watch.notices("power-north") if n.at > START + timedelta(seconds=71)]
    assert [n.kind for n in after][-1] is NoticeKind.CLOSED
    assert [n.do for n in after] == [""] * len(after)
    assert all("See that" not in texts(n) for n in after)


def test_an_outage_that_is_over_when_it_is_told_is_told_as_over() -> None:
    watch = Watch()
    watch.calm(5)
    watch.give(*(on_bank(u, 10.0) for u in NORTH if u != "C1"))
    watch.pass_time(11, 12)
    watch.calm(13, NORTH)
    watch.pass_time(13, 60)
    opened = watch.notices("power-north")[0]
    assert opened.kind is NoticeKind.OPENED
    assert opened.do == ""
    assert "units on battery" not in opened.what
    assert "9 units went on battery and are fed again" in opened.what


def test_two_of_three_systems_units_on_battery_are_not_called_a_mains_failure() -> None:
    watch = Watch()
    watch.calm(5)
    watch.give(on_bank("W1", 10.0), on_bank("W2", 10.0))
    for seconds in (11, 13, 15):
        watch.calm(seconds, tuple(u for u in NORTH if u not in ("W1", "W2")))
        watch.pass_time(seconds, seconds + 1)
    opened = watch.notices("power-north")[0]
    assert (
        opened.what
        == "Supply lost at Treatment works: 2 units on battery; 8 units on the same supply still have mains."
    )
    assert "set-1" not in texts(opened)


# ---- words that count down -------------------------------------------------------------------------------


def test_words_that_count_down_go_on_counting_while_the_cards_are_silent() -> None:
    watch = Watch()
    outage(watch)
    lasts = on_battery_since(10, lasts_s=490)
    judged(watch, 16, lasts)
    for seconds in range(20, 140, 5):
        watch.give(*(silence(u, seconds) for u in WORKS))
        # as of the last reading, whatever the time is
        state = system_state(
            "works", 16, on_battery=replace(lasts, reckoned_since=START + timedelta(seconds=16))
        )
        watch.give(SystemJudged(stamp(seconds), state))
    # 10 + 490 - 135 = 365 s left
    assert "It holds 6.0 min more at the least (reckoned" in say(watch.state.alarms["ends_soon:works"].what)
    said = say(watch.state.alarms["on_battery:W1"].what)
    assert "was last seen feeding" in said
    assert said.endswith("its system holds 6.0 min more at the least, by reckoning.")


# ---- what is gone again when its turn to be told comes ----------------------------------------------------


def test_an_end_that_was_near_for_a_moment_only_is_not_told_as_near() -> None:
    watch = Watch()
    outage(watch)
    judged(watch, 58, on_battery_since(10, lasts_s=620))
    watch.pass_time(59, 60)
    assert watch.alarm_state("ends_soon:works").active
    judged(watch, 61, on_battery_since(10, lasts_s=1500))
    assert watch.alarm_state("ends_soon:works").active, "it waits out its off-delay"
    watch.pass_time(62, 90)
    assert all("its load soon" not in texts(n) for n in watch.notices("power-north"))


def test_an_end_that_comes_near_again_within_the_off_delay_is_told() -> None:
    watch = Watch()
    outage(watch)
    judged(watch, 60, on_battery_since(10, lasts_s=620))
    judged(watch, 61, on_battery_since(10, lasts_s=1500))
    judged(watch, 66, on_battery_since(10, lasts_s=620))
    watch.pass_time(67, 75)
    latest = watch.notices("power-north")[-1]
    assert "drops its load soon" in latest.what
    assert latest.severity.value == "critical"


def test_what_was_so_for_a_moment_is_told_as_over_where_it_opens_an_incident() -> None:
    watch = Watch()
    watch.calm(5)
    watch.give(reading("W1", 10.0, power_w=9900.0, load_pct=110.0))
    watch.calm(12, ("W1",))
    watch.pass_time(13, 20)
    (notice,) = watch.notices("unit-W1")
    assert notice.what.startswith("It was so and is over again: ")


# ---- a dip after the return ------------------------------------------------------------------------------


def test_after_a_dip_the_time_allowed_for_the_set_begins_anew() -> None:
    """The generator carried for a while; going back to the mains takes the units to their banks for some seconds."""
    watch = Watch()
    outage(watch)
    dipped = START + timedelta(seconds=300)
    for seconds, missed in ((301.0, False), (386.0, True)):  # 75 s allowed and 10 s of grace, from 300 s on
        judged(watch, seconds, replace(on_battery_since(10, lasts_s=1500), unfed_since=dipped))
        assert watch.alarm_state("no_supply_in_time:works").active is missed


def test_a_unit_that_never_left_its_bank_has_not_come_back_because_the_others_dipped() -> None:
    watch = Watch()
    outage(watch)
    others = tuple(u for u in NORTH if u != "W4")
    for seconds in range(20, 160, 5):
        watch.calm(seconds, others)
        watch.give(on_bank("W4", seconds))
        watch.pass_time(seconds, seconds + 4)
    assert watch.alarm_state("still_on_battery:W4").active
    for seconds in range(160, 190, 5):
        watch.give(*(on_bank(u, seconds) for u in NORTH))
        watch.pass_time(seconds, seconds + 4)
    assert watch.alarm_state("still_on_battery:W4").active
    assert [n.kind for n in watch.notices("unit-W4")].count(NoticeKind.CLOSED) == 0
    for seconds in range(190, 230, 5):
        watch.calm(seconds, NORTH)
        watch.pass_time(seconds, seconds + 4)
    assert not watch.alarm_state("still_on_battery:W4").active


def test_voltage_at_the_inputs_is_given_the_time_to_be_accepted_before_anybody_is_sent() -> None:
    watch = Watch()
    outage(watch)
    lit = replace(on_battery_since(10, lasts_s=1500), offered_since=START + timedelta(seconds=100))
    # 20 s to accept and 20 s to walk in where nothing is declared, no hold-off; and 10 s of grace
    judged(watch, 149, lit)
    assert not watch.alarm_state("no_supply_in_time:works").active
    judged(watch, 151, lit)
    alarm = watch.state.alarms["no_supply_in_time:works"]
    assert alarm.state.active
    assert say(alarm.what).startswith(
        "Treatment works has had voltage at its inputs for 51 s and does not take it."
    )
    assert say(alarm.do).startswith("Look at what the units' displays say of their input")


def test_an_order_that_stands_as_supply_comes_back_is_not_given_again_while_the_units_take_it() -> None:
    """No start worked and the end is near; then 231 V stand at every input, and are taken 40 s later."""
    watch = Watch()
    outage(watch)
    judged(watch, 16, on_battery_since(10, lasts_s=900))
    dark = replace(on_battery_since(10, lasts_s=650), unfed_since=START + timedelta(seconds=10))
    judged(watch, 94, dark)
    judged(watch, 96, dark)
    assert watch.alarm_state("no_supply_in_time:works").active
    assert watch.alarm_state("ends_soon:works").active
    for seconds in range(97, 137, 5):
        watch.give(*(reading(u, seconds, source=OutputSource.BATTERY, input_v=231.0) for u in NORTH))
        came = START + timedelta(seconds=97)
        lit = replace(dark, unfed_since=None, offered_since=came, takes_by=came + timedelta(seconds=50))
        judged(watch, seconds + 1, lit)
        watch.pass_time(seconds + 1, seconds + 4)
        for kind in ("no_supply_in_time", "ends_soon"):
            alarm = watch.state.alarms[f"{kind}:works"]
            assert say(alarm.what).startswith("Treatment works has supply at the inputs of all that run")
            assert say(alarm.do).startswith("See that what runs on its bank takes the supply within")
    told_since = [n for n in watch.notices("power-north") if n.at >= START + timedelta(seconds=98)]
    for notice in told_since:
        assert "by hand" not in texts(notice)
        assert "Shed" not in texts(notice)


def test_units_told_of_already_are_not_told_again_as_new_when_their_end_comes_near() -> None:
    watch = Watch()
    outage(watch)
    judged(watch, 20, on_battery_since(10, lasts_s=900))
    watch.pass_time(21, 90)
    judged(watch, 91, on_battery_since(10, lasts_s=640))
    watch.pass_time(92, 100)
    later = [n for n in watch.notices("power-north") if n.at > START + timedelta(seconds=20)]
    assert later
    assert all(not n.what.startswith("Now ") for n in later)
    assert any("drops its load soon" in n.what for n in later)
