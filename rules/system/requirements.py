"""Is the hold-up enough: what the bridge to the generator takes, and the verdict on each requirement.

The bridge: the generator notices the loss, cranks as often as it is set to (NFPA 110 cyclic cranking: cranks
and rests in turn), runs up, the load is changed over, every unit qualifies the new supply, and the last
one waits its turn and ramps on to it. The bank carries the load, or part of it, until then, so all of it
counts. By hand: all automatic starts have failed first, and a person has to get there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final

from rules.battery.assessment.faults import SHOWN_WITHIN_DAYS
from rules.battery.state import ShownToCarry, WouldTell
from rules.plant.estate import Generator, Purpose, Requirement, Unit
from rules.system.state import Against, BridgeStep, HoldUp, RequirementVerdict, UnitLost
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Basis, EndedBy, Verdict

SHOWN_WITHIN: Final = timedelta(days=SHOWN_WITHIN_DAYS)
SHOWN_FOR_S: Final = 60.0
UNSEEN_S: Final = 4.0
"""What reads every 2 s miss of a discharge at its two ends: it is seen from its first row on the bank to its last."""
SHOWN_SHARE: Final = 0.5
STALE_POLLS: Final = 3
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
    """Return the steps from the loss of the mains until the last unit has ramped on to the generator.

    The worst that counts as success: the last automatic start works, or, `by_hand`, all have failed and
    a person starts the generator. `seen`: seconds last seen of a step, by its name.
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
    """Return s from a hand on the starter until the last unit has ramped on to the generator."""
    on = sum(step.allowed_s for step in walk_in_steps(units))
    return generator.crank_s + generator.start_s + generator.transfer_s + on


