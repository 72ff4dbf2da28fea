"""What a reading, a judgement or the service's own figures say of each alarm's condition.

Pure look-ups: values in, `Found` out. Nothing here knows of delays, states or people. `was` tells
whether a condition was last known to be present, for limits with a deadband.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Final

from rules.alarms.catalogue import CARD_ALARMS, AlarmKind, Explanation
from rules.alarms.lifecycle import Observation
from rules.alarms.wording import PURPOSES, at_least, at_most, kilowatts, listed, worst_lost
from rules.battery.charging import CHARGER_LOST, NOT_RECHARGED, RECHARGE_SLOW, RUNAWAY
from rules.battery.condition import (
    BEYOND_TABLE,
    BLOCK_OUT_OF_LINE,
    CAPACITY_FELL,
    NOT_SHOWN,
    OPEN_STRING,
    RESISTANCE_UP,
    SHORTED_CELL,
    TEST_DUE,
    UNDERSIZED,
)
from rules.estate import Bank, Estate, NormalMode, Purpose, Unit, in_place
from rules.reading import BatteryStatus, OutputSource, Reading, TestResult
from rules.verdicts import Against, BankState, OnBattery, SystemState, Verdict

SHARE_JUDGED_ABOVE: Final = 0.15
"""Below this part of its rating a unit's share is noise."""

DEAD_BELOW: Final = 0.5
"""An input line below this part of its nominal voltage carries no supply."""

SUPPLY_GRACE_S: Final = 10.0
"""How long past its budget a generator may be before that is an alarm."""

DAYS_PER_YEAR: Final = 365.25

Was = Callable[[str, str], bool]


@dataclass(frozen=True, slots=True)
class Found:
    """One alarm's condition as just seen."""

    kind: str
    about: str
    seen: Observation
    qualifier: str = ""


@dataclass(frozen=True, slots=True)
class Peers:
    """What is known of the units beside one: load as a part of rating, and how many carry."""

    load_fractions: tuple[float, ...] = ()
    carrying: int = 0


def on_battery(reading: Reading) -> bool | None:
    """Return whether the bank carries the load: by the source, else by the card's other words."""
    if reading.on_battery is not None:
        return reading.on_battery
    if reading.card_alarms is not None and "upsAlarmOnBattery" in reading.card_alarms:
        return True
    if reading.battery.on_battery_s is not None and reading.battery.on_battery_s > 0:
        return True
    return None


def testing(reading: Reading) -> bool:
    """Return whether the unit says that it is testing itself."""
    alarms = reading.card_alarms or ()
    return reading.test.result is TestResult.IN_PROGRESS or "upsAlarmTestInProgress" in alarms


def has_mains(reading: Reading, nominal_v: float | None) -> bool | None:
    """Return whether every input line has voltage; None when one is not known and none is dead."""
    if not reading.input.lines:
        return None
    limit_v = DEAD_BELOW * (nominal_v or reading.nameplate.nominal_input_voltage_v or 230.0)
    volts = [line.voltage_v for line in reading.input.lines]
    if any(v is not None and v < limit_v for v in volts):
        return False
    return None if None in volts else True


def load_fraction(reading: Reading, unit: Unit) -> float | None:
    """Return the unit's load as a part of its rating in watts, None when either is not known."""
    fitted = in_place(unit.fitted, reading.at.date())
    power_w = reading.output.power_w
    if fitted is None or power_w is None:
        return None
    return power_w / fitted.rating_w


