"""What goes into the journal of units, cards and planned work (`rules.monitor`)."""

from __future__ import annotations

from rules.phrasing.says import Sentence, says
from rules.phrasing.text import counted, lasted
from rules.values.code import Code

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