def starts_failed(generator: Generator, units: Sequence[Unit], on_battery_s: float) -> int:
    """Return how many automatic starts have failed if nothing has taken the load after `on_battery_s`.

    By the clock only: a start counts as failed once a unit could have seen and accepted the generator.
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
    """What a bank was seen to do, what is asked of it now, and what it carries at this moment, if it does."""

    bank: str
    asked_w: float | None
    shown: ShownToCarry | None
    carries: ShownToCarry | None = None


def seen_of(
    bank: str,
    asked_w: float | None,
    *,
    record: ShownToCarry | None,
    lately: ShownToCarry | None,
    now: ShownToCarry | None,
) -> BankSeen:
    """Return what a bank was seen to do: `now`, or until its `record` has it, in the discharge that ended just now."""
    newest = next((one for one in (now, lately) if one is not None and for_long_enough(one.for_s)), None)
    return BankSeen(bank, asked_w, newest or record, now)


@dataclass(frozen=True, slots=True)
class RequirementEvidence:
    """What a requirement is judged on.

    `missing`: what is not known; any of it leaves the question open. `no_load`: why
    the board asks nothing. `seen`: seconds last seen of a step of the bridge, by its name. `zone`: the site's clock.
    `notes`: what limits the hold-up. `would_tell`: what would tell.
    """

    now: HoldUp
    each_unit_lost: tuple[UnitLost, ...]
    one_unit_lost: HoldUp
    spare_units: int
    as_of: datetime | None
    banks: tuple[BankSeen, ...] = ()
    missing: tuple[Reason, ...] = ()
    no_load: Reason | None = None
    shown_within: timedelta = SHOWN_WITHIN
    seen: Mapping[str, float] = field(default_factory=dict)
    zone: tzinfo = UTC
    notes: tuple[Reason, ...] = ()
    would_tell: tuple[WouldTell, ...] = ()


def required(
    requirement: Requirement,
    generator: Generator | None,
    units: Sequence[Unit],
    seen: Mapping[str, float] | None = None,
) -> tuple[float | None, tuple[BridgeStep, ...], Reason | None]:
    """Return seconds required, the steps they come from, and why they are not known."""
    by_hand = requirement.purpose is Purpose.MANUAL_GENERATOR_START
    if by_hand or requirement.purpose is Purpose.GENERATOR_START:
        if generator is None:
            why = None if requirement.required_s is not None else reason(Code.NO_GENERATOR_DECLARED)
            return requirement.required_s, (), why
        if by_hand and generator.hand_start_s is None:
            why = reason(Code.HAND_START_NOT_DECLARED, generator=generator.id)
            return requirement.required_s, (), None if requirement.required_s is not None else why
        steps = bridge(generator, units, by_hand=by_hand, seen=seen)
        total_s = sum(step.allowed_s for step in steps)
        return (requirement.required_s if requirement.required_s is not None else total_s), steps, None
    if requirement.required_s is not None:
        return requirement.required_s, (), None
    return None, (), reason(Code.TIME_NOT_DECLARED, purpose=requirement.purpose)


def verdict(
    requirement: Requirement,
    generator: Generator | None,
    units: Sequence[Unit],
    evidence: RequirementEvidence,
) -> RequirementVerdict:
    """Return whether a requirement is met.

    Adequate iff the 5th percentile of the hold-up, with the worst single unit lost where a unit is meant
    to be spare, is at least what is required. Inadequate iff it is not and either the median is not either,
    or discharges stand behind it: what an assumption alone suggests is no bad news, nor what one makes of a
    load above a table that discharges within it bear out. Cannot tell otherwise,
    when evidence is missing or stale, and for a generator start also when a bank was never shown to carry:
    capacity arithmetic does not catch an open cell.
    """
    needed_s, steps, unknown = required(requirement, generator, units, evidence.seen)
    against = Against.ONE_UNIT_LOST if evidence.spare_units >= 1 else Against.NOW
    held = evidence.one_unit_lost if evidence.spare_units >= 1 else evidence.now
    questions = [*([unknown] if unknown else []), *_open_questions(requirement, held, evidence)]
    held = (None if needed_s is None or questions else _shortest_seen(needed_s, evidence)) or held
    margin_s = None if held.low_s is None or needed_s is None else held.low_s - needed_s
    if needed_s is None or questions:
        reached = Verdict.CANNOT_TELL
        because = questions or [reason(Code.HOLD_UP_NOT_KNOWN)]
        if needed_s is not None and margin_s is not None:
            because += _arithmetic(needed_s, evidence, held)
    else:
        beyond = _beyond(evidence, against, needed_s)
        reached = _reached(needed_s, held, assumed=bool(beyond))
        because = (
            _arithmetic(needed_s, evidence, held)
            if held.low_s is not None and (reached is not Verdict.CANNOT_TELL)
            else _suggested(needed_s, held, evidence, beyond)
        )
    if reached is not Verdict.ADEQUATE and against is Against.ONE_UNIT_LOST:
        trips = [note for note in evidence.notes if note.code is Code.OVERLOADS_ONE_LOST]
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


def _beyond(evidence: RequirementEvidence, against: Against, needed_s: float) -> tuple[Reason, ...]:
    """Return the banks asked above their table, where only an assumption tells; none where all units fall short within it too."""
    one_lost = against is Against.ONE_UNIT_LOST
    if one_lost and (evidence.now.low_s is None or evidence.now.low_s < needed_s):
        return ()
    found = [note for note in evidence.notes if note.code is Code.BANK_BEYOND_TABLE]
    return tuple(note for note in found if bool(note["lost"]) is one_lost)


def _reached(needed_s: float, held: HoldUp, *, assumed: bool) -> Verdict:
    """Return the verdict on a need that nothing leaves open; `assumed`: what holds lies above a table."""
    if held.low_s is not None and held.low_s >= needed_s:
        return Verdict.ADEQUATE
    if held.low_s is not None and held.basis is Basis.TESTED and not assumed:
        return Verdict.INADEQUATE
    if held.median_s is not None and held.median_s < needed_s:
        return Verdict.INADEQUATE
    return Verdict.CANNOT_TELL


SAY_SEEN: Final = (Code.BANKS_SEEN_TOO_LONG_AGO, Code.BANKS_SEEN_TOO_BRIEFLY)
"""What a hold-up's notes say where what was seen tells no least."""


def _suggested(
    needed_s: float, held: HoldUp, evidence: RequirementEvidence, beyond: Sequence[Reason] = ()
) -> list[Reason]:
    """Return what is to be expected where that proves nothing, and why it does not."""
    if held.median_s is None:
        return list(evidence.notes) or [reason(Code.HOLD_UP_NOT_KNOWN)]
    one_lost, trips = evidence.spare_units >= 1, held.ended_by is EndedBy.OVERLOAD
    if beyond and held.low_s is not None:
        least, mid = held.low_s, held.median_s
        spans = reason(
            Code.EXPECTED_BEYOND_TABLE, low_s=least, median_s=mid, needed_s=needed_s, one_lost=one_lost
        )
        return [spans, *beyond]
    if held.basis is Basis.TESTED:
        first = [note for note in evidence.notes if note.code in SAY_SEEN]
        expected = reason(
            Code.EXPECTED_THOUGH_SEEN,
            banks=first[0]["banks"] if first else (),
            lately_s=first[0]["lately_s"] if first and first[0].code is Code.BANKS_SEEN_TOO_BRIEFLY else None,
            median_s=held.median_s,
            needed_s=needed_s,
            one_lost=one_lost,
            trips=trips,
        )
    else:
        first = [note for note in evidence.notes if note.code is Code.BANKS_UNSEEN]
        expected = reason(
            Code.EXPECTED_UNSEEN,
            banks=first[0]["banks"] if first else (),
            generic=held.basis is Basis.GENERIC,
            median_s=held.median_s,
            at_end=held.median_s < SHOWN_FOR_S,
            needed_s=needed_s,
            one_lost=one_lost,
            trips=trips,
        )
    return [expected, *(note for note in evidence.notes if note not in first)]