def unit_conditions(
    reading: Reading,
    unit: Unit,
    system_name: str,
    catalogue: Mapping[str, AlarmKind],
    *,
    was: Was,
    peers: Peers,
    left_s: float | None,
    shares_known: bool,
) -> Iterator[Found]:
    """Yield every condition that one reading of one unit decides.

    `left_s`: the cautious time left of its system, when judged. `shares_known` is False where one card
    speaks for several units.
    """
    name = f"Unit {unit.id} ({system_name})"
    source = reading.output.source
    known = source is not None and source is not OutputSource.OTHER
    on_bank = on_battery(reading)
    test = testing(reading) and has_mains(reading, None) is not False
    explained = (Explanation.SELF_TEST.value,) if test else ()

    def found(
        kind: str,
        present: bool | None,
        what: str = "",
        *,
        facts: Mapping[str, float | None] | None = None,
        because: tuple[str, ...] = (),
        do: str = "",
    ) -> Found:
        allowed = {e.value for e in catalogue[kind].suppressed_by}
        kept = tuple(e for e in (*explained, *because) if e in allowed)
        return Found(kind, unit.id, Observation(present, what, do, facts, None, kept))

    yield found("on_battery", on_bank, _on_battery_text(name, left_s), facts={"left_s": left_s})
    low = reading.battery.status
    says_low = None if low is None or low is BatteryStatus.UNKNOWN else low is not BatteryStatus.NORMAL
    yield found(
        "bank_low",
        says_low and on_bank is not False,
        f"{name} says its bank is {low.value if low else 'low'} while it carries the load.",
    )
    bypass = source is OutputSource.BYPASS
    economy = (Explanation.ECONOMY_MODE.value,) if unit.normal_mode is NormalMode.ECONOMY else ()
    yield found(
        "on_bypass",
        bypass if known else None,
        f"{name} is on bypass: a mains failure drops its load at once.",
        because=economy,
    )
    resting = (Explanation.RESTING.value,) if unit.may_rest and peers.carrying else ()
    yield found(
        "output_off",
        source is OutputSource.NONE if known else None,
        f"{name} feeds nothing; "
        + (f"{peers.carrying} beside it carry the load." if peers.carrying else "no unit beside it carries."),
        facts={"carrying_units": float(peers.carrying)},
        because=resting,
    )
    yield _overload(reading, unit, name, catalogue["overload"], was)
    yield _hot(reading, unit, name, catalogue["bank_hot"], was)
    yield _share(
        reading,
        unit,
        name,
        catalogue["load_share"],
        was=was,
        peers=peers,
        explained=explained,
        shares_known=shares_known,
    )
    result = reading.test.result
    failed = (
        None
        if result in (None, TestResult.IN_PROGRESS, TestResult.ABORTED)
        else result in (TestResult.ERROR, TestResult.WARNING)
    )
    detail = f" It says: {reading.test.detail}." if reading.test.detail else ""
    yield found(
        "self_test_failed",
        failed,
        f"The last test of {name[0].lower()}{name[1:]} ended with {'an error' if result is TestResult.ERROR else 'a warning'}.{detail}",
    )


def _on_battery_text(name: str, left_s: float | None) -> str:
    if left_s is None:
        return f"{name} feeds its load from its bank; how long it lasts cannot be told."
    return f"{name} feeds its load from its bank; its system holds {at_least(max(left_s, 0.0))} more at the least."


def _overload(reading: Reading, unit: Unit, name: str, kind: AlarmKind, was: Was) -> Found:
    loads = [(line.load_pct, line.line) for line in reading.output.lines if line.load_pct is not None]
    worst, line = max(loads, default=(None, 0))
    present = kind.bound.passed(worst, was=was(kind.id, ""))
    what = f"{name} carries {worst:.0f} % of its rating on line {line}." if worst is not None else ""
    return Found(kind.id, unit.id, Observation(present, what, facts={"load_pct": worst}))


def _hot(reading: Reading, unit: Unit, name: str, kind: AlarmKind, was: Was) -> Found:
    temperature_c = reading.battery.temperature_c
    present = kind.bound.passed(temperature_c, was=was(kind.id, ""))
    what = (
        f"It is {temperature_c:.0f} °C at the bank of {name[0].lower()}{name[1:]}, limit {kind.bound.value:g}."
        if temperature_c is not None
        else ""
    )
    return Found(kind.id, unit.id, Observation(present, what, facts={"temperature_c": temperature_c}))


