"""Is the hold-up enough: what the bridge to the generator takes, and the verdict on each requirement.

The bridge: the set notices the loss, cranks as often as it is set to (NFPA 110 cyclic cranking: cranks
and rests in turn), runs up, the load is changed over, every unit qualifies the new supply, and the last
one waits its turn and ramps on to it. The bank carries the load, or part of it, until then, so all of it
counts. By hand: all automatic starts have failed first, and a person has to get there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo
from math import ceil, floor
from typing import Final

from rules.battery.assessment.faults import SHOWN_WITHIN_DAYS
from rules.battery.state import ShownToCarry, WouldTell
from rules.phrasing.dates import PURPOSES, day_of
from rules.plant.estate import Bank, Generator, Purpose, Requirement, Unit
from rules.plant.reading import Reading
from rules.system.state import Against, BridgeStep, HoldUp, RequirementVerdict, UnitLost
from rules.values.verdict import Basis, EndedBy, Verdict

SHOWN_WITHIN: Final = timedelta(days=SHOWN_WITHIN_DAYS)
SHOWN_FOR_S: Final = 60.0
UNSEEN_S: Final = 4.0
"""What reads every 2 s miss of a discharge at its two ends: it is seen from its first row on the bank to its last."""
SHOWN_SHARE: Final = 0.5
STALE_POLLS: Final = 3
OVERLOAD: Final = "Overload"
"""A sentence on units that trip begins so: no bank would help."""
_GRAIN_S: Final = 1e-6  # what a float may be off by before it counts as more
LEAST_STALE_S: Final = 15.0


def for_long_enough(seen_s: float) -> bool:
    """Return whether a discharge that was seen for so long may have lasted the minute that shows that a bank carries."""
    return seen_s + UNSEEN_S >= SHOWN_FOR_S


def stale_after_s(poll_s: float) -> float:
    """Return the age past which a reading is no evidence: three poll periods, never under 15 s."""
    return max(STALE_POLLS * poll_s, LEAST_STALE_S)


def walk_in_steps(units: Sequence[Unit]) -> tuple[BridgeStep, ...]:
    """Return what the units take once the supply is there: the slowest to accept, the last to ramp."""
    if not units:
        return ()
    last = max(units, key=lambda unit: unit.hold_off_s + unit.walk_in_s)
    return (
        BridgeStep("accept", max(unit.accept_s for unit in units)),
        BridgeStep("hold_off", last.hold_off_s),
        BridgeStep("walk_in", last.walk_in_s),
    )


def starts_s(generator: Generator, attempts: int) -> float:
    """Return how long `attempts` cranks and the rests between them take, in s."""
    return attempts * generator.crank_s + max(attempts - 1, 0) * generator.rest_s


def bridge(
    generator: Generator,
    units: Sequence[Unit],
    *,
    by_hand: bool = False,
    seen: Mapping[str, float] | None = None,
) -> tuple[BridgeStep, ...]:
    """Return the steps from the loss of the mains until the last unit has ramped on to the set.

    The worst that counts as success: the last automatic start works, or, `by_hand`, all have failed and
    a person starts the set. `seen`: seconds last seen of a step, by its name.
    """
    steps = [
        BridgeStep("detect", generator.detect_s),
        BridgeStep("starts", starts_s(generator, generator.attempts)),
    ]
    if by_hand:
        steps.append(BridgeStep("hand_start", generator.hand_start_s or 0.0))
    steps += [BridgeStep("run_up", generator.start_s), BridgeStep("changeover", generator.transfer_s)]
    steps += walk_in_steps(units)
    seen = seen or {}
    return tuple(BridgeStep(s.step, s.allowed_s, seen.get(s.step)) for s in steps)


def after_start_s(generator: Generator, units: Sequence[Unit]) -> float:
    """Return s from a hand on the starter until the last unit has ramped on to the set."""
    on = sum(step.allowed_s for step in walk_in_steps(units))
    return generator.crank_s + generator.start_s + generator.transfer_s + on


def starts_failed(generator: Generator, units: Sequence[Unit], on_battery_s: float) -> int:
    """Return how many automatic starts have failed if nothing has taken the load after `on_battery_s`.

    By the clock only: a start counts as failed once a unit could have seen and accepted the set.
    """
    accept_s = min((unit.accept_s for unit in units), default=0.0)
    failed = 0
    for attempt in range(1, generator.attempts + 1):
        due_s = generator.detect_s + starts_s(generator, attempt)
        if on_battery_s > due_s + generator.start_s + generator.transfer_s + accept_s:
            failed = attempt
    return failed


@dataclass(frozen=True, slots=True)
class BankSeen:
    """What a bank was seen to do, and what is asked of it now."""

    bank: str
    asked_w: float | None
    shown: ShownToCarry | None


def carries_now(
    bank: Bank, readings: Mapping[str, Reading], alone: bool, since: datetime | None
) -> ShownToCarry | None:
    """Return what a bank is seen to carry at this moment, None where it is not.

    `alone`: no other bank stands behind its units; beside another nobody sees which of them carries. `since`: since
    when the system is on its banks, for a card that does not count the seconds.
    """
    here = [r for unit in bank.feeds if (r := readings.get(unit)) is not None and r.on_battery]
    power_w = sum(r.output.power_w or 0.0 for r in here)
    if not alone or not here or power_w <= 0.0:
        return None
    at = max(r.at for r in here)
    counted = [r.battery.on_battery_s or 0.0 for r in here]
    for_s = min(counted)
    if for_s <= 0.0 and since is not None:
        for_s = (at - since).total_seconds()
    return ShownToCarry(at, power_w, for_s) if for_long_enough(for_s) else None


@dataclass(frozen=True, slots=True)
class RequirementEvidence:
    """What a requirement is judged on.

    `missing`: sentences that say what is not known; any of them leaves the question open. `no_load`: the
    board asks nothing. `seen`: seconds last seen of a step of the bridge, by its name. `zone`: the site's clock.
    `notes`: what limits the hold-up, in sentences. `would_tell`: what would tell.
    """

    now: HoldUp
    each_unit_lost: tuple[UnitLost, ...]
    one_unit_lost: HoldUp
    spare_units: int
    as_of: datetime | None
    banks: tuple[BankSeen, ...] = ()
    missing: tuple[str, ...] = ()
    no_load: bool = False
    shown_within: timedelta = SHOWN_WITHIN
    seen: Mapping[str, float] = field(default_factory=dict)
    zone: tzinfo = UTC
    notes: tuple[str, ...] = ()
    would_tell: tuple[WouldTell, ...] = ()


def required(
    requirement: Requirement,
    generator: Generator | None,
    units: Sequence[Unit],
    seen: Mapping[str, float] | None = None,
) -> tuple[float | None, tuple[BridgeStep, ...], str | None]:
    """Return seconds required, the steps they come from, and why they are not known."""
    by_hand = requirement.purpose is Purpose.MANUAL_GENERATOR_START
    if by_hand or requirement.purpose is Purpose.GENERATOR_START:
        if generator is None:
            why = (
                None if requirement.required_s is not None else "No generator is declared behind this supply."
            )
            return requirement.required_s, (), why
        if by_hand and generator.hand_start_s is None:
            why = f"How long a start of {generator.id} by hand takes is not declared (hand_start_s)."
            return requirement.required_s, (), None if requirement.required_s is not None else why
        steps = bridge(generator, units, by_hand=by_hand, seen=seen)
        total_s = sum(step.allowed_s for step in steps)
        return (requirement.required_s if requirement.required_s is not None else total_s), steps, None
    why = f"How long {PURPOSES[requirement.purpose]} takes is not declared (required_s)."
    if requirement.required_s is not None:
        why = None
    return requirement.required_s, (), why


def verdict(
    requirement: Requirement,
    generator: Generator | None,
    units: Sequence[Unit],
    evidence: RequirementEvidence,
) -> RequirementVerdict:
    """Return whether a requirement is met.

    Adequate iff the 5th percentile of the hold-up, with the worst single unit lost where a unit is meant
    to be spare, is at least what is required. Inadequate iff it is not and either the median is not either,
    or discharges stand behind it: what an assumption alone suggests is no bad news. Cannot tell otherwise,
    when evidence is missing or stale, and for a generator start also when a bank was never shown to carry:
    capacity arithmetic does not catch an open cell.
    """
    needed_s, steps, unknown = required(requirement, generator, units, evidence.seen)
    against = Against.ONE_UNIT_LOST if evidence.spare_units >= 1 else Against.NOW
    held = evidence.one_unit_lost if evidence.spare_units >= 1 else evidence.now
    questions = [unknown] if unknown else []
    questions += _open_questions(requirement, held, evidence)
    short = None if needed_s is None or questions else _shortest_seen(needed_s, evidence)
    held = short or held
    margin_s = None if held.low_s is None or needed_s is None else held.low_s - needed_s
    if needed_s is None or questions:
        reached = Verdict.CANNOT_TELL
        because = questions or ["The hold-up is not known."]
        if needed_s is not None and margin_s is not None:
            because += _sentences(needed_s, evidence, held)
    else:
        reached = _reached(needed_s, held)
        because = (
            _sentences(needed_s, evidence, held)
            if held.low_s is not None and (reached is not Verdict.CANNOT_TELL)
            else _suggested(needed_s, held, evidence)
        )
    if reached is not Verdict.ADEQUATE and against is Against.ONE_UNIT_LOST:
        trips = [note for note in evidence.notes if note.startswith(OVERLOAD)]
        because = [*because, *(note for note in trips if note not in because)]
    return RequirementVerdict(
        id=requirement.id,
        purpose=requirement.purpose,
        required_s=needed_s,
        against=against,
        verdict=reached,
        because=tuple(because),
        as_of=evidence.as_of,
        margin_s=margin_s,
        steps=steps,
        would_tell=evidence.would_tell if reached is Verdict.CANNOT_TELL else (),
        basis=held.basis,
    )


def _shortest_seen(needed_s: float, evidence: RequirementEvidence) -> HoldUp | None:
    """Return a loss that falls short of the need by what was seen of the banks left, where another is not known.

    One bank that nothing was seen of hides no bad news of its neighbours.
    """
    if evidence.spare_units < 1 or evidence.one_unit_lost.low_s is not None:
        return None
    seen = [
        item.hold_up
        for item in evidence.each_unit_lost
        if item.hold_up.basis is Basis.TESTED and item.hold_up.low_s is not None
    ]
    short = [held for held in seen if (held.low_s or 0.0) < needed_s]
    return min(short, key=lambda held: held.low_s or 0.0, default=None)


def _reached(needed_s: float, held: HoldUp) -> Verdict:
    """Return the verdict on a need that nothing leaves open."""
    if held.low_s is not None and held.low_s >= needed_s:
        return Verdict.ADEQUATE
    if held.low_s is not None and held.basis is Basis.TESTED:
        return Verdict.INADEQUATE
    if held.median_s is not None and held.median_s < needed_s:
        return Verdict.INADEQUATE
    return Verdict.CANNOT_TELL


def _suggested(needed_s: float, held: HoldUp, evidence: RequirementEvidence) -> list[str]:
    """Return in words what is to be expected where that proves nothing, and why it does not."""
    if held.median_s is None:
        return list(evidence.notes) or ["The hold-up is not known."]
    with_lost = " with one unit lost" if evidence.spare_units >= 1 else ""
    if held.ended_by is EndedBy.OVERLOAD:
        with_lost += ", until the units left trip by overload"
    verb = "reaches" if held.median_s >= needed_s else "does not reach"
    of_age = held.basis is not Basis.TESTED
    time = suggested(held.median_s) if of_age else f"about {minutes(held.median_s)}"
    proves = f"{time}{with_lost}, which {verb} the {minutes_up(needed_s)} needed but proves nothing."
    seen = held.basis is Basis.TESTED
    first = [
        note for note in evidence.notes if note.startswith("What was seen" if seen else "No discharge of")
    ]
    if seen:
        why = first[0].split(":")[0] if first else "Too long has passed since these banks were judged"
        told = f"{why}; to be expected is {proves}"
    else:
        why = f"{first[0].split(' yet.')[0]} yet" if first else "No discharge was judged yet"
        rests = "a typical curve and age" if held.basis is Basis.GENERIC else "table and age"
        told = f"{why}; {rests} alone suggest {proves}"
    return [told, *(note for note in evidence.notes if note not in first)]


def suggested(median_s: float) -> str:
    """Return in words how long is to be expected where nothing was seen: no figure where it is the end of an assumed life."""
    return "that they may be at their end" if median_s < SHOWN_FOR_S else f"about {minutes(median_s)}"


def _open_questions(requirement: Requirement, held: HoldUp, evidence: RequirementEvidence) -> list[str]:
    """Return sentences that leave the verdict open, the gravest first."""
    if evidence.no_load:
        return ["There is no load: nothing to hold, and nothing to judge by."]
    questions = list(evidence.missing)
    if held.basis is Basis.NONE and not questions:
        questions.append("Neither a run time table nor a rated capacity is known for a bank.")
    if requirement.purpose is Purpose.GENERATOR_START:
        questions += [text for bank in evidence.banks if (text := not_shown(bank, evidence))]
    return questions


def not_shown(bank: BankSeen, evidence: RequirementEvidence) -> str | None:
    """Return the sentence that a bank was never shown to carry, None where it was."""
    if bank.asked_w is None or evidence.as_of is None:
        return None
    months = round(evidence.shown_within.days / 30.4)
    shown = bank.shown
    need_w = SHOWN_SHARE * bank.asked_w
    wanted = f"{need_w / 1e3:.1f} kW for {SHOWN_FOR_S:.0f} s within {months} months"
    if shown is None:
        return f"Bank {bank.bank} was never shown to carry it: no discharge of {wanted} is on record."
    if evidence.as_of - shown.at > evidence.shown_within:
        return f"Bank {bank.bank} was last shown to carry on {day_of(shown.at, evidence.zone)}; wanted is {wanted}."
    if not for_long_enough(shown.for_s) or shown.power_w < need_w:
        return (
            f"Bank {bank.bank} was shown to carry {shown.power_w / 1e3:.1f} kW for {shown.for_s:.0f} s only; "
            f"wanted is {wanted}."
        )
    return None


def minutes(seconds: float) -> str:
    """Return a time in words, rounded down: 75 s, 14.6 min, 3.2 h."""
    return _in_words(seconds, floor)


def minutes_up(seconds: float) -> str:
    """Return a time that is needed or lacks in words, rounded up, as it is everywhere: 76 s, 14.7 min, 3.3 h."""
    return _in_words(seconds - _GRAIN_S, ceil)


def _in_words(seconds: float, whole: Callable[[float], int]) -> str:
    if seconds < 120.0:
        return f"{whole(seconds)} s"
    if seconds < 7200.0:
        return f"{whole(seconds / 6.0) / 10.0:.1f} min"
    return f"{whole(seconds / 360.0) / 10.0:.1f} h"


def compared(held_s: float, needed_s: float) -> tuple[str, str]:
    """Return what holds and what is needed in words that never contradict which of them is more.

    What holds is rounded down and what is needed up, in the same grain; where that would turn enough into too little,
    both are said in whole seconds, and in the last second both rounded down.
    """
    if held_s < needed_s:
        return minutes(held_s), minutes_up(needed_s)
    grain_s = 1.0 if needed_s < 120.0 else 6.0 if needed_s < 7200.0 else 360.0
    if floor(held_s / grain_s) >= ceil((needed_s - _GRAIN_S) / grain_s):
        return minutes(held_s), minutes_up(needed_s)
    needed = ceil(needed_s - _GRAIN_S)
    return f"{floor(held_s)} s", f"{needed if needed <= held_s else floor(needed_s)} s"


def _worst(lost: Sequence[UnitLost]) -> str | None:
    known = [(item.hold_up.low_s, item.unit) for item in lost if item.hold_up.low_s is not None]
    return min(known)[1] if known else None


def _sentences(needed_s: float, evidence: RequirementEvidence, held: HoldUp) -> list[str]:
    """Return the arithmetic in words: what holds, what is needed, and where it fails."""
    low_s = held.low_s or 0.0
    now_s = evidence.now.low_s
    if evidence.spare_units < 1:
        if low_s >= needed_s:
            holds, needs = compared(low_s, needed_s)
            return [f"Holds {holds} at the least, needs {needs}."]
        return [
            f"Holds {minutes(low_s)} at the least, needs {minutes_up(needed_s)}: short by {minutes_up(needed_s - low_s)}."
        ]
    worst = _worst(evidence.each_unit_lost)
    lost = f"with unit {worst} lost" if worst else "with one unit lost"
    all_units = "" if now_s is None else f"; with all units {minutes(now_s)}"
    if low_s >= needed_s:
        holds, needs = compared(low_s, needed_s)
        return [f"Holds {holds} at the least {lost}{all_units}; needs {needs}."]
    if now_s is not None and now_s >= needed_s:
        failing = [
            item.unit
            for item in evidence.each_unit_lost
            if item.hold_up.low_s is not None and item.hold_up.low_s < needed_s
        ]
        names = " or ".join(failing) or "one"
        holds, needs = compared(now_s, needed_s)
        return [
            f"With all units it holds {holds} at the least and needs {needs}: enough.",
            f"Only with unit {names} lost it fails: {minutes(low_s)}, short by {minutes_up(needed_s - low_s)}.",
        ]
    return [
        f"Fails with all units in service: {minutes(now_s or 0.0)} at the least, needs {minutes_up(needed_s)}.",
        f"With one lost it holds {minutes(low_s)}.",
    ]
