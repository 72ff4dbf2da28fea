"""Which predicate decides which kind of statement, and why no story can decide the others.

Kinds: "unit standing" and the like of a system's or a bank's state, "alarm ID" of the catalogue, "notice KIND" of letters,
"reason CODE" of `rules.values.code`. A kind that stands nowhere here fails a test.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from collector.simulation.plant.unit import Mode
from rules.alarms.catalogue import CATALOGUE
from rules.alarms.incidents.incident import NoticeKind
from rules.values.code import Code
from tests.audit.predicates import alarms, banks, holding, letters, load, needs, power, sets
from tests.audit.predicates.events import EVENTS
from tests.audit.predicates.undecided import OPEN, undecided
from tests.audit.sight import Finding, Sight
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
    "bank shown_to_carry": banks.shown_to_carry,
    "bank probability_met": banks.probability_met,
    "bank claims": banks.claims,
    "bank too_small": banks.too_small,
}
ALARMS: Final[Mapping[str, Predicate]] = {
    "on_battery": alarms.on_battery,
    "ends_soon": holding.ends_soon,
    "starts_failed": sets.all_starts_failed,
    "no_supply_in_time": sets.no_supply_in_time,
    "not_on_battery": alarms.standing(alarms.not_on, "it was on its bank, or fed", late_s=10.0),
    "still_on_battery": alarms.standing(alarms.still_on, "it was fed, or nobody beside it was", late_s=5.0),
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