def _share(
    reading: Reading,
    unit: Unit,
    name: str,
    kind: AlarmKind,
    *,
    was: Was,
    peers: Peers,
    explained: tuple[str, ...],
    shares_known: bool,
) -> Found:
    """Judge the unit's load against the mean of the units that carry, in points of rating."""
    mine = load_fraction(reading, unit)
    carries = reading.output.source in (OutputSource.NORMAL, OutputSource.BATTERY)
    points: float | None = None
    what = ""
    present: bool | None
    if not shares_known:
        present = None
    elif not carries or not peers.load_fractions:
        present = False
    else:
        if mine is not None:
            mean = (mine + sum(peers.load_fractions)) / (1 + len(peers.load_fractions))
            points = 100.0 * abs(mine - mean) if mean >= SHARE_JUDGED_ABOVE else 0.0
            what = f"{name} carries {100 * mine:.0f} % of its rating, the mean of its system is {100 * mean:.0f} %."
        present = kind.bound.passed(points, was=was(kind.id, ""))
    resting = unit.may_rest and mine is not None and mine < 0.02
    because = (*explained, *((Explanation.RESTING.value,) if resting else ()))
    return Found(
        kind.id,
        unit.id,
        Observation(present, what, facts={"deviation_points": points}, explained=because),
    )


def card_conditions(
    reading: Reading,
    unit: Unit,
    system_name: str,
    standing: tuple[tuple[str, str], ...],
    here: frozenset[str],
) -> Iterator[Found]:
    """Yield the conditions of the card's own alarms.

    `standing`: (kind, name) of card alarms that are remembered for this unit; `here`: kinds of ours whose
    condition is present, so that the card's alarm says nothing new.
    """
    if reading.card_alarms is None:
        for kind, name in standing:
            yield Found(kind, unit.id, Observation(None), name)
        return
    present = set(reading.card_alarms)
    for kind, name in standing:
        if name not in present:
            yield Found(kind, unit.id, Observation(False), name)
    for name in sorted(present):
        known = CARD_ALARMS.get(name)
        if known is None:
            what = (
                f"The card of unit {unit.id} ({system_name}) reports {name}, which only its maker can name."
            )
            yield Found("unclassified_card_alarm", unit.id, Observation(True, what), name)
        elif name != "upsAlarmTestInProgress":
            said = known.said_by is not None and known.said_by in here
            yield Found(
                "card_alarm",
                unit.id,
                Observation(
                    True,
                    f"Unit {unit.id} ({system_name}) {known.says}.",
                    known.do,
                    {"card_severity": float(known.severity.rank)},
                    explained=(Explanation.SAID_ALREADY.value,) if said else (),
                ),
                name,
            )


def system_conditions(
    state: SystemState, estate: Estate, catalogue: Mapping[str, AlarmKind], *, was: Was
) -> Iterator[Found]:
    """Yield every condition that one judgement of a system decides."""
    yield from _requirements(state, catalogue["requirement_not_met"], was)
    yield from _redundancy(state, catalogue["redundancy_lost"], was)
    yield _imbalance(state, catalogue["phase_imbalance"], was)
    yield from _outage(state, estate, catalogue["ends_soon"], was)


def _requirements(state: SystemState, kind: AlarmKind, was: Was) -> Iterator[Found]:
    for need in state.requirements:
        told = need.verdict is not Verdict.CANNOT_TELL
        inadequate = need.verdict is Verdict.INADEQUATE
        near = need.margin_s is not None and kind.bound.passed(need.margin_s, was=was(kind.id, need.id))
        purpose = PURPOSES[need.purpose]
        what = ""
        if need.required_s is not None and need.margin_s is not None:
            lost = worst_lost(state.hold_up) if need.against is Against.ONE_UNIT_LOST else None
            gone = f" with {lost} lost" if lost else ""
            holds = at_least(max(need.required_s + need.margin_s, 0.0))
            what = f"{state.name} needs {at_most(need.required_s)} for {purpose}, holds {holds} at the least{gone}."
        elif need.because:
            what = f"{state.name}: {need.because[0]}"
        yield Found(
            kind.id,
            state.id,
            Observation((inadequate or near) if told else None, what, facts={"margin_s": need.margin_s}),
            need.id,
        )
        why = f" {need.because[0]}" if need.because else ""
        yield Found(
            "requirement_unknown",
            state.id,
            Observation(not told, f"Whether {state.name} holds for {purpose} cannot be told.{why}"),
            need.id,
        )


