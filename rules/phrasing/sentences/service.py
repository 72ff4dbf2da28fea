"""What the service says of itself (`rules.alarms.conditions.service`)."""

from __future__ import annotations

from typing import Final

from rules.phrasing.says import Sentence, says
from rules.phrasing.text import counted, lasted, listed
from rules.values.code import Code


@says(Code.POLLS_LATE)
def polls_late(*, figure: float) -> str:
    """Say what fraction of polls is late."""
    return f"{figure:.0%} of polls are late."


@says(Code.READINGS_WAIT)
def readings_wait(*, figure: float) -> str:
    """Say how long readings wait, in s."""
    return f"Readings wait {figure:.0f} s to be judged."


@says(Code.JUDGEMENTS_WAIT)
def judgements_wait(*, figure: float) -> str:
    """Say how long questions wait, in s."""
    return f"What is reckoned in the background waits {figure:.0f} s."


@says(Code.DISK_FILLING)
def disk_filling(*, figure: float) -> str:
    """Say what fraction of the disk is free."""
    return f"{figure:.1%} of the disk is free."


@says(Code.DELIVERY_BEHIND)
def delivery_behind(*, figure: float) -> str:
    """Say how old the oldest message is, in s."""
    return f"The oldest unsent message is {figure:.0f} s old."


@says(Code.CLOCK_SET)
def clock_set(*, by_s: float) -> str:
    """Say by how much a machine's clock was set, in s, ahead positive."""
    way = "ahead" if by_s > 0.0 else "back"
    return f"The machine's clock was set {way} by {lasted(abs(by_s))}."


@says(Code.CLOCK_JUMPED)
def clock_jumped(*, by_s: float, times: int) -> str:
    """Say by how much the clock was set last, and how often within an hour."""
    more = (
        "What lasts and what is left was counted on."
        if times == 1
        else f"It was set {times} times within an hour."
    )
    return f"{clock_set(by_s=by_s)} {more}"


@says(Code.ESTATE_FILE_BEHIND)
def estate_file_behind(*, changes: tuple[str, ...]) -> str:
    """Say which changes of equipment the estate file lacks."""
    return f"Recorded but not in the estate file: {listed(changes)}."


@says(Code.CALENDAR_UNREADABLE)
def calendar_unreadable(*, calendar: str, why: str) -> str:
    """Say what is wrong with a calendar file."""
    return f"The calendar {calendar} cannot be read: {why}."


@says(Code.CHANNEL_FAILING)
def channel_failing(about: str, *, why: str) -> str:
    """Say that messages do not go out one way, and what came back."""
    it_says = f" It says: {why}." if why else ""
    return f"Channel {about} fails.{it_says}"


@says(Code.MESSAGES_UNDELIVERABLE)
def messages_undeliverable(about: str, *, number: int) -> str:
    """Say how many messages were given up."""
    return f"{number} messages by {about} were given up."


@says(Code.COLLECTOR_SILENT)
def collector_silent(about: str) -> str:
    """Say that another site's collector is silent."""
    return f"Nothing is heard of {about}."


_PARTS: Final = {
    "machine": "the machine",
    "switches": "the switches to the cards",
    "way_out": "the way out",
}


@says(Code.WATCH_WOULD_DIE)
def watch_would_die(*, bare: tuple[str, ...], unanswered: tuple[str, ...]) -> str:
    """Say what of the watch hangs on bare mains, and of what nobody said what feeds it."""
    said = []
    if bare:
        said.append(f"Fed from bare mains: {listed([_PARTS[part] for part in bare])}.")
    if unanswered:
        said.append(f"Not known what feeds {listed([_PARTS[part] for part in unanswered])}.")
    return " ".join(said)


# ---- the journal of units, cards and planned work (`rules.monitor`) ------------------------------------------

_ON_BATTERY = " It was last seen on battery."


@says(Code.CARD_SILENT_SINCE_NOW)
def card_silent_since_now(*, name: str, why: str) -> str:
    """Say that a card fell silent, and how asking it ended."""
    return f"The card of {name} does not answer: {why}."


@says(Code.CARD_SILENT)
def card_silent(*, name: str, on_bank: bool) -> str:
    """Say that a card is silent."""
    seen = _ON_BATTERY if on_bank else ""
    return f"The card of {name} does not answer, so nothing is known of it.{seen}"


@says(Code.CANNOT_JUDGE_UNIT)
def cannot_judge_unit(*, name: str, fault: str) -> str:
    """Say which fault of ours keeps a unit from being judged."""
    return f"Cannot judge {name}: fault in ridethrough ({fault})."


