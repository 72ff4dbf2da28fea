"""Every alarm there is, as one declarative entry: the rationalisation record of IEC 62682 / ISA-18.2.

An alarm needs somebody to do something within a time; what needs nobody's action is an event and goes to
the journal only. Delays and limits are starting points from trade practice; a site's estate file may
override them (`with_overrides`). Severities are those of ITU-T X.733.

The texts here are general; `rules.alarms.conditions` puts the numbers of the case in front of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from rules.plant.estate import AnswerTimes
from rules.plant.topology import Thing
from rules.system.parallel import SHARE_DEADBAND, SHARE_OFF
from rules.values.advice import Advice
from rules.values.severity import Severity

USUAL_ANSWER_TIMES: Final = AnswerTimes()


class Cause(StrEnum):
    """Which family of causes an alarm belongs to; alarms of one family share an incident."""

    POWER = "power"
    NETWORK = "network"
    CONSEQUENCE = "consequence"
    OWN = "own"


class Explanation(StrEnum):
    """What may suppress an alarm by design.

    The first five come from planned work, `SET_ISOLATED` from a signed shutdown only, the rest from the plant.
    """

    MAINS_OFF = "mains_off"
    ISOLATION = "isolation"
    BANK_TEST = "bank_test"
    NETWORK_WORK = "network_work"
    SERVICE_VISIT = "service_visit"
    SET_ISOLATED = "set_isolated"
    SELF_TEST = "self_test"
    RESTING = "resting"
    ECONOMY_MODE = "economy_mode"
    SAID_ALREADY = "said_already"
    SAID_BEFORE = "said_before"


@dataclass(frozen=True, slots=True)
class AlarmLimit:
    """A limit on one number. It is passed at `value` and left `deadband` on the safe side of it."""

    fact: str
    value: float
    deadband: float
    unit: str
    above: bool = True

    def passed(self, number: float | None, *, was: bool) -> bool | None:
        """Return whether `number` is past the limit, given whether it was; None for an unknown number."""
        if number is None:
            return None
        back = self.deadband if was else 0.0
        return number > self.value - back if self.above else number < self.value + back


@dataclass(frozen=True, slots=True)
class Rise:
    """A step of the severity rule: from `severity` on when the fact is below (or above) `value`.

    Once there it stays until the fact is `deadband` back, or while the fact is not known.
    """

    fact: str
    value: float
    severity: Severity
    deadband: float = 0.0
    above: bool = False


@dataclass(frozen=True, slots=True)
class AlarmKind:
    """One entry of the catalogue. Times in seconds.

    `respond_s` is the time in which the response still helps. `answer_s`: how long it may stand acknowledged
    by nobody (0: for ever); None means what `answer_within` of its site says for its severity.
    """

    id: str
    about: Thing
    meaning: str
    causes: tuple[str, ...]
    consequence: str
    do: Advice
    respond_s: float
    severity: Severity
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    rises: tuple[Rise, ...] = ()
    limit: AlarmLimit | None = None
    suppressed_by: tuple[Explanation, ...] = ()
    cause: Cause = Cause.OWN
    latching: bool = False
    realarm_s: float | None = None
    breaks_out: bool = False
    answer_s: float | None = None
    answer_within: AnswerTimes = USUAL_ANSWER_TIMES

    @property
    def bound(self) -> AlarmLimit:
        """Return the limit. Raises ValueError for an alarm that has none."""
        if self.limit is None:
            raise ValueError(f"{self.id} has no limit")
        return self.limit

    @property
    def planning(self) -> bool:
        """Return whether it is a matter of planning: what is bought, tested or rebuilt, and wants nobody today."""
        of_plant = self.about in (Thing.BANK, Thing.SYSTEM, Thing.GENERATOR)
        return self.respond_s >= (DAY if of_plant else 7 * DAY)

    def severity_for(
        self, facts: Mapping[str, float | None] | None, *, standing: Severity | None = None
    ) -> Severity:
        """Return the severity in this case; `standing` is the one it has now, which steps down with a deadband."""
        worst = self.severity
        for rise in self.rises:
            number = None if facts is None else facts.get(rise.fact)
            at_it = standing is not None and standing.rank >= rise.severity.rank
            if number is None:
                applies = at_it
            else:
                back = rise.deadband if at_it else 0.0
                applies = number > rise.value - back if rise.above else number < rise.value + back
            if applies and rise.severity.rank > worst.rank:
                worst = rise.severity
        return worst

    def escalate_after_s(self, severity: Severity) -> float | None:
        """Return after how long without acknowledgement people are told again, or None."""
        if self.answer_s is not None:
            return self.answer_s or None
        times = self.answer_within
        return {
            Severity.CRITICAL: times.critical_s,
            Severity.MAJOR: times.major_s,
            Severity.MINOR: times.minor_s,
            Severity.WARNING: times.warning_s,
        }[severity]


HOUR: Final = 3600.0
ASKED_KNOWN_S: Final = 120.0
"""Within so long of a start it is known what a system asks of its banks; before that, what is due of one may be another."""
DAY: Final = 86400.0

_MAINS: Final = (Explanation.MAINS_OFF,)
_AT_WORK: Final = (Explanation.ISOLATION, Explanation.SERVICE_VISIT)
_S, _E = Severity, Explanation

BESIDE_FED: Final = Advice(
    "Look at its own input breaker and its display", "; other units on its supply are fed."
)
"""What to do of a unit on its bank beside fed ones: no generator that is started helps it."""

_ENTRIES: Final = (
    # ---- the mains and the banks -------------------------------------------------------------------
    AlarmKind(
        id="on_battery",
        about=Thing.UNIT,
        meaning="The unit feeds its load from its bank.",
        causes=(
            "mains lost",
            "a breaker or fuse in the unit's input open",
            "mains out of the unit's tolerance",
        ),
        consequence="When the bank is empty the load drops.",
        do=Advice(
            "See that the generator runs and carries",
            "; otherwise start it by hand, and shed load where the banks do not hold so long.",
        ),
        respond_s=300.0,
        severity=_S.MAJOR,
        on_delay_s=2.0,
        off_delay_s=5.0,
        rises=(Rise("left_s", 600.0, _S.CRITICAL, deadband=120.0),),
        suppressed_by=(*_MAINS, *_AT_WORK, _E.BANK_TEST, _E.SELF_TEST),
        cause=Cause.POWER,
    ),
    AlarmKind(
        id="ends_soon",
        about=Thing.SYSTEM,
        meaning="The banks of the system reach their end soon, at the cautious end of the reckoning.",
        causes=("a long outage", "no generator", "a bank weaker than it was taken for"),
        consequence="The system drops its load.",
        do=Advice(
            "Shed what can be spared now",
            "; start the generator by hand; shut down in order what can be.",
        ),
        respond_s=120.0,
        severity=_S.CRITICAL,
        limit=AlarmLimit("left_s", 600.0, 120.0, "s", above=False),
        on_delay_s=2.0,  # as of the unit on its bank: a dip that is over by then is no outage, and no end is near
        off_delay_s=10.0,
        suppressed_by=(),
        cause=Cause.POWER,
        breaks_out=True,
    ),
    AlarmKind(
        id="no_supply_in_time",
        about=Thing.SYSTEM,
        meaning="The time in which the generator should have taken the load has passed and the banks still carry it.",
        causes=(
            "generator failed to start",
            "changeover did not operate",
            "units refuse the generator's volts or frequency",
        ),
        consequence="The system drops its load when the banks end.",
        do=Advice("Go to the generator and start it by hand", "; meanwhile shed what can be spared."),
        respond_s=120.0,
        severity=_S.CRITICAL,
        off_delay_s=5.0,
        suppressed_by=(_E.SET_ISOLATED,),
        cause=Cause.POWER,
        breaks_out=True,
    ),
    AlarmKind(
        id="starts_failed",
        about=Thing.SYSTEM,
        meaning="Every automatic start of the generator has had its time and none brought supply.",
        causes=("start battery flat", "no fuel at the generator", "generator locked out or not in automatic"),
        consequence="Only a person can bring the generator up before the banks end.",
        do=Advice(
            "Send somebody to the generator now", ": start battery, fuel valve, then the key to manual."
        ),
        respond_s=60.0,
        severity=_S.CRITICAL,
        off_delay_s=5.0,
        suppressed_by=(_E.SET_ISOLATED,),
        cause=Cause.POWER,
        breaks_out=True,
    ),
    AlarmKind(
        id="not_on_battery",
        about=Thing.UNIT,
        meaning="Every other unit on the supply runs on its bank, and this one neither does nor has mains.",
        causes=(
            "inverter off",
            "unit on bypass of a dead supply",
            "bank breaker open",
            "its card does not tell the truth",
        ),
        consequence="The others carry its share and their banks end sooner.",
        do=Advice("Look at this unit's display and bank breaker"),
        respond_s=300.0,
        severity=_S.MAJOR,
        on_delay_s=15.0,
        off_delay_s=10.0,
        suppressed_by=_AT_WORK,
        breaks_out=True,
    ),
    AlarmKind(
        id="still_on_battery",
        about=Thing.UNIT,
        meaning="The others on the supply are back on mains and this unit still runs on its bank.",
        causes=(
            "the unit refuses the supply's volts or frequency",
            "its input breaker tripped on return",
            "a long hold-off",
        ),
        consequence="Its bank empties although supply is there.",
        do=Advice("Look at this unit's input breaker and what its display says of the input"),
        respond_s=300.0,
        severity=_S.MAJOR,
        on_delay_s=90.0,
        off_delay_s=10.0,
        rises=(Rise("left_s", 600.0, _S.CRITICAL, deadband=120.0),),
        suppressed_by=(*_AT_WORK, _E.BANK_TEST, _E.SELF_TEST),
        breaks_out=True,
    ),
    AlarmKind(
        id="bank_low",
        about=Thing.UNIT,
        meaning="The unit says that its bank is low or empty.",
        causes=("a long discharge", "a weak block", "a charger that has not refilled the bank"),
        consequence="This unit drops out and its load moves to the others.",
        do=Advice("Shed load of this system now, and expect this unit to drop out"),
        respond_s=60.0,
        severity=_S.CRITICAL,
        off_delay_s=30.0,
        suppressed_by=(_E.BANK_TEST, *_AT_WORK),
        breaks_out=True,
    ),
    # ---- planned shutdowns ---------------------------------------------------------------------------
    AlarmKind(
        id="break_off",
        about=Thing.SYSTEM,
        meaning="A planned shutdown is under way and one of its signed abort criteria is met.",
        causes=(
            "more load than was planned with",
            "a unit that the plan counts on has left or is silent",
            "banks that give less than foretold",
            "the work takes longer than planned",
        ),
        consequence="The system may drop its load before supply is planned back.",
        do=Advice("Break off", ": restore the mains now; sign a new plan once it is known why."),
        respond_s=60.0,
        severity=_S.MAJOR,
        off_delay_s=30.0,
        rises=(Rise("spare_s", 0.0, _S.CRITICAL),),
        cause=Cause.POWER,
        breaks_out=True,
    ),
    AlarmKind(
        id="plan_no_longer_holds",
        about=Thing.SYSTEM,
        meaning="A signed shutdown begins soon and would not be signed as things stand now.",
        causes=("load grown since", "banks not yet recharged", "a unit that the plan counts on is missing"),
        consequence="Switched off as planned, the system may drop its load.",
        do=Advice(
            "Do not switch off on this plan", ": put right what has changed, or withdraw it and sign another."
        ),
        respond_s=HOUR,
        severity=_S.MAJOR,
        on_delay_s=30.0,
        off_delay_s=60.0,
    ),
    # ---- what the system can still do ---------------------------------------------------------------
    AlarmKind(
        id="requirement_not_met",
        about=Thing.SYSTEM,
        meaning="The banks do not hold as long as somebody counts on.",
        causes=("aged banks", "load grown", "banks not yet recharged", "a unit or bank missing"),
        consequence="In a mains failure the load drops before help comes.",
        do=Advice("Shed load or shorten the wait for the generator until the weakest bank is renewed"),
        respond_s=DAY,
        severity=_S.MAJOR,
        on_delay_s=30.0,
        off_delay_s=120.0,
        limit=AlarmLimit("margin_s", 0.0, 15.0, "s", above=False),
        suppressed_by=(_E.ISOLATION, _E.MAINS_OFF, _E.BANK_TEST),
        cause=Cause.CONSEQUENCE,
        realarm_s=7 * DAY,
    ),
    AlarmKind(
        id="requirement_unknown",
        about=Thing.SYSTEM,
        meaning="Whether the banks hold as long as somebody counts on cannot be told.",
        causes=(
            "a card is silent",
            "the bank was never seen to carry the load",
            "bank or table not declared",
        ),
        consequence="A mains failure may drop the load without warning.",
        do=Advice("Supply what is missing", ": see the reasons beside the verdict."),
        respond_s=7 * DAY,
        severity=_S.WARNING,
        on_delay_s=600.0,
        off_delay_s=60.0,
        suppressed_by=(_E.ISOLATION, _E.MAINS_OFF, _E.NETWORK_WORK),
        cause=Cause.CONSEQUENCE,
    ),
    AlarmKind(
        id="banks_unproven",
        about=Thing.SYSTEM,
        meaning="Nothing was seen yet of one or more banks of the system: only their table and age speak.",
        causes=("new to ridethrough, or newly fitted: no discharge and no imported test is on record",),
        consequence="How long the system holds, and when its banks are due, cannot be told.",
        do=Advice(
            "Supply what would tell, least effort first",
            ": the maker's table, a past test, a short discharge.",
        ),
        respond_s=30 * DAY,
        severity=_S.WARNING,
        on_delay_s=600.0,
        off_delay_s=60.0,
        realarm_s=90 * DAY,
    ),
    AlarmKind(
        id="redundancy_lost",
        about=Thing.SYSTEM,
        meaning="With the spare unit gone, the units left cannot carry the load on every line.",
        causes=("load grown", "load uneven over the lines", "a unit off, isolated or on bypass"),
        consequence="One more failure overloads the rest and puts the load on bypass or drops it.",
        do=Advice("Move or shed load on the line named", "; bring the missing unit back."),
        respond_s=DAY,
        severity=_S.MAJOR,
        on_delay_s=60.0,
        off_delay_s=300.0,
        limit=AlarmLimit("margin_fraction", 0.0, 0.03, "", above=False),
        suppressed_by=(_E.ISOLATION,),
        cause=Cause.CONSEQUENCE,
        realarm_s=7 * DAY,
    ),
    AlarmKind(
        id="redundancy_unknown",
        about=Thing.SYSTEM,
        meaning="Whether the spare unit is spare cannot be told.",
        causes=(
            "a card is silent",
            "one card speaks for several units",
            "a rating is missing or undetermined",
        ),
        consequence="A unit may be taken out that is needed.",
        do=Advice("Do not isolate a unit of this system until the reasons beside the verdict are dealt with"),
        respond_s=DAY,
        severity=_S.WARNING,
        on_delay_s=600.0,
        off_delay_s=60.0,
        suppressed_by=(_E.ISOLATION, _E.NETWORK_WORK),
        cause=Cause.CONSEQUENCE,
    ),
    AlarmKind(
        id="load_share",
        about=Thing.UNIT,
        meaning="The unit carries markedly more or less than its part of the system's load.",
        causes=(
            "parallel control cable",
            "voltage or phase adjustment drifted",
            "unequal output cables on bypass",
        ),
        consequence="One unit runs hot or idle and the spare is not what it seems.",
        do=Advice("Have the load sharing of this system adjusted", "; until then do not isolate a unit."),
        respond_s=7 * DAY,
        severity=_S.MINOR,
        on_delay_s=180.0,
        off_delay_s=180.0,
        limit=AlarmLimit("deviation_points", 100.0 * SHARE_OFF, 100.0 * SHARE_DEADBAND, "% of rating"),
        suppressed_by=(*_AT_WORK, _E.RESTING, _E.SELF_TEST),
        cause=Cause.CONSEQUENCE,
    ),
    AlarmKind(
        id="phase_imbalance",
        about=Thing.SYSTEM,
        meaning="One line carries markedly more than the mean of the lines.",
        causes=("single-phase loads added to one line", "a large load off on the others"),
        consequence="The full line sets the limit: redundancy and hold-up are lost sooner than the total suggests.",
        do=Advice("Move single-phase loads from the full line to the emptiest"),
        respond_s=7 * DAY,
        severity=_S.WARNING,
        on_delay_s=600.0,
        off_delay_s=600.0,
        limit=AlarmLimit("excess_fraction", 0.30, 0.05, "of the mean"),
        suppressed_by=_AT_WORK,
        cause=Cause.CONSEQUENCE,
    ),
    # ---- what sets the units of a system apart --------------------------------------------------------
    AlarmKind(
        id="reactive_share",
        about=Thing.SYSTEM,
        meaning="A unit's part of the reactive power differs from the mean by over 10 points of its rating (until under 7).",
        causes=("output voltages set apart", "voltage sensing drifted", "parallel control cable"),
        consequence="Current flows between the units, warms them and takes the room that the load counts on.",
        do=Advice(
            "Have the output voltages of this system matched by its service",
            "; until then do not isolate a unit.",
        ),
        respond_s=7 * DAY,
        severity=_S.MINOR,
        on_delay_s=300.0,
        off_delay_s=300.0,
        suppressed_by=_AT_WORK,
        cause=Cause.CONSEQUENCE,
    ),
    AlarmKind(
        id="circulating_current",
        about=Thing.SYSTEM,
        meaning=(
            "A unit carries current with hardly a watt, or works at a power factor 0.15 under its siblings' "
            "(until under 0.12): current may circulate. Cards give magnitudes only, so it is suspected, never seen."
        ),
        causes=("output voltages or angles apart", "a unit's control failing", "a wrong meter"),
        consequence="Losses and heat; a unit may trip on overload that the load does not explain.",
        do=Advice("Have the currents between the units measured", "; until then do not isolate a unit."),
        respond_s=DAY,
        severity=_S.MINOR,
        on_delay_s=300.0,
        off_delay_s=300.0,
        suppressed_by=_AT_WORK,
        cause=Cause.CONSEQUENCE,
    ),
    AlarmKind(
        id="not_seen_carrying",
        about=Thing.SYSTEM,
        meaning="A unit that is on by its card's word carries under 2 % of its share while its peers carry.",
        causes=("output breaker open", "the unit stands by at low load", "its part goes by a bypass"),
        consequence="It is no spare: whether it would take load when a peer fails is not known.",
        do=Advice(
            "Look at its panel and at its output breaker",
            ". Is it meant to stand by, declare may_rest. Isolate no peer.",
        ),
        respond_s=DAY,
        severity=_S.MINOR,
        on_delay_s=60.0,
        off_delay_s=60.0,
        suppressed_by=_AT_WORK,
        cause=Cause.CONSEQUENCE,
    ),
    AlarmKind(
        id="figure_left_out",
        about=Thing.SYSTEM,
        meaning="A unit's card answers and leaves out the power or the current of a line.",
        causes=(
            "a card that reads its unit badly",
            "a line declared that the unit does not have (output_lines)",
        ),
        consequence="The system is judged on bounds from the units beside it, or cannot be judged where nothing tells it.",
        do=Advice(
            "Read the line at the unit's panel", "; restart the card. Compare output_lines with the unit."
        ),
        respond_s=DAY,
        severity=_S.MINOR,
        on_delay_s=60.0,
        off_delay_s=60.0,
        suppressed_by=_AT_WORK,
        cause=Cause.CONSEQUENCE,
    ),
    AlarmKind(
        id="voltage_apart",
        about=Thing.SYSTEM,
        meaning="A unit reads an output voltage over 2 % from its siblings' (until under 1.5 %), on one busbar.",
        causes=("a wrong meter", "a scale of its card", "the unit is not on the bar"),
        consequence="Its watts and shares are wrong, or it stands behind nothing while it is counted on.",
        do=Advice(
            "Compare its display with a meter at the board", "; see whether its output breaker is closed."
        ),
        respond_s=7 * DAY,
        severity=_S.MINOR,
        on_delay_s=180.0,
        off_delay_s=180.0,
        suppressed_by=_AT_WORK,
        cause=Cause.CONSEQUENCE,
    ),
    AlarmKind(
        id="frequency_apart",
        about=Thing.SYSTEM,
        meaning="A unit reads an output frequency over 0.2 Hz from its siblings' (until under 0.15 Hz); parallel units run in step.",
        causes=("the unit is not on the bar", "a wrong meter", "a card that stopped refreshing"),
        consequence="It may stand behind nothing while it is counted on.",
        do=Advice(
            "See whether its output breaker is closed and what its display says",
            "; have nobody close it by hand.",
        ),
        respond_s=DAY,
        severity=_S.MINOR,
        on_delay_s=180.0,
        off_delay_s=180.0,
        suppressed_by=_AT_WORK,
        cause=Cause.CONSEQUENCE,
    ),
    AlarmKind(
        id="two_sources",
        about=Thing.SYSTEM,
        meaning="Some units of the system feed by inverter and some past it, on one bar.",
        causes=("a unit that did not follow the others into or out of economy mode", "an inverter fault"),
        consequence="Mains and inverters feed one bar: heavy current between them, and the load may drop.",
        do=Advice(
            "Call the units' service now",
            ". Have nobody switch by hand before the switching schedule is read.",
        ),
        respond_s=1800.0,
        severity=_S.MAJOR,
        on_delay_s=60.0,
        off_delay_s=30.0,
        suppressed_by=(*_AT_WORK, _E.SAID_ALREADY),
        cause=Cause.CONSEQUENCE,
    ),
    AlarmKind(
        id="settings_differ",
        about=Thing.SYSTEM,
        meaning="Cards of one system say other output voltage, frequency or low-battery time than their siblings.",
        causes=("a unit replaced or reset and not set up", "a setting changed at one unit"),
        consequence="Units share badly, or one of them warns and ends at another time than the rest.",
        do=Advice("Have the settings compared and made alike at the units' next service"),
        respond_s=7 * DAY,
        severity=_S.MINOR,
        on_delay_s=600.0,
        off_delay_s=600.0,
        suppressed_by=_AT_WORK,
        cause=Cause.CONSEQUENCE,
    ),
    AlarmKind(
        id="rating_differs",
        about=Thing.SYSTEM,
        meaning="Cards of one system say unequal ratings where the estate file declares them equal.",
        causes=("fewer modules fitted than declared", "a replaced unit", "an entry in the estate file"),
        consequence="Redundancy and shares are reckoned with a rating that is not there.",
        do=Advice("Read the plates, and put the estate file right"),
        respond_s=7 * DAY,
        severity=_S.MINOR,
        on_delay_s=600.0,
        off_delay_s=600.0,
        suppressed_by=_AT_WORK,
        cause=Cause.CONSEQUENCE,
    ),
    AlarmKind(
        id="software_differs",
        about=Thing.SYSTEM,
        meaning="A unit runs other software than its siblings.",
        causes=("one unit updated or replaced",),
        consequence="Units that must act as one may not, at the moment they have to.",
        do=Advice("Ask the maker whether these versions may run in parallel, and have them made alike"),
        respond_s=30 * DAY,
        severity=_S.WARNING,
        on_delay_s=HOUR,
        off_delay_s=600.0,
        suppressed_by=_AT_WORK,
        cause=Cause.CONSEQUENCE,
    ),
    AlarmKind(
        id="late_back",
        about=Thing.SYSTEM,
        meaning="In the last outage a unit left its bank over 10 s later than its declared times allow beside its siblings.",
        causes=(
            "hold-off or walk-in set otherwise than declared",
            "a narrow input window",
            "an input that was slow to settle",
        ),
        consequence="Its bank is drained further than planned, and a generator sees its load come late.",
        do=Advice(
            "Have its hold-off, walk-in and input window compared with what is declared, then reset this alarm"
        ),
        respond_s=7 * DAY,
        severity=_S.WARNING,
        on_delay_s=120.0,
        latching=True,
        suppressed_by=(*_AT_WORK, _E.SAID_ALREADY),
        cause=Cause.CONSEQUENCE,
    ),
    AlarmKind(
        id="stayed_on_mains",
        about=Thing.SYSTEM,
        meaning="In the last outage most units of the system went on their banks and one read normal throughout.",
        causes=(
            "fed from another supply than declared",
            "a card that shows old values",
            "a wider input window",
        ),
        consequence="What is foretold for an outage counts on a bank that was not asked, or on a supply not known of.",
        do=Advice("Find out what feeds this unit and whether its card is alive, then reset this alarm"),
        respond_s=7 * DAY,
        severity=_S.MINOR,
        on_delay_s=120.0,
        latching=True,
        suppressed_by=_AT_WORK,
        cause=Cause.CONSEQUENCE,
    ),
    AlarmKind(
        id="cannot_take_partner",
        about=Thing.SYSTEM,
        meaning="The system could not carry its own load and its partner's, now or at the peaks of both.",
        causes=(
            "load grown in either system",
            "load uneven over the lines",
            "a unit off, isolated or on bypass",
        ),
        consequence="When the partner is lost or taken out, its load cannot be moved here.",
        do=Advice(
            "Move or shed load on the line named, in either system",
            "; do not take the partner out until then.",
        ),
        respond_s=DAY,
        severity=_S.MAJOR,
        on_delay_s=60.0,
        off_delay_s=300.0,
        limit=AlarmLimit("margin_fraction", 0.0, 0.03, "", above=False),
        suppressed_by=(_E.ISOLATION, _E.MAINS_OFF),
        cause=Cause.CONSEQUENCE,
        realarm_s=7 * DAY,
    ),
    # ---- work on a unit -------------------------------------------------------------------------------
    AlarmKind(
        id="work_unexpected",
        about=Thing.UNIT,
        meaning="While the unit is worked on, something happened that the work does not explain.",
        causes=(
            "a peer failed or lost its supply",
            "the wrong unit or breaker was switched",
            "a load was dropped",
            "the load went to bypass",
        ),
        consequence="The load hangs on less than the plan counted on; one more step may drop it.",
        do=(
            Advice(
                "Call the person at the panel",
                ": stop at a safe point and touch nothing more. Go by the site's switching schedule; banks stay live when isolated.",
            )
        ),
        respond_s=120.0,
        severity=_S.MAJOR,
        on_delay_s=5.0,
        off_delay_s=30.0,
        suppressed_by=(_E.MAINS_OFF, _E.BANK_TEST),
        cause=Cause.CONSEQUENCE,
        breaks_out=True,
    ),
    AlarmKind(
        id="work_overdue",
        about=Thing.UNIT,
        meaning="The time for the work has passed, and the unit does not share the load again.",
        causes=("the work takes longer", "the unit was left out", "it came back and does not share"),
        consequence="What the work explained is told again; the system goes without the unit meanwhile.",
        do=Advice(
            "Ask the person at the panel",
            ". Give the work more time, or have the unit brought back by the switching schedule.",
        ),
        respond_s=HOUR,
        severity=_S.MINOR,
        off_delay_s=10.0,
        realarm_s=4 * HOUR,
    ),
    # ---- units ------------------------------------------------------------------------------------------
    AlarmKind(
        id="on_bypass",
        about=Thing.UNIT,
        meaning="The unit feeds its load from bypass: there is no bank behind it.",
        causes=("overload", "inverter fault", "switched by hand"),
        consequence="A mains failure drops this load at once.",
        do=Advice("Find out who switched it or what the unit's log says, and have it returned to inverter"),
        respond_s=1800.0,
        severity=_S.MAJOR,
        on_delay_s=5.0,
        off_delay_s=10.0,
        suppressed_by=(*_AT_WORK, _E.ECONOMY_MODE),
    ),
    AlarmKind(
        id="output_off",
        about=Thing.UNIT,
        meaning="The unit feeds nothing.",
        causes=("switched off", "tripped on a fault", "bank at its end"),
        consequence="The others carry its share; with none left the load is off.",
        do=Advice("Go to the unit", "; on a fault do not restart it before its log is read."),
        respond_s=300.0,
        severity=_S.MAJOR,
        off_delay_s=10.0,
        rises=(Rise("carrying_units", 0.5, _S.CRITICAL),),
        suppressed_by=(*_AT_WORK, _E.RESTING),
        breaks_out=True,
    ),
    AlarmKind(
        id="overload",
        about=Thing.UNIT,
        meaning="The unit is overloaded: at least one line carries more than its rating, in watts, in volt-amperes or by its own per cent.",
        causes=("a peer dropped out", "load grown or started at once"),
        consequence="Within minutes it goes to bypass, or drops the load if bypass is dead.",
        do=Advice("Shed load on each line over its rating, now"),
        respond_s=120.0,
        severity=_S.MAJOR,
        off_delay_s=10.0,
        rises=(Rise("load_pct", 125.0, _S.CRITICAL, deadband=5.0, above=True),),
        limit=AlarmLimit("load_pct", 100.0, 4.0, "%"),
        breaks_out=True,
    ),
    AlarmKind(
        id="bank_hot",
        about=Thing.UNIT,
        meaning="The air at the bank is hotter than the bank stands for long.",
        causes=("cooling off", "filter or fan blocked", "thermal runaway of a bank"),
        consequence="Life halves for each 8 to 10 degC above 25; a bank in runaway can burn.",
        do=Advice(
            "Restore cooling",
            ". If it rises on float with no other cause, keep away and call the battery service.",
        ),
        respond_s=4 * HOUR,
        severity=_S.MINOR,
        on_delay_s=300.0,
        off_delay_s=300.0,
        limit=AlarmLimit("temperature_c", 35.0, 2.0, "degC"),
        rises=(Rise("temperature_c", 45.0, _S.MAJOR, deadband=2.0, above=True),),
    ),
    AlarmKind(
        id="self_test_failed",
        about=Thing.UNIT,
        meaning="The unit's own test ended with an error or a warning.",
        causes=("weak bank", "bank breaker open", "test broken off by an outage"),
        consequence="The bank may fail in the next outage.",
        do=Advice("Read the unit's log, and have the bank looked at before the next planned work"),
        respond_s=3 * DAY,
        severity=_S.MINOR,
        suppressed_by=_AT_WORK,
    ),
    AlarmKind(
        id="card_alarm",
        about=Thing.UNIT,
        meaning="The unit's card reports an alarm of its own.",
        causes=("as the unit's display says",),
        consequence="As the unit's handbook says.",
        do=Advice("Read the unit's display and log"),
        respond_s=DAY,
        severity=_S.MINOR,
        on_delay_s=5.0,
        off_delay_s=15.0,
        rises=(
            Rise("card_severity", 1.5, _S.MAJOR, above=True),
            Rise("card_severity", 2.5, _S.CRITICAL, above=True),
        ),
        suppressed_by=(*_AT_WORK, _E.SAID_ALREADY, _E.SAID_BEFORE),
    ),
    AlarmKind(
        id="unclassified_card_alarm",
        about=Thing.UNIT,
        meaning="The unit's card reports an alarm that only its maker can name; it is kept as it came.",
        causes=("as the maker's MIB says",),
        consequence="Not known.",
        do=Advice("Read the unit's display, and look the number up in the maker's MIB"),
        respond_s=DAY,
        severity=_S.WARNING,
        on_delay_s=30.0,
        off_delay_s=30.0,
        suppressed_by=_AT_WORK,
    ),
    # ---- banks ---------------------------------------------------------------------------------------------
    AlarmKind(
        id="bank_past_age",
        about=Thing.BANK,
        meaning="The bank is older than its design life.",
        causes=("replacement put off",),
        consequence="Capacity falls fast now, and a block may open without warning.",
        do=Advice("Order its replacement, or test it to its end voltage to know what it holds"),
        respond_s=30 * DAY,
        severity=_S.WARNING,
        limit=AlarmLimit("age_fraction", 1.0, 0.0, "of design life"),
        realarm_s=90 * DAY,
    ),
    AlarmKind(
        id="bank_order_now",
        about=Thing.BANK,
        meaning="The bank must be ordered now to be renewed in time.",
        causes=("capacity falling as judged from its discharges, age and warmth",),
        consequence="It will be weaker than what is asked of it before its successor comes.",
        do=Advice("Order the bank"),
        respond_s=7 * DAY,
        severity=_S.MINOR,
        on_delay_s=ASKED_KNOWN_S,
        suppressed_by=(_E.SAID_ALREADY,),
        realarm_s=30 * DAY,
    ),
    AlarmKind(
        id="bank_replace_now",
        about=Thing.BANK,
        meaning="The day by which the bank should have been renewed has passed.",
        causes=("capacity fell below what is asked of it",),
        consequence="In an outage it fails to deliver.",
        do=Advice("Renew the bank", "; until then shed load or keep its unit from being the only one."),
        respond_s=7 * DAY,
        severity=_S.MAJOR,
        on_delay_s=ASKED_KNOWN_S,
        realarm_s=7 * DAY,
    ),
    AlarmKind(
        id="bank_will_not_carry",
        about=Thing.BANK,
        meaning="The bank let its load fall when it was asked to carry it, or behaves as if a string were open.",
        causes=("an open cell", "a corroded or loose link", "a battery fuse or breaker open"),
        consequence="In an outage its unit drops its load at once; capacity arithmetic does not catch this.",
        do=Advice(
            "Do not count on this bank",
            ". Have links, fuses and every block checked by qualified people at once.",
        ),
        respond_s=HOUR,
        severity=_S.CRITICAL,
        suppressed_by=_AT_WORK,
        breaks_out=True,
    ),
    AlarmKind(
        id="bank_runaway",
        about=Thing.BANK,
        meaning="The bank's float current and temperature rise together: it may be heating itself.",
        causes=("shorted cells", "charge voltage too high for the warmth", "cooling lost"),
        consequence="It can vent gas, deform and burn.",
        do=Advice("Lower or stop the charge and cool the room now", "; nobody should stand over the blocks."),
        respond_s=900.0,
        severity=_S.CRITICAL,
        breaks_out=True,
    ),
    AlarmKind(
        id="charger_lost",
        about=Thing.BANK,
        meaning="Nothing charges the bank.",
        causes=("charger off or failed", "battery breaker open", "battery fuse blown"),
        consequence="It empties by itself in weeks, and the next outage finds it weak or gone.",
        do=Advice("See whether the charger is on, the battery breaker closed and its fuse whole"),
        respond_s=4 * HOUR,
        severity=_S.MAJOR,
        suppressed_by=_AT_WORK,
        realarm_s=DAY,
    ),
    AlarmKind(
        id="bank_suspect",
        about=Thing.BANK,
        meaning="Something about the bank points to a bad block, link or cell.",
        causes=("a shorted cell", "resistance risen", "a block that stands apart", "capacity fallen fast"),
        consequence="It may give less than its capacity says, or fail without further warning.",
        do=Advice("Have every block's voltage measured, at rest and under load, and the links checked"),
        respond_s=7 * DAY,
        severity=_S.MINOR,
        realarm_s=30 * DAY,
    ),
    AlarmKind(
        id="bank_too_small",
        about=Thing.BANK,
        meaning="What is asked of the bank is more than new blocks of its type give.",
        causes=("load grown", "requirement raised", "a smaller type fitted"),
        consequence="Renewing it like for like does not help.",
        do=Advice("Shed or move load, shorten the wait, or plan more or larger blocks"),
        respond_s=30 * DAY,
        severity=_S.MINOR,
        on_delay_s=ASKED_KNOWN_S,
        realarm_s=90 * DAY,
    ),
    AlarmKind(
        id="bank_not_shown",
        about=Thing.BANK,
        meaning="The bank has not been seen to carry its load for a year.",
        causes=("no outage and no test",),
        consequence="An open cell would not be known of: it leaves no trace on float.",
        do=Advice("Have it carry the load for a minute or more, at a time when help is at hand"),
        respond_s=30 * DAY,
        severity=_S.WARNING,
        realarm_s=90 * DAY,
    ),
    AlarmKind(
        id="bank_test_due",
        about=Thing.BANK,
        meaning="The bank's capacity test is due.",
        causes=("the interval has passed",),
        consequence="What is known of the bank grows old, and its dates grow cautious.",
        do=Advice(
            "Plan a discharge of at least half the bank's time, with the generator ready and somebody present"
        ),
        respond_s=30 * DAY,
        severity=_S.WARNING,
        on_delay_s=ASKED_KNOWN_S,
        realarm_s=90 * DAY,
    ),
    AlarmKind(
        id="charging_wrong",
        about=Thing.BANK,
        meaning="The bank is not kept as it should be: float voltage outside its window for its temperature.",
        causes=("charger set wrong or drifting", "temperature compensation off", "a shorted or open cell"),
        consequence="Too low sulphates, too high dries out: either way life is lost in months.",
        do=Advice("Have the float voltage set to the value named"),
        respond_s=7 * DAY,
        severity=_S.MINOR,
        on_delay_s=6 * HOUR,
        off_delay_s=6 * HOUR,
        suppressed_by=(*_AT_WORK, _E.BANK_TEST),
    ),
    # ---- work that comes round -----------------------------------------------------------------------------
    AlarmKind(
        id="unit_order_now",
        about=Thing.UNIT,
        meaning="The unit must be ordered now to be replaced at the age that is reckoned for it.",
        causes=("the years declared for the cabinet have passed, but for the time an order takes",),
        consequence="An old cabinet fails more often, and parts for it are no longer made.",
        do=Advice("Order its successor (its system's sheet says what size), or declare a longer life for it"),
        respond_s=30 * DAY,
        severity=_S.WARNING,
        realarm_s=90 * DAY,
    ),
    AlarmKind(
        id="fans_due",
        about=Thing.UNIT,
        meaning="The unit's fans are due for renewal.",
        causes=("the declared interval has passed since they were renewed, or the cabinet came",),
        consequence="A fan that stops stops the unit, most likely under load and in the heat.",
        do=Advice("Have the fans renewed, and record it", ": ridethrough visited UNIT --renewed fans."),
        respond_s=30 * DAY,
        severity=_S.WARNING,
        realarm_s=90 * DAY,
    ),
    AlarmKind(
        id="capacitors_due",
        about=Thing.UNIT,
        meaning="The unit's capacitors are due for renewal.",
        causes=("the declared interval has passed since they were renewed, or the cabinet came",),
        consequence="Capacitors dry out together: ripple rises, and one that fails may take the unit with it.",
        do=Advice(
            "Have the capacitors renewed, and record it", ": ridethrough visited UNIT --renewed capacitors."
        ),
        respond_s=30 * DAY,
        severity=_S.WARNING,
        realarm_s=90 * DAY,
    ),
    AlarmKind(
        id="visit_due",
        about=Thing.UNIT,
        meaning="A service visit is due.",
        causes=("the declared interval, or a year, has passed since the last that was recorded",),
        consequence="Loose links, dirt and worn parts are found by an outage instead of by a person.",
        do=Advice("Arrange the visit, and record it once it was made", ": ridethrough visited PLACE."),
        respond_s=30 * DAY,
        severity=_S.WARNING,
        realarm_s=90 * DAY,
    ),
    # ---- cards and ourselves ----------------------------------------------------------------------------
    AlarmKind(
        id="card_silent",
        about=Thing.UNIT,
        meaning="The unit's card does not answer, so nothing is known of the unit.",
        causes=("card hung", "network or its supply lost", "unit without power"),
        consequence="The unit may fail unseen; on its bank it is told after 12 s without an answer.",
        do=Advice(
            "Look whether the unit's display is lit",
            ". Lit: restart its card. Dark: treat its supply as lost and go.",
        ),
        respond_s=4 * HOUR,
        severity=_S.MINOR,
        on_delay_s=60.0,
        rises=(Rise("was_on_battery", 0.5, _S.MAJOR, above=True),),
        suppressed_by=(_E.NETWORK_WORK, *_AT_WORK),
        cause=Cause.NETWORK,
    ),
    AlarmKind(
        id="different_equipment",
        about=Thing.UNIT,
        meaning="What answers at this address is not what answered before, and no change was declared.",
        causes=("cabinet or card replaced", "addresses swapped", "card software updated"),
        consequence="Judgements may be about the wrong cabinet; what was learnt is set aside.",
        do=Advice("Prove which cabinet it is, then declare the change"),
        respond_s=DAY,
        severity=_S.MAJOR,
        on_delay_s=10.0,
        suppressed_by=(),
    ),
    AlarmKind(
        id="estate_file_behind",
        about=Thing.SERVICE,
        meaning="A recorded equipment change is not in the estate file yet.",
        causes=("a replacement was recorded and the file not edited",),
        consequence="After the next start the old equipment is judged.",
        do=Advice("Change the lines that were printed with the record"),
        respond_s=7 * DAY,
        severity=_S.WARNING,
    ),
    AlarmKind(
        id="calendar_unreadable",
        about=Thing.SERVICE,
        meaning="A calendar file, of planned work or of who is on call, cannot be read, so what stands in it now is not known.",
        causes=(
            "file moved, or rights changed",
            "file damaged or no iCalendar",
            "ridethrough[calendar] not installed",
        ),
        consequence="Work that is planned there is told as if nobody had planned it; who is on call stays as it was read last.",
        do=Advice("Put the file right that is named, or take the calendar out of the estate file"),
        respond_s=DAY,
        severity=_S.MINOR,
    ),
    AlarmKind(
        id="cannot_judge_unit",
        about=Thing.UNIT,
        meaning="Cannot judge the unit: a fault in ridethrough.",
        causes=("a reply that ridethrough was not written for", "a defect in ridethrough"),
        consequence="This unit is not watched; the others are.",
        do=Advice(
            "Watch the unit by hand, and send the recorded reply with the fault's text to whoever keeps ridethrough"
        ),
        respond_s=DAY,
        severity=_S.MAJOR,
        off_delay_s=60.0,
    ),
    AlarmKind(
        id="unit_not_read",
        about=Thing.UNIT,
        meaning="The last reading of the unit is older than three of its periods, so what is said of it is old.",
        causes=("ridethrough is behind", "a defect in ridethrough", "its card has just stopped to answer"),
        consequence="An event at this unit is seen late or not at all.",
        do=Advice(
            "Watch the unit's own display",
            ". Look at the load of the machine that ridethrough runs on, and at its log.",
        ),
        respond_s=HOUR,
        severity=_S.MINOR,
        on_delay_s=5.0,
        off_delay_s=10.0,
        rises=(Rise("was_on_battery", 0.5, _S.MAJOR, above=True),),
        suppressed_by=(_E.SAID_ALREADY, _E.NETWORK_WORK, *_AT_WORK),
    ),
    AlarmKind(
        id="readings_wait",
        about=Thing.SERVICE,
        meaning="What the cards said waits to be judged: ridethrough is behind.",
        causes=("the machine is overloaded", "its disk is slow", "more units than the machine bears"),
        consequence="Everything is seen and told late by as much, and what is older than 15 s is no evidence.",
        do=Advice(
            "Look at the machine's load and at its disk",
            "; give ridethrough a faster machine or fewer units.",
        ),
        respond_s=HOUR,
        severity=_S.MINOR,
        on_delay_s=15.0,
        off_delay_s=60.0,
        limit=AlarmLimit("wait_s", 4.0, 2.0, "s"),
        rises=(Rise("wait_s", 15.0, _S.MAJOR, deadband=5.0, above=True),),
    ),
    AlarmKind(
        id="judgements_wait",
        about=Thing.SERVICE,
        meaning="What is reckoned in the background is behind: hold-ups, banks, plans.",
        causes=("the machine is overloaded", "more banks than the machine bears", "a long first start"),
        consequence="Hold-ups, capacities and plans are older than they should be; alarms from readings are not late.",
        do=Advice("Look at the machine's load", "; give ridethrough a faster machine or another core."),
        respond_s=DAY,
        severity=_S.WARNING,
        on_delay_s=600.0,
        off_delay_s=300.0,
        limit=AlarmLimit("background_s", 120.0, 60.0, "s"),
    ),
    AlarmKind(
        id="polls_late",
        about=Thing.SERVICE,
        meaning="Cards are asked, or what they say is judged, more than a second late.",
        causes=("the machine is overloaded", "its disk is slow"),
        consequence="An event is seen late.",
        do=Advice("Look at the machine's load and at its disk"),
        respond_s=DAY,
        severity=_S.WARNING,
        on_delay_s=120.0,
        off_delay_s=300.0,
        limit=AlarmLimit("late_fraction", 0.05, 0.03, "of polls"),
    ),
    AlarmKind(
        id="disk_filling",
        about=Thing.SERVICE,
        meaning="The disk under the store is nearly full.",
        causes=("history kept longer than the disk holds", "another program's files"),
        consequence="Readings and alarms can no longer be kept.",
        do=Advice("Free space or shorten what is kept"),
        respond_s=DAY,
        severity=_S.MINOR,
        off_delay_s=60.0,
        limit=AlarmLimit("free_fraction", 0.10, 0.02, "free", above=False),
        rises=(Rise("free_fraction", 0.03, _S.MAJOR, deadband=0.01),),
    ),
    AlarmKind(
        id="store_failing",
        about=Thing.SERVICE,
        meaning="The store refuses what is written to it, or its server cannot be reached.",
        causes=("disk full or failing", "rights changed", "file damaged", "database server away or refusing"),
        consequence="Readings are lost while it lasts; those for a database server wait in the local spool.",
        do=Advice(
            "Look at the disk or the server", "; run the integrity check; restore the last copy if it fails."
        ),
        respond_s=HOUR,
        severity=_S.MAJOR,
        on_delay_s=20.0,
        off_delay_s=120.0,
    ),
    AlarmKind(
        id="clock_jumped",
        about=Thing.SERVICE,
        meaning="The machine's clock jumped, so times around the jump may be wrong.",
        causes=("time service lost and found", "battery of the machine's clock", "set by hand"),
        consequence="Recorded times of events are off by the jump. After a jump of days ahead nothing stored is let go "
        "until the clock has run steadily for a day or is set back.",
        do=Advice("See that the time service runs"),
        respond_s=DAY,
        severity=_S.WARNING,
        off_delay_s=HOUR,
        limit=AlarmLimit("jumps_s", 5.0, 0.0, "s"),
    ),
    AlarmKind(
        id="worker_failing",
        about=Thing.SERVICE,
        meaning="The judging of banks and hold-up fails or does not keep up.",
        causes=("the machine is overloaded", "a defect in ridethrough"),
        consequence="Verdicts grow old and turn into cannot tell.",
        do=Advice(
            "Look at the machine's load",
            "; restart the service; send the fault's text to whoever keeps ridethrough.",
        ),
        respond_s=4 * HOUR,
        severity=_S.MINOR,
        on_delay_s=60.0,
        off_delay_s=60.0,
    ),
    AlarmKind(
        id="delivery_behind",
        about=Thing.SERVICE,
        meaning="Messages wait longer than they should before anybody gets them.",
        causes=("broker, mail server or line down",),
        consequence="People learn late of what happens.",
        do=Advice("Look at the failing channel", "; until it works, look at the page."),
        respond_s=HOUR,
        severity=_S.MAJOR,
        off_delay_s=60.0,
        suppressed_by=(_E.SAID_ALREADY,),
        limit=AlarmLimit("oldest_s", 300.0, 60.0, "s"),
    ),
    AlarmKind(
        id="set_test_due",
        about=Thing.GENERATOR,
        meaning="The standby generator's test on load is overdue by the interval that the estate file gives.",
        causes=(
            "the test was left out",
            "a run was too short or too light to count",
            "the site told nothing of the run",
        ),
        consequence="A weak start battery, old fuel or a generator that cannot carry its load shows in the outage only.",
        do=Advice(
            "Run the generator on load for 30 min at 30 % of its rating or more, with somebody beside it, and see that the site tells of the run"
        ),
        respond_s=7 * DAY,
        severity=_S.WARNING,
        realarm_s=30 * DAY,
    ),
    AlarmKind(
        id="set_words_failing",
        about=Thing.SERVICE,
        meaning="The broker by which the site tells of its generators cannot be listened to.",
        causes=(
            "broker or line down",
            "password or certificate expired",
            "the user may not subscribe to the topic",
        ),
        consequence="Whether a generator runs and carries is not known, and no start or test of it is learnt.",
        do=Advice(
            "Put the broker or [set_words] in the estate file right",
            "; until then the same word is taken over HTTP.",
        ),
        respond_s=DAY,
        severity=_S.MINOR,
        on_delay_s=300.0,
        off_delay_s=60.0,
    ),
    AlarmKind(
        id="channel_failing",
        about=Thing.CHANNEL,
        meaning="A way to reach people does not work.",
        causes=("server or line down", "password or certificate expired", "address wrong"),
        consequence="Those told by it alone are not told.",
        do=Advice("Put the channel right", "; its messages wait and are sent then."),
        respond_s=HOUR,
        severity=_S.MAJOR,
        on_delay_s=60.0,
        off_delay_s=60.0,
    ),
    AlarmKind(
        id="messages_undeliverable",
        about=Thing.CHANNEL,
        meaning="Messages were given up: the other side refused them for good.",
        causes=("address does not exist", "message refused", "secret wrong"),
        consequence="Somebody was not told.",
        do=Advice("Tell them by other means, and put the address right"),
        respond_s=HOUR,
        severity=_S.MAJOR,
        latching=True,
    ),
    AlarmKind(
        id="collector_silent",
        about=Thing.SERVICE,
        meaning="Another site's collector has not been heard for longer than its heartbeat allows.",
        causes=("the line to the site lost", "its machine without power", "the service stopped"),
        consequence="Nothing is known of that site.",
        do=Advice("Call the site"),
        respond_s=HOUR,
        severity=_S.MAJOR,
        on_delay_s=30.0,
        cause=Cause.NETWORK,
    ),
    AlarmKind(
        id="watch_would_die",
        about=Thing.SERVICE,
        meaning="The watch itself, the switches or the way out are fed from bare mains.",
        causes=("box_fed_by, switches_fed_by or way_out_fed_by is mains or not answered in the estate file",),
        consequence="In the outage it is there for, nobody is told.",
        do=Advice(
            "Feed box, switches and way out from a system that holds, then say so in the estate file; or say there what feeds them"
        ),
        respond_s=30 * DAY,
        severity=_S.WARNING,
        realarm_s=90 * DAY,
    ),
)

CATALOGUE: Final[Mapping[str, AlarmKind]] = {entry.id: entry for entry in _ENTRIES}


@dataclass(frozen=True, slots=True)
class CardAlarm:
    """A well-known alarm of RFC 1628: how bad, what it says, what to do, and which of ours says it already."""

    name: str
    severity: Severity
    says: str
    do: Advice
    said_by: str | None = None


CARD_ALARMS: Final[Mapping[str, CardAlarm]] = {
    alarm.name: alarm
    for alarm in (
        CardAlarm(
            "upsAlarmBatteryBad",
            _S.MAJOR,
            "finds a battery in need of replacement",
            Advice("Have the bank measured block by block"),
        ),
        CardAlarm(
            "upsAlarmOnBattery", _S.MAJOR, "draws from its bank", Advice("See the outage"), "on_battery"
        ),
        CardAlarm(
            "upsAlarmLowBattery",
            _S.CRITICAL,
            "says its bank is at or below its low-battery time",
            Advice("Shed load now"),
            "bank_low",
        ),
        CardAlarm(
            "upsAlarmDepletedBattery",
            _S.CRITICAL,
            "says its bank is too empty to carry the load",
            Advice(
                "Do not count on this bank", ": see what the others hold, and shed what they cannot carry."
            ),
            "bank_low",
        ),
        CardAlarm(
            "upsAlarmTempBad",
            _S.MINOR,
            "finds a temperature out of tolerance",
            Advice("Look at cooling, fans and filters"),
            "bank_hot",
        ),
        CardAlarm(
            "upsAlarmInputBad",
            _S.MINOR,
            "finds its input out of tolerance",
            Advice("Look at the supply and the input breaker"),
            "on_battery",
        ),
        CardAlarm(
            "upsAlarmOutputBad",
            _S.CRITICAL,
            "finds its output out of tolerance (not overload)",
            Advice("Have the unit looked at now", "; the load gets bad power."),
        ),
        CardAlarm(
            "upsAlarmOutputOverload",
            _S.MAJOR,
            "carries more than its rating",
            Advice("Shed load on the full line"),
            "overload",
        ),
        CardAlarm(
            "upsAlarmOnBypass",
            _S.MAJOR,
            "feeds its load from bypass",
            Advice("Have it returned to inverter"),
            "on_bypass",
        ),
        CardAlarm(
            "upsAlarmBypassBad",
            _S.MINOR,
            "finds its bypass supply out of tolerance",
            Advice("Until it is good an overload drops the load instead of going to bypass"),
            "on_battery",
        ),
        CardAlarm(
            "upsAlarmOutputOffAsRequested",
            _S.MINOR,
            "has shut its output off as asked",
            Advice("Find out who asked"),
            "output_off",
        ),
        CardAlarm(
            "upsAlarmUpsOffAsRequested",
            _S.MINOR,
            "has shut itself off as asked",
            Advice("Find out who asked"),
            "output_off",
        ),
        CardAlarm(
            "upsAlarmChargerFailed",
            _S.MAJOR,
            "finds its charger failed",
            Advice("Have the charger repaired", "; the bank runs down meanwhile."),
        ),
        CardAlarm(
            "upsAlarmUpsOutputOff", _S.MAJOR, "has its output off", Advice("Go to the unit"), "output_off"
        ),
        CardAlarm("upsAlarmUpsSystemOff", _S.MAJOR, "is off", Advice("Go to the unit"), "output_off"),
        CardAlarm(
            "upsAlarmFanFailure",
            _S.MINOR,
            "finds a fan failed",
            Advice("Have the fan replaced before the next warm week"),
        ),
        CardAlarm(
            "upsAlarmFuseFailure",
            _S.MAJOR,
            "finds a fuse failed",
            Advice("Have the unit opened by its service", "; do not just renew the fuse."),
        ),
        CardAlarm(
            "upsAlarmGeneralFault",
            _S.MAJOR,
            "reports a general fault",
            Advice("Read the unit's log and call its service"),
        ),
        CardAlarm(
            "upsAlarmDiagnosticTestFailed",
            _S.MINOR,
            "failed its last test",
            Advice("Read the unit's log"),
            "self_test_failed",
        ),
        CardAlarm(
            "upsAlarmCommunicationsLost",
            _S.MAJOR,
            "does not hear its own cabinet: what the card says is old",
            Advice("Restart the card", "; look at the cable between card and cabinet."),
        ),
        CardAlarm(
            "upsAlarmAwaitingPower",
            _S.MINOR,
            "is off and waits for mains",
            Advice("Look at the supply"),
            "output_off",
        ),
        CardAlarm(
            "upsAlarmShutdownPending",
            _S.CRITICAL,
            "counts down to shut its output off",
            Advice("Stop the countdown at the unit or save what it feeds"),
        ),
        CardAlarm(
            "upsAlarmShutdownImminent",
            _S.CRITICAL,
            "shuts its output off within 5 s",
            Advice("Save what it feeds"),
        ),
        CardAlarm("upsAlarmTestInProgress", _S.WARNING, "is testing itself", Advice("Wait for the result")),
    )
}
"""RFC 1628, 6.3: the 24 well-known alarms. TestInProgress needs nobody's action and is an event."""