def _redundancy(state: SystemState, kind: AlarmKind, was: Was) -> Iterator[Found]:
    redundancy = state.redundancy
    if redundancy is None:
        yield Found(kind.id, state.id, Observation(False))
        yield Found("redundancy_unknown", state.id, Observation(False))
        return
    told = redundancy.verdict is not Verdict.CANNOT_TELL
    near = kind.bound.passed(redundancy.margin_fraction, was=was(kind.id, "")) or False
    because = listed(redundancy.because[:2]) if redundancy.because else ""
    what = f"{state.name} cannot spare a unit. {because}".strip()
    if redundancy.margin_w is not None and redundancy.tightest_line is not None and redundancy.margin_w < 0:
        limit = "volt-amperes" if redundancy.tightest_limit == "va" else "watts"
        amount = kilowatts(-redundancy.margin_w).replace(
            "kW", "kVA" if redundancy.tightest_limit == "va" else "kW"
        )
        what = (
            f"Line {redundancy.tightest_line} of {state.name} asks {amount} more than the units left can carry "
            f"with the spare gone ({limit}{', at its 30-day peak' if redundancy.basis.value == 'peak_30d' else ''})."
        )
    yield Found(
        kind.id,
        state.id,
        Observation(
            (redundancy.verdict is Verdict.INADEQUATE or near) if told else None,
            what,
            facts={"margin_fraction": redundancy.margin_fraction},
        ),
    )
    yield Found(
        "redundancy_unknown",
        state.id,
        Observation(not told, f"Whether {state.name} can spare a unit cannot be told. {because}".strip()),
    )


def _imbalance(state: SystemState, kind: AlarmKind, was: Was) -> Found:
    powers = [line.power_w for line in state.load.lines]
    known = [p for p in powers if p is not None]
    if len(powers) < 2:
        return Found(kind.id, state.id, Observation(False))
    if len(known) < len(powers):
        return Found(kind.id, state.id, Observation(None))
    mean_w = sum(known) / len(known)
    if mean_w <= 0:
        return Found(kind.id, state.id, Observation(False))
    full = max(known)
    excess = full / mean_w - 1.0
    line = state.load.lines[powers.index(full)].line
    what = f"Line {line} of {state.name} carries {kilowatts(full)}, {100 * excess:.0f} % over the mean of its lines."
    return Found(
        kind.id,
        state.id,
        Observation(kind.bound.passed(excess, was=was(kind.id, "")), what, facts={"excess_fraction": excess}),
    )


def time_left_s(outage: OnBattery | None, at: datetime) -> float | None:
    """Return the cautious time left at a moment, never below 0; None when not on battery or not known."""
    if outage is None or outage.ends_earliest is None:
        return None
    return max((outage.ends_earliest - at).total_seconds(), 0.0)


def _outage(state: SystemState, estate: Estate, ends_soon: AlarmKind, was: Was) -> Iterator[Found]:
    outage = state.on_battery
    at = state.as_of
    if outage is None or at is None:
        clear = None if at is None else False
        for kind in ("ends_soon", "starts_failed", "no_supply_in_time"):
            yield Found(kind, state.id, Observation(clear))
        return
    left_s = time_left_s(outage, at)
    reckoned = " (reckoned: its cards are silent)" if outage.reckoned_since else ""
    left = "" if left_s is None else f"It holds {at_least(left_s)} more at the least{reckoned}."
    yield Found(
        "ends_soon",
        state.id,
        Observation(
            ends_soon.bound.passed(left_s, was=was("ends_soon", "")),
            f"{state.name} drops its load soon. {left}",
            facts={"left_s": left_s},
            by_when=outage.ends_earliest,
        ),
    )
    generator = estate.generator_of(state.id)
    if generator is None:
        return
    if outage.starts_failed is not None:
        yield Found(
            "starts_failed",
            state.id,
            Observation(
                outage.starts_failed >= generator.attempts,
                f"{outage.starts_failed} starts of {generator.id} have failed and {state.name} is on its banks. {left}",
                facts={"starts_failed": float(outage.starts_failed)},
                by_when=outage.start_set_before,
            ),
        )
    budget_s = max(
        (n.required_s or 0.0 for n in state.requirements if n.purpose is Purpose.GENERATOR_START), default=0.0
    )
    if budget_s:
        on_s = (at - outage.since).total_seconds()
        yield Found(
            "no_supply_in_time",
            state.id,
            Observation(
                on_s > budget_s + SUPPLY_GRACE_S,
                f"No supply for {state.name} within the {at_most(budget_s)} allowed for {generator.id}. {left}",
                facts={"left_s": left_s, "on_battery_s": on_s},
                by_when=outage.start_set_before,
            ),
        )