@says(Code.DIFFERENT_EQUIPMENT)
def different_equipment(*, name: str, before: tuple[str, ...], now: tuple[str, ...]) -> str:
    """Say what is other than it was at a unit's address."""
    differs = "; ".join(f"{a} before, {b} now" for a, b in zip(before, now, strict=True))
    return f"Something else answers at the address of {name}: {differs}."


@says(Code.EQUIPMENT_DECLARED)
def equipment_declared(*, name: str) -> str:
    """Say that somebody declared a change."""
    return f"A change of equipment of {name} was declared."


@says(Code.PLANNED_WORK_BEGINS)
def planned_work_begins(*, name: str, work: str) -> str:
    """Say that planned work begins."""
    return f"Planned work at {name} begins: {work}."


@says(Code.PLANNED_WORK_ENDS)
def planned_work_ends(*, name: str, work: str, left: int) -> str:
    """Say that planned work ends, and how much of what it explained still stands."""
    still = f"; {left} conditions it explained still stand and are told now" if left else ""
    return f"Planned work at {name} ends: {work}{still}."


def _of(number: int, of: int) -> str:
    return f", stretch {number} of {of}" if of > 1 else ""


@says(Code.PLANNED_ON_BANKS)
def planned_on_banks(*, by: str, number: int, of: int) -> str:
    """Name a stretch of a signed shutdown as planned work, as a clause."""
    return f"on the banks as signed by {by}{_of(number, of)}"


@says(Code.PLANNED_SET_ISOLATED)
def planned_set_isolated(*, by: str, number: int, of: int) -> str:
    """Name a stretch in which the generator is isolated as planned work, as a clause."""
    return f"generator isolated as signed by {by}{_of(number, of)}"


@says(Code.PLANNED_WORK_WITHDRAWN)
def planned_work_withdrawn(about: str) -> str:
    """Say that planned work is planned no more."""
    return f"Planned work {about} was withdrawn."


@says(Code.CARD_ANSWERS)
def card_answers(*, name: str, took_s: float) -> Sentence:
    """Say that a card answers, after how long, in s."""
    return Sentence(name, f"answers again after {lasted(took_s)}.")


@says(Code.UNIT_TESTS_BANK)
def unit_tests_bank(*, name: str) -> Sentence:
    """Say that a test begins."""
    return Sentence(name, "tests its bank.")


@says(Code.UNIT_TO_BATTERY)
def unit_to_battery(*, name: str) -> Sentence:
    """Say that a unit is on its bank."""
    return Sentence(name, "went to its bank.")


@says(Code.UNIT_FROM_BATTERY)
def unit_from_battery(*, name: str, took_s: float | None) -> Sentence:
    """Say that a unit is off its bank, after how long where that is known, in s."""
    took = "" if took_s is None else f" after {lasted(took_s)}"
    return Sentence(name, f"left its bank{took}.")


@says(Code.INPUT_DIP)
def input_dip(*, name: str, times: int) -> Sentence:
    """Say how often the input went bad (upsInputLineBads)."""
    return Sentence(name, f"saw its input go bad {counted(times, 'time')}.")


@says(Code.UNIT_TO_BYPASS)
def unit_to_bypass(*, name: str) -> Sentence:
    """Say that a unit is on bypass."""
    return Sentence(name, "went to bypass.")


@says(Code.UNIT_FROM_BYPASS)
def unit_from_bypass(*, name: str) -> Sentence:
    """Say that a unit is off bypass."""
    return Sentence(name, "left bypass.")


@says(Code.UNIT_TO_OFF)
def unit_to_off(*, name: str) -> Sentence:
    """Say that a unit feeds nothing any more."""
    return Sentence(name, "went to no output.")


@says(Code.UNIT_FROM_OFF)
def unit_from_off(*, name: str) -> Sentence:
    """Say that a unit feeds again."""
    return Sentence(name, "left no output.")


@says(Code.CARD_RESTARTED)
def card_restarted(*, name: str) -> Sentence:
    """Say that a card began anew (sysUpTime)."""
    return Sentence(name, "has a card that restarted.")


# ---- why somebody's action on an alarm is refused (`rules.monitor.operator_commands`) -------------------------


@says(Code.REFUSED_NO_ALARM)
def refused_no_alarm() -> str:
    """Say that there is nothing to act on, as a clause."""
    return "there is no such alarm standing"


@says(Code.REFUSED_NO_END)
def refused_no_end() -> str:
    """Say what shelving lacks, as a clause."""
    return "shelving needs an end in the future"


@says(Code.REFUSED_BY_STATE)
def refused_by_state(*, state: str) -> str:
    """Say in which state nothing of the kind can be done, as a clause."""
    return f"an alarm that is {state.replace('_', ' ')} cannot be changed so"
