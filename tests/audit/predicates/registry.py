"""Which predicate decides which kind of statement, and why no story can decide the others.

Kinds: "unit standing" and the like of a system's or a bank's state, "alarm ID" of the catalogue, "notice KIND" of letters,
"reason CODE" of `rules.values.code`. A kind that stands nowhere here fails a test.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from collector.simulation.plant.unit import CARRYING, Mode
from rules.alarms.catalogue import CATALOGUE
from rules.alarms.incidents.incident import NoticeKind
from rules.values.code import Code
from tests.audit.predicates import (
    alarms,
    banks,
    holding,
    isolation,
    letters,
    load,
    needs,
    news,
    outages,
    power,
    sets,
    units,
)
from tests.audit.predicates.events import EVENTS
from tests.audit.predicates.undecided import OPEN, undecided
from tests.audit.sight import ON, Finding, Sight
from tests.audit.statements import Statement

Predicate = Callable[[Sight, Statement], Finding]

STATES: Final[Mapping[str, Predicate]] = {
    "unit standing": power.standing,
    "on battery": power.on_battery,
    "on battery since": power.on_battery_since,
    "fed": power.fed,
    "carried": holding.carried,
    "ends": holding.ends,
    "starts failed": sets.starts_failed,
    "load": load.load,
    "line load": load.line_load,
    "redundancy": load.redundancy,
    "redundancy at": load.redundancy_at,
    "hold-up now": holding.hold_up_now,
    "hold-up one lost": holding.hold_up_one_lost,
    "hold-up unit lost": holding.hold_up_unit_lost,
    "requirement": holding.requirement,
    "hold-up recharged": needs.recharged,
    "bank capacity": banks.capacity,
    "bank asked_fraction": banks.asked_fraction,
    "bank dates": banks.dates,
    "bank effective_age_years": banks.effective_age,
    "bank worn_as_c": banks.worn_as,
    "bank shown_to_carry": banks.shown_to_carry,
    "bank probability_met": banks.probability_met,
    "bank claims": banks.claims,
    "bank too_small": banks.too_small,
    "start set before": outages.start_set_before,
    "shed first": outages.shed_first,
    "finding alone_on_battery": units.found(units.alone, "it was not alone on its bank"),
    "finding not_on_battery": units.found(units.normal_alone, "it was not alone fed"),
    "finding late_back": units.unit_late,
    "isolation": isolation.may_be_taken_out,
}
ALARMS: Final[Mapping[str, Predicate]] = {
    "on_battery": alarms.on_battery,
    "ends_soon": holding.ends_soon,
    "starts_failed": sets.all_starts_failed,
    "no_supply_in_time": sets.no_supply_in_time,
    "not_on_battery": alarms.standing(alarms.not_on, "it was on its bank, or fed", late_s=10.0),
    "still_on_battery": alarms.standing(
        alarms.still_on, "it was fed, or nobody beside it was", late_s=5.0, surely=alarms.still_alone
    ),
    "bank_low": alarms.standing(alarms.low, "its card did not say so", says_over=False),
    "redundancy_lost": load.spare_gone,
    "overload": load.overload,
    "on_bypass": alarms.standing(lambda now, u: now.mode(u) is Mode.BYPASS, "it was not on bypass"),
    "output_off": alarms.standing(
        lambda now, u: now.mode(u) in (Mode.ENDED, Mode.ISOLATED), "it fed its output"
    ),
    "card_silent": alarms.silent,
    "unit_not_read": alarms.silent,
    "bank_hot": alarms.standing(alarms.hot, "it was not so warm", late_s=300.0, says_over=False),
    "phase_imbalance": alarms.standing(alarms.uneven, "the lines are alike", late_s=600.0, says_over=False),
    "load_share": alarms.never("units share within 3 % of their part"),
    "reactive_share": alarms.never("units share alike"),
    "circulating_current": alarms.never("no current circulates"),
    "not_seen_carrying": alarms.never("a unit in service carries its part"),
    "figure_left_out": alarms.never("no card leaves a figure out"),
    "voltage_apart": alarms.never("all give one voltage"),
    "frequency_apart": alarms.never("all give one frequency"),
    "settings_differ": alarms.never("all are set alike"),
    "rating_differs": alarms.never("all are rated alike"),
    "software_differs": alarms.never("all run the same software"),
    "different_equipment": alarms.never("nobody changed a cabinet"),
    "unclassified_card_alarm": alarms.never("no card reports what RFC 1628 does not name"),
    "self_test_failed": alarms.never("no test ended with a failure"),
    "cannot_judge_unit": alarms.never("every reading can be judged"),
    "polls_late": alarms.never("nothing keeps the service from asking"),
    "readings_wait": alarms.never("nothing waits"),
    "judgements_wait": alarms.never("nothing waits"),
    "store_failing": alarms.never("its disk is sound"),
    "worker_failing": alarms.never("every judgement can be made"),
    "delivery_behind": alarms.never("every letter is taken at once"),
    "channel_failing": alarms.never("every letter is taken"),
    "messages_undeliverable": alarms.never("every letter is taken"),
    "charger_lost": alarms.never("every charger charges"),
    "bank_runaway": alarms.never("no bank runs away"),
    "requirement_not_met": needs.not_met,
    "two_sources": units.two_sources,
    "late_back": units.late_back,
    "stayed_on_mains": units.stayed_on_mains,
    "card_alarm": alarms.card_alarm_stands,
    "bank_too_small": banks.alarm_too_small,
    "bank_order_now": banks.due,
    "bank_replace_now": banks.due,
    "bank_will_not_carry": banks.does_not_carry,
    "bank_suspect": banks.suspect,
    "charging_wrong": banks.sound("its charger keeps it as it should be"),
}
LETTERS: Final[Mapping[str, Predicate]] = {
    f"notice {kind}": letters.letter for kind in ("opened", "changed", "escalated", "closed")
}
AS_ITS_ALARM: Final = (
    "bank_low", "on_bypass", "output_off", "overload", "not_on_battery", "still_on_battery",
)  # fmt: skip
"""Reasons that say what the alarm of the same name says."""
REASONS: Final[Mapping[str, Predicate]] = {
    **{name: ALARMS[name] for name in AS_ITS_ALARM},
    "mains_lost": power.mains_lost,
    "on_battery_holds": holding.left_at_least,
    "on_battery_carried": power.unit_on_its_bank,
    "on_battery_not_told": power.unit_on_its_bank,
    "on_battery_outlasted": power.unit_on_its_bank,
    "ends_soon": holding.left_at_least,
    "set_starts_failed": sets.starts_failed_told,
    "card_alarm": alarms.card_alarm,
    "every_line_passes": load.every_line_passes,
    "line_fails": load.every_line_passes,
    "alone_on_battery": units.beside(ON, units.FED, "alone on its bank"),
    "reads_normal_alone": units.beside(units.FED, ON, "alone fed"),
    "on_bypass_alone": units.beside(frozenset({Mode.BYPASS}), CARRYING, "past its inverter alone"),
    "by_inverter_alone": units.beside(CARRYING, frozenset({Mode.BYPASS}), "by its inverter alone"),
    "came_back_late": units.came_back_late,
    "stayed_on_mains": units.stayed_on_mains,
    "units_differ": isolation.named("findings"),
    "line_loaded": units.line_loaded,
    "line_loaded_by_card": units.line_loaded_by_card,
    "load_share": units.load_share,
    "phases_apart": units.phases_apart,
    "board_lines_apart": units.lines_apart,
    "bank_hot": units.bank_hot,
    "spare_gone": units.spare_gone_told,
    "spare_gone_on_line": units.spare_gone_on_line,
    "unit_no_spare": units.no_spare,
    "unit_unread": units.unread,
    "unit_vouched_for": units.vouched_for,
    "reading_old": units.unread,
    "card_silent": units.unread,
    "card_silent_since_now": units.unread,
    "card_answers": units.answers,
    "bank_findings": banks.wrong_of,
    "card_promises_wrong": banks.promises_wrong,
    "bank_dates_moved": news.dates_moved,
    "news_discharge_known": news.discharge_known,
    "news_nothing_asked": news.nothing_asked,
    "news_time_asked": news.time_asked,
    "news_load_asked": news.load_asked,
    "news_time_passed": news.time_passed,
    "shed_first": outages.shed_first_told,
    "shed_nothing_yet": outages.shed_nothing_yet,
    "shed_all": outages.shed_all,
    "shed_too_late": outages.shed_all,
    "no_supply_in_time": outages.no_supply_in_time,
    "no_way_in": outages.no_way_in,
    "supply_refused": outages.supply_refused,
    "line_over": load.line_over,
    "end_overloads": outages.end_overloads,
    "supply_being_taken": outages.supply_being_taken,
    "supply_back": outages.supply_back,
    "unit_from_battery": outages.unit_from_battery,
    "input_dip": outages.input_dip,
    **{
        name: EVENTS[name]
        for name in (
            "unit_to_battery",
            "unit_tests_bank",
            "unit_to_bypass",
            "unit_from_bypass",
            "unit_to_off",
            "unit_from_off",
            "card_restarted",
        )
    },
    "reading_not_fresh": isolation.not_fresh,
    "readings_fresh": isolation.all_fresh,
    "no_other_unit": isolation.no_other_unit,
    "others_not_carrying": isolation.named("wrong"),
    "others_carrying": isolation.others_carrying,
    "unit_stands": isolation.unit_stands,
    "test_or_shutdown_runs": isolation.tests_run,
    "no_test_no_shutdown": isolation.no_test,
    "load_too_much": isolation.room,
    "load_room_small": isolation.room,
    "load_fits": isolation.room,
    "others_hold": isolation.others_hold,
    "banks_not_full": isolation.banks_not_full,
    "banks_full": isolation.banks_full,
    "input_went_bad": isolation.went_bad,
    "bypass_out_of_band": isolation.out_of_band,
    "bypass_in_band": isolation.in_band,
    "input_out_of_band": isolation.out_of_band,
    "input_in_band": isolation.in_band,
    "at_frequency": isolation.at_frequency,
    "at_voltage": isolation.at_voltage,
    "on_battery_now": isolation.on_battery_now,
    "alarms_not_explained": isolation.named("alarms"),
    "card_says": isolation.card_says,
    "no_alarm_stands": isolation.no_alarm,
    **{
        name: alarms.never(why)
        for why, names in {
            "no card leaves a figure out": ("card_leaves_out", "no_current_on_line", "no_power_on_line"),
            "a unit in service carries its part": (
                "not_seen_carrying",
                "idle_no_spare",
                "hint_card_says",
                "hint_no_voltage",
                "hint_voltage",
                "hint_by_bypass",
            ),
            "units share within 3 % of their part": ("share_off",),
            "units share alike": ("reactive_share_off", "hardly_a_watt", "power_factor_apart"),
            "all are on one busbar": ("voltage_apart", "frequency_apart"),
            "all are alike": ("software_differs", "settings_differ", "rating_differs"),
            "no test ended with a failure": ("self_test_failed",),
            "no card reports what RFC 1628 does not name": ("card_alarm_unclassified",),
            "nobody changed a cabinet": ("different_equipment",),
            "a load that lasts for weeks is in no story": ("load_step",),
        }.items()
        for name in names
    },
    "holds": needs.holds,
    "holds_too_short": needs.holds_too_short,
    "holds_one_lost": needs.holds_one_lost,
    "holds_with_all": needs.holds,
    "fails_one_lost": needs.fails_one_lost,
    "fails_with_all": needs.fails_with_all,
    "holds_with_one_lost": needs.holds_with_one_lost,
    "requirement_margin": needs.margin,
    "requirement_why": needs.why_of_a_need,
    "load_on_bypass": needs.on_bypass,
    "no_load_to_hold": needs.no_load,
    "load_is_off": needs.load_off,
    "overloads_one_lost": needs.overloads_one_lost,
    "bank_past_age": banks.past_age,
    "bank_renew_now": banks.due,
    "bank_renewal_missed": banks.due,
    "bank_order_now": banks.due,
    "blocks_give_less": banks.blocks_give_less,
    "failed_when_asked": banks.failed,
    "string_open": banks.parted,
    "capacity_fell": banks.fell,
    "recharging": banks.recharging,
    "news_discharge_judged": banks.judged_today,
    **{
        name: banks.sound(why)
        for why, names in {
            "all its cells are sound": (
                "short_suspected",
                "resistance_rose",
                "blocks_apart",
            ),
            "its charger keeps it as it should be": (
                "charging_wrong",
                "float_outside",
                "nothing_charges",
                "float_not_compensated",
                "recharge_too_slow",
                "not_charged_since_load",
                "rests_not_full",
                "rests_uncharged",
                "runaway_suspected",
            ),
            "it is kept as its siblings are": ("apart_from_siblings",),
        }.items()
        for name in names
    },
}
PREDICATES: Final[Mapping[str, Predicate]] = {
    **STATES,
    **{f"alarm {name}": one for name, one in ALARMS.items()},
    **LETTERS,
    **{f"reason {name}": one for name, one in REASONS.items()},
    **{f"event {name}": one for name, one in EVENTS.items()},
}
KINDS: Final = frozenset(
    {
        *(f"reason {code.value}" for code in Code),
        *(f"alarm {kind}" for kind in CATALOGUE),
        *(f"notice {kind.value}" for kind in NoticeKind),
    }
)
"""All that is said in the rules' own words."""


def not_thought_of() -> list[str]:
    """Return the kinds of statements that have neither a predicate nor a written reason why they have none."""
    return sorted(KINDS - PREDICATES.keys() - undecided() - OPEN)