def bank_conditions(state: BankState, bank: Bank, today: date, kind: AlarmKind, was: Was) -> Iterator[Found]:
    """Yield every condition that one judgement of a bank decides. `kind` is `bank_past_age`."""
    fitted = in_place(bank.fitted, today)
    fraction: float | None = None
    what = ""
    if fitted is not None and fitted.design_life_years:
        years = (today - fitted.from_day).days / DAYS_PER_YEAR
        age_years = max(years, state.effective_age_years or 0.0)
        fraction = age_years / fitted.design_life_years
        warm = f", worn as after {age_years:.1f}" if age_years > years + 0.05 else ""
        what = (
            f"Bank {bank.id} is {years:.1f} years old{warm}; its design life is {fitted.design_life_years:g}."
        )
    past = kind.bound.passed(fraction, was=was(kind.id, ""))
    yield Found(kind.id, bank.id, Observation(past, what, facts={"age_fraction": fraction}))
    dates = state.dates
    overdue = None if dates.replace_by is None else dates.replace_by <= today
    late = (today - dates.replace_by).days if dates.replace_by is not None else 0
    yield Found(
        "bank_replace_now",
        bank.id,
        Observation(
            overdue,
            f"Bank {bank.id} is to be renewed by today."
            if late == 0
            else f"Bank {bank.id} should have been renewed by {dates.replace_by}, "
            f"{late} day{'' if late == 1 else 's'} ago.",
        ),
    )
    order = None if dates.order_by is None else dates.order_by <= today
    yield Found(
        "bank_order_now",
        bank.id,
        Observation(
            order,
            f"Order bank {bank.id} now: its successor takes {bank.order_lead_days} days and is needed by {dates.replace_by}.",
            explained=(Explanation.SAID_ALREADY.value,) if overdue else (),
        ),
    )
    charging = state.charging
    wrong = None if charging.verdict is Verdict.CANNOT_TELL else charging.verdict is Verdict.INADEQUATE
    reasons = " ".join(charging.because)
    yield Found(
        "charging_wrong",
        bank.id,
        Observation(wrong, f"Bank {bank.id} is not kept as it should be. {reasons}".strip()),
    )
    yield from _bank_findings(state)


_FINDINGS: Final[Mapping[str, tuple[str, ...]]] = {
    "bank_will_not_carry": (OPEN_STRING, NOT_SHOWN),
    "bank_runaway": (RUNAWAY,),
    "charger_lost": (CHARGER_LOST, NOT_RECHARGED),
    "bank_suspect": (SHORTED_CELL, RESISTANCE_UP, BLOCK_OUT_OF_LINE, CAPACITY_FELL, RECHARGE_SLOW),
    "bank_too_small": (UNDERSIZED, BEYOND_TABLE),
    "bank_not_shown": (NOT_SHOWN,),
    "bank_test_due": (TEST_DUE,),
}
"""Which findings of a judgement raise which alarm; the others are shown beside the bank only."""
_GRAVE: Final = frozenset(("critical", "major"))


