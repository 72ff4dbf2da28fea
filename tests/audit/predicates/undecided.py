"""Kinds of statements that no predicate decides: those that no story can decide, with why; and those still to be written.

`OPEN` may only shrink.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final


def _names(text: str) -> frozenset[str]:
    return frozenset(text.split())


CODES: Final[Mapping[str, frozenset[str]]] = {
    "words of others": _names("told"),
    "it says what to do, and nothing of what is so": _names(
        """safety advice_only
        do_relieve_lines do_see_it_taken do_see_set_runs do_take_set_on_load do_without_set do_start_set_and_shut_down do_shut_down_in_order do_start_set_by_hand do_look_at_breakers do_look_at_displays do_send_to_set
        do_restore_ends_too_early do_restore_lasts_too_long do_restore_margin_gone do_restore_load_above_plan do_restore_unit_missing
        do_restore_not_seen do_renew_larger do_measure_block_voltages do_check_links_and_fuses do_retorque_links
        do_test_yearly do_discharge do_measure_blocks_again do_not_plan_by_display do_plan_discharge do_test_with_care do_inspect_at_once
        advised do_let_it_carry do_ask_for_shorter_times do_not_renew_alike do_check_float_voltage do_look_at_charger do_check_compensation
        do_check_current_limit do_check_rest_periods do_stop_charge do_compare_blocks
        person_permit person_two_people person_others_warned person_cautions person_wall_bypass
        tell_by_table tell_by_shorter_times tell_by_past_test tell_by_carrying buys_hold_up buys_past_capacity buys_capacity buys_carrying
        helps_larger_bank helps_shorter_wait helps_less_load"""
    ),
    "it names what is not looked at": _names(
        """not_checked_positions not_checked_starting_loads not_checked_set not_checked_changeover not_checked_cooling
        not_checked_single_blocks not_checked_groups not_checked_process not_checked_room not_checked_inrush not_checked_prices
        unseen_synchronism unseen_breakers unseen_neutral_and_earth unseen_phase_rotation unseen_wall_bypass_rating unseen_stored_dc
        unseen_control_loop"""
    ),
    "it says what the service knows or assumes, not what the plant is": _names(
        """comes_and_goes tests_not_told load_not_known other_unit_not_known load_ahead_not_known others_hold_not_known others_hold_unasked
        charge_not_known bypass_not_told input_not_told card_not_proved card_proved requirement_unknown spare_unknown banks_unproven
        unit_not_told unit_rating_not_known load_not_known_on_lines va_not_known_on_lines banks_not_judged_yet bank_without_table
        banks_unseen banks_seen_too_long_ago banks_seen_too_briefly bank_out_of_reach bank_beyond_table hold_up_not_reckoned
        hold_up_reckoned_long_ago hold_up_not_known no_load_to_judge_by tables_not_known when_last_told banks_being_proven never_shown_to_carry shown_to_carry_long_ago
        shown_to_carry_too_little expected_though_seen expected_beyond_table expected_unseen ratings_not_known not_enough_even_if_sound bounds_disagree
        peak_of_less_than_a_day judged_by_load_now peak_of_days with_banks_unproven cannot_judge_unit shed_not_told shed_being_reckoned
        shed_not_since run_never_seen run_never_seen_since runs_not_told no_start_on_record return_unknown return_marked_unknown
        return_marked return_by_frequency voltage_never_read voltage_not_read_lately voltage_read_too_briefly not_shown_to_carry
        carries_too_short_yet bank_unseen log_judged_by log_reference_useless log_reference_in_the_middle log_reference_too_short log_without_curve
        log_too_little_used log_too_little_left log_above_table log_may_not_be_full load_beyond_table resting_units_counted_on
        banks_being_charged"""
    ),
    "it repeats what the estate file or a person declares": _names(
        """card_shared card_each no_bank_behind set_not_counted_on set_not_ready set_for_a_person no_generator_declared
        hand_start_not_declared time_not_declared unit_without_bank equipment_declared planned_work_begins planned_work_ends
        planned_work_withdrawn work_begins work_extended work_closed card_gives_sum card_gives_one unit_without_cabinet
        bank_without_blocks no_blocks_in_bank no_blocks_in_place no_time_required service_without_date bank_without_date
        planned_on_banks planned_set_isolated
        refused_by_state refused_no_alarm refused_no_end estate_file_behind calendar_unreadable watch_would_die news_declared shed_step shed_no_group remedy_no_group plan_no_group
        plan_agreed_order plan_nothing_to_shed plan_nobody_sheds stated_bank growth_given wanted_hour wanted_purpose"""
    ),
    "it is of a plan that is played for months or years to come, or for another load: no story lasts so long": _names(
        """cheapest_day life_by_others news_of_others discharge_advised discharge_buys discharge_risks discharge_others_carry
        discharge_others_short discharge_others_not_known discharge_of_only_unit discharge_of_common_bank no_test_pays no_test_pays_safely no_test_pays_shown_over no_test_pays_without_date
        no_test_pays_without_table retire_too_much retire_little_left retire_too_little_later retire_fits retire_bank retire_banks_enough retire_banks_short
        retire_banks_unknown bank_task bank_watts type_not_reaching type_gives no_trend_on_record no_growth_counted line_grows_faster
        line_load_step load_that_went size_asked no_usual_rating least_rating rating_at_fast_growth set_too_small_for_units
        standing_losses_move assumed_standing_losses assumed_set_over_units assumed_peaks_together assumed_altitude
        assumed_bank_times few_months_on_record season_too_few season_growth season_not_clear season_years_differ season_hardly
        season_extremes margin_too_few_weeks margin_no_trend margin_trend margin_not_clear job job_due bank_due unit_due service_due
        service_never_done bank_not_judged bank_too_small set_test_due run_last run_too_short run_too_light test_never_accepted
        test_two_yearly test_by_quarters test_yearly_by_capacity test_yearly_by_age test_yearly_since test_is_due test_may_end_bank
        ride_above_table ride_all_shed ride_carried ride_unproven ride_seen_too_old ride_lost ride_lost_expected ride_carried_at_times
        ride_no_supply_back ride_fuel_out ride_no_unit load_by_record load_as_given load_hour_not_on_record assumed_sharing
        assumed_recharge assumed_shed_loads_back assumed_end_of_life assumed_last_try assumed_no_set care_readings_old care_on_battery
        care_in_test remedy_everything remedy_shed_too_late remedy_not_enough remedy_shed plan_banks_not_known plan_without_shedding
        plan_too_late plan_steps_give plan_everything plan_gives plan_still_short plan_shed_by plan_waiting_costs breach_load_not_known
        breach_load breach_units breach_overrun breach_end_not_known breach_ends_too_early breach_margin row_load row_left row_watched
        row_stretch said_carried said_lost said_carried_as_seen said_carried_without_banks said_at_least said_left said_at_most
        said_lasted said_not_known said_not_happened said_throughout said_not_for plan_to_break_off plan_no_longer_holds
        happens_bank_ends happens_feed_off happens_feed_on happens_fuel_out happens_load_lost happens_load_to_mains
        happens_mains_back happens_mains_lost happens_set_takes_load happens_shed happens_start_fails happens_start_works
        happens_unit_drops_out"""
    ),
    "no partner, no work and no further collector stands in the stories": _names(
        """partner_not_read partners_record_short partners_loads_not_known partner_load_not_known_now partner_line_uncarried
        partner_load_fits partner_load_does_not_fit partner_not_taken unit_takes_nothing idle_not_counted_on work_not_seen_yet
        work_in_service work_out work_out_unheard work_out_peers_took work_back work_back_unheard work_sharing work_charged
        work_unheard work_over work_over_never_out work_as_planned unplanned_bypass unplanned_load_fell unplanned_on_battery
        unplanned_not_heard unplanned_left work_unexpected work_overdue collector_silent set_words_failing"""
    ),
    "nobody says or marks in the stories what a generator did, and its starts are counted over months": _names(
        "set_took_load set_did_not_carry starts_seen"
    ),
    "it is of the service itself, whose machine is no part of the plant": _names(
        "polls_late readings_wait judgements_wait disk_filling clock_set clock_jumped delivery_behind channel_failing "
        "messages_undeliverable"
    ),
    "logs that people bring, and cards that show figures of no sense: neither is in the stories": _names(
        """log_too_few_rows log_too_few_times log_too_few_discharging log_nothing_discharging log_without_power log_voltage_stands
        log_not_lead_acid log_meters_contradict log_out_of_order log_voltage_scaled log_sign_turned log_current_scaled log_rows_repeat
        log_rows_stray log_last_row_stray log_gap log_current_of_one_string log_power_by_output log_rows_without_power
        log_meters_disagree log_columns_swapped log_temperature_zero log_temperature_fahrenheit log_temperature_tenths
        log_temperature_none log_current_zero log_current_stuck log_current_stopped log_current_stands log_rows_bridged log_rows_without_volts
        log_runs_on_under_end log_declared_otherwise log_stands_still log_cells_do_not_fit
        log_off_every_product log_gives_too_much log_strings_may_lack log_holds_several log_not_all_back log_begins_in_the_middle
        log_still_charging"""
    ),
}
"""Why no story can decide what a code says."""

ALARM_KINDS: Final[Mapping[str, frozenset[str]]] = {
    "it says what the service knows, not what the plant is": _names(
        "requirement_unknown banks_unproven redundancy_unknown bank_not_shown watch_would_die"
    ),
    "no partner, no work, no plan and no further collector stands in the stories": _names(
        "break_off plan_no_longer_holds cannot_take_partner work_unexpected work_overdue set_words_failing collector_silent"
    ),
    "it is of months or years, and of what is declared": _names(
        "bank_past_age bank_test_due unit_order_now fans_due capacitors_due visit_due set_test_due estate_file_behind "
        "calendar_unreadable"
    ),
    "it is of the service itself, whose machine is no part of the plant": _names("disk_filling clock_jumped"),
}
STATE_KINDS: Final[Mapping[str, frozenset[str]]] = {
    "it is of another plant: every bank at the end of its life": frozenset({"hold-up at end of life"}),
    "it repeats what is declared, or when something was judged": frozenset(
        {"bank id", "bank fitted", "bank rests_on", "bank tests", "bank unproven", "bank charging"}
    ),
    "it is of lives that last years: no story lasts so long": frozenset({"bank by_others"}),
    "no site of the stories states prices": frozenset({"bank by_cost"}),
    "no partner and no work stands in the stories": frozenset({"partner", "work stage"}),
}

OPEN: Final[frozenset[str]] = frozenset()
"""What a story could decide, and no predicate does yet."""
MOST_OPEN: Final = 0
"""Nothing is left to be written; what is new gets a predicate, or a reason why it has none."""


def undecided() -> frozenset[str]:
    """Return the kinds that no story can decide."""
    return frozenset(
        {
            *(f"reason {name}" for names in CODES.values() for name in names),
            *(f"alarm {name}" for names in ALARM_KINDS.values() for name in names),
            *(name for names in STATE_KINDS.values() for name in names),
        }
    )