SAYS: Final[Mapping[str, tuple[str, ...]]] = {
    kind: tuple(card.name for card in CARD_ALARMS.values() if card.said_by == kind)
    for kind in sorted({card.said_by for card in CARD_ALARMS.values() if card.said_by is not None})
}
"""Which card alarms each of ours says already while it stands."""


@dataclass(frozen=True, slots=True)
class Override:
    """What a site sets differently for one kind of alarm; None leaves the catalogue's value."""

    on_delay_s: float | None = None
    off_delay_s: float | None = None
    severity: Severity | None = None
    limit: float | None = None
    deadband: float | None = None
    realarm_s: float | None = None
    answer_s: float | None = None


def with_overrides(
    overrides: Mapping[str, Override], catalogue: Mapping[str, AlarmKind] = CATALOGUE
) -> Mapping[str, AlarmKind]:
    """Return the catalogue as a site wants it.

    Raises KeyError for a kind that does not exist, ValueError for a limit where the kind has none.
    """
    changed = dict(catalogue)
    for kind_id, wish in overrides.items():
        kind = changed[kind_id]
        limit = kind.limit
        if wish.limit is not None or wish.deadband is not None:
            if limit is None:
                raise ValueError(f"{kind_id} has no limit to set")
            limit = replace(
                limit,
                value=limit.value if wish.limit is None else wish.limit,
                deadband=limit.deadband if wish.deadband is None else wish.deadband,
            )
        changed[kind_id] = replace(
            kind,
            on_delay_s=kind.on_delay_s if wish.on_delay_s is None else wish.on_delay_s,
            off_delay_s=kind.off_delay_s if wish.off_delay_s is None else wish.off_delay_s,
            severity=wish.severity or kind.severity,
            realarm_s=kind.realarm_s if wish.realarm_s is None else wish.realarm_s,
            answer_s=kind.answer_s if wish.answer_s is None else wish.answer_s,
            limit=limit,
        )
    return changed