def _bank_findings(state: BankState) -> Iterator[Found]:
    """Yield the alarms that a bank's findings ask for. A bank that failed its load is told as that alone."""
    for kind, names in _FINDINGS.items():
        found = [f for f in state.findings if f.kind in names]
        if kind == "bank_will_not_carry":
            found = [f for f in found if f.severity in _GRAVE]
        elif kind == "bank_not_shown":
            found = [f for f in found if f.severity not in _GRAVE]
        what = " ".join(f.what for f in found)
        yield Found(kind, state.id, Observation(bool(found), f"Bank {state.id}: {what}" if found else ""))


@dataclass(frozen=True, slots=True)
class ServiceFigures:
    """How ridethrough itself does. None: not known. Seconds and fractions 0 to 1.

    `channels` and `undeliverable` by channel: whether it fails now, and how many messages it gave up
    since they were last looked at; with `why` the text that came back. `collectors`: other sites'
    collectors and whether they are overdue.
    """

    late_fraction: float | None = None
    free_fraction: float | None = None
    store_error: str | None = None
    store_known: bool = False
    jump_s: float | None = None
    worker_error: str | None = None
    worker_known: bool = False
    oldest_s: float | None = None
    channels: Mapping[str, bool | None] = field(default_factory=dict)
    undeliverable: Mapping[str, int] = field(default_factory=dict)
    why: Mapping[str, str] = field(default_factory=dict)
    collectors: Mapping[str, bool] = field(default_factory=dict)
    estate_file_behind: tuple[str, ...] | None = None


SERVICE: Final = "ridethrough"
"""What an alarm of the service itself is about."""


def service_conditions(
    figures: ServiceFigures, estate: Estate, catalogue: Mapping[str, AlarmKind], *, was: Was
) -> Iterator[Found]:
    """Yield every condition that the service's own figures decide."""
    limits = {
        "polls_late": (figures.late_fraction, "{:.0%} of polls come late."),
        "disk_filling": (figures.free_fraction, "{:.1%} of the disk is free."),
        "clock_jumped": (figures.jump_s, "The clock jumped by {:.1f} s."),
        "delivery_behind": (figures.oldest_s, "The oldest unsent message is {:.0f} s old."),
    }
    for name, (number, text) in limits.items():
        limit = catalogue[name].bound
        yield Found(
            name,
            SERVICE,
            Observation(
                limit.passed(number, was=was(name, "")),
                "" if number is None else text.format(number),
                facts={limit.fact: number},
            ),
        )
    for name, known, error in (
        ("store_failing", figures.store_known, figures.store_error),
        ("worker_failing", figures.worker_known, figures.worker_error),
    ):
        yield Found(name, SERVICE, Observation(error is not None if known or error else None, error or ""))
    behind = figures.estate_file_behind
    yield Found(
        "estate_file_behind",
        SERVICE,
        Observation(
            None if behind is None else bool(behind),
            f"Recorded but not in the estate file: {listed(behind)}." if behind else "",
        ),
    )
    for channel, failing in sorted(figures.channels.items()):
        why = f" It says: {figures.why[channel]}." if figures.why.get(channel) else ""
        yield Found("channel_failing", channel, Observation(failing, f"Channel {channel} fails.{why}"))
    for channel, number in sorted(figures.undeliverable.items()):
        yield Found(
            "messages_undeliverable",
            channel,
            Observation(number > 0, f"{number} messages by {channel} were given up."),
        )
    for collector, overdue in sorted(figures.collectors.items()):
        yield Found("collector_silent", collector, Observation(overdue, f"Nothing is heard of {collector}."))
    yield _watch_power(estate)


def _watch_power(estate: Estate) -> Found:
    power = estate.watch_power
    parts = {
        "the machine": power.box_fed_by,
        "the switches to the cards": power.switches_fed_by,
        "the way out": power.way_out_fed_by,
    }
    bare = [part for part, fed_by in parts.items() if fed_by == "mains"]
    unanswered = [part for part, fed_by in parts.items() if fed_by is None]
    sentences = []
    if bare:
        sentences.append(f"Fed from bare mains: {listed(bare)}.")
    if unanswered:
        sentences.append(f"Not known what feeds {listed(unanswered)}.")
    return Found("watch_would_die", SERVICE, Observation(bool(sentences), " ".join(sentences)))