def _open_questions(requirement: Requirement, held: HoldUp, evidence: RequirementEvidence) -> list[Reason]:
    """Return what leaves the verdict open, the gravest first."""
    if evidence.no_load is not None:
        return [evidence.no_load]
    questions = list(evidence.missing)
    if held.basis is Basis.NONE and not questions:
        questions.append(reason(Code.TABLES_NOT_KNOWN))
    if requirement.purpose is Purpose.GENERATOR_START:
        questions += [why for bank in evidence.banks if (why := not_shown(bank, evidence))]
    return questions


def not_shown(bank: BankSeen, evidence: RequirementEvidence) -> Reason | None:
    """Return that a bank was not shown to carry, None where it was."""
    if bank.asked_w is None or evidence.as_of is None:
        return None
    months = round(evidence.shown_within.days / 30.4)
    shown = bank.shown
    need_w = SHOWN_SHARE * bank.asked_w
    why = _not_shown(bank.bank, shown, need_w, months, evidence)
    if why is None or bank.carries is None:
        return why
    carried = bank.carries
    return reason(
        Code.CARRIES_TOO_SHORT_YET,
        bank.bank,
        power_w=carried.power_w,
        for_s=carried.for_s,
        need_w=need_w,
        wanted_s=SHOWN_FOR_S,
    )


def _not_shown(
    bank: str, shown: ShownToCarry | None, need_w: float, months: int, evidence: RequirementEvidence
) -> Reason | None:
    """Return why what a bank was seen to carry does not suffice, None where it does."""
    if shown is None:
        return reason(Code.NEVER_SHOWN_TO_CARRY, bank, need_w=need_w, wanted_s=SHOWN_FOR_S, months=months)
    if evidence.as_of is not None and evidence.as_of - shown.at > evidence.shown_within:
        return reason(
            Code.SHOWN_TO_CARRY_LONG_AGO,
            bank,
            shown=shown.at.astimezone(evidence.zone).date(),
            need_w=need_w,
            wanted_s=SHOWN_FOR_S,
            months=months,
        )
    if not for_long_enough(shown.for_s) or shown.power_w < need_w:
        return reason(
            Code.SHOWN_TO_CARRY_TOO_LITTLE,
            bank,
            power_w=shown.power_w,
            for_s=shown.for_s,
            need_w=need_w,
            wanted_s=SHOWN_FOR_S,
            months=months,
        )
    return None


def _worst(lost: Sequence[UnitLost]) -> str | None:
    known = [(item.hold_up.low_s, item.unit) for item in lost if item.hold_up.low_s is not None]
    return min(known)[1] if known else None


def _arithmetic(needed_s: float, evidence: RequirementEvidence, held: HoldUp) -> list[Reason]:
    """Return the arithmetic: what holds, what is needed, and where it fails."""
    low_s, mid_s = held.low_s or 0.0, held.median_s
    now_s = evidence.now.low_s
    if evidence.spare_units < 1:
        if low_s >= needed_s:
            return [reason(Code.HOLDS, held_s=low_s, needed_s=needed_s)]
        return [reason(Code.HOLDS_TOO_SHORT, held_s=low_s, needed_s=needed_s)]
    if low_s >= needed_s:
        worst = _worst(evidence.each_unit_lost)
        return [reason(Code.HOLDS_ONE_LOST, held_s=low_s, needed_s=needed_s, worst=worst, all_s=now_s)]
    lost = next((item.unit for item in evidence.each_unit_lost if item.hold_up == held), None)
    worst_told = evidence.one_unit_lost.low_s is not None
    if now_s is None:  # the loss of a unit whose neighbours are seen tells; of all of them, nothing does
        return [reason(Code.HOLDS_ONE_LOST, held_s=low_s, needed_s=needed_s, worst=lost, all_s=None)]
    if now_s >= needed_s:
        failing = tuple(
            item.unit
            for item in evidence.each_unit_lost
            if item.hold_up.low_s is not None and item.hold_up.low_s < needed_s
        )
        return [
            reason(Code.HOLDS_WITH_ALL, held_s=now_s, needed_s=needed_s),
            reason(Code.FAILS_ONE_LOST, units=failing, held_s=low_s, needed_s=needed_s, expected_s=mid_s),
        ]
    return [
        reason(Code.FAILS_WITH_ALL, held_s=now_s, needed_s=needed_s, expected_s=evidence.now.median_s),
        reason(Code.HOLDS_WITH_ONE_LOST, held_s=low_s, lost=None if worst_told else lost),
    ]