def catalogue_reference(catalogue: Iterable[AlarmKind] = _ENTRIES) -> str:
    """Return the catalogue as Markdown for the documentation."""
    usual = USUAL_ANSWER_TIMES
    parts = [
        "# The alarms\n",
        f"A critical alarm that nobody acknowledges is told again after {_duration(usual.critical_s or 0.0)}, a major "
        f"one after {_duration(usual.major_s or 0.0)}, three times at the most; `answer_within` of a site and "
        "`answer_within_s` of an alarm set other times.\n",
        "An alarm that comes for the third time within a quarter of an hour is told as coming and going, and no more until it "
        "stays (for a minute, where somebody must act at once) or has rested for ten minutes, or for twice as long as it took "
        "from one time to the next: then it returns.\n",
    ]
    for kind in catalogue:
        rows = [
            ("about", kind.about.value),
            ("severity", _severity_text(kind)),
            ("causes", "; ".join(kind.causes)),
            ("if nothing is done", kind.consequence),
            ("what to do", str(kind.do)),
            ("time to respond", _duration(kind.respond_s)),
            ("raised", "at once" if not kind.on_delay_s else f"after {_duration(kind.on_delay_s)}"),
            ("returns", "at once" if not kind.off_delay_s else f"after {_duration(kind.off_delay_s)}"),
        ]
        if kind.limit is not None:
            side = "above" if kind.limit.above else "below"
            rows.append(
                (
                    "limit",
                    f"{side} {kind.limit.value:g} {kind.limit.unit}".rstrip()
                    + f" ({kind.limit.fact}), deadband {kind.limit.deadband:g}",
                )
            )
        if kind.suppressed_by:
            rows.append(
                ("suppressed by design by", ", ".join(e.value.replace("_", " ") for e in kind.suppressed_by))
            )
        if kind.latching:
            rows.append(("latched", "until reset by hand"))
        if kind.realarm_s is not None:
            rows.append(("told again", f"every {_duration(kind.realarm_s)} while it stands"))
        parts.append(
            f"## {kind.id}\n\n{kind.meaning}\n\n" + "".join(f"- {name}: {text}\n" for name, text in rows)
        )
    parts.append(
        "## What cards say themselves (RFC 1628)\n\n| alarm | severity | the unit … | what to do | said by |\n|---|---|---|---|---|\n"
    )
    parts[-1] += "".join(
        f"| {a.name} | {a.severity.value} | {a.says} | {a.do} | {a.said_by or ''} |\n"
        for a in CARD_ALARMS.values()
    )
    return "\n".join(parts)


def _severity_text(kind: AlarmKind) -> str:
    steps = [kind.severity.value]
    steps += [
        f"{rise.severity.value} when {rise.fact} is {'above' if rise.above else 'below'} {rise.value:g}"
        for rise in kind.rises
    ]
    return ", ".join(steps)


def _duration(seconds: float) -> str:
    for unit_s, word in ((DAY, "d"), (HOUR, "h"), (60.0, "min")):
        if seconds >= unit_s and seconds % unit_s == 0:
            return f"{seconds / unit_s:g} {word}"
    return f"{seconds:g} s"
