"""What is said of a supply, and of a unit that does not do as the others on it (`rules.alarms.conditions.supply`)."""

from __future__ import annotations

from rules.phrasing.says import Sentence, says
from rules.phrasing.text import counted, lasted
from rules.values.code import Code


@says(Code.MAINS_LOST)
def mains_lost(*, name: str) -> str:
    """Say that a supply is gone."""
    return f"Mains lost at {name}."


@says(Code.SUPPLY_BACK)
def supply_back(*, name: str, took_s: float) -> str:
    """Say that a supply is back; whether mains or a set feeds it, RFC 1628 does not say."""
    return f"Supply is back at {name} after {lasted(took_s)}; whether mains or a set, the cards do not say."


@says(Code.NOT_ON_BATTERY)
def not_on_battery(*, name: str, others: int) -> Sentence:
    """Say that a unit does not go to its bank with the others."""
    verb = "is" if others == 1 else "are"
    beside = counted(others, "other")
    return Sentence(name, f"has no mains and is not on its bank, while {beside} on its supply {verb}.")


@says(Code.STILL_ON_BATTERY)
def still_on_battery(*, name: str, others: int) -> Sentence:
    """Say that a unit does not come back with the others."""
    return Sentence(name, f"still runs on its bank while {counted(others, 'other')} on its supply came back.")
