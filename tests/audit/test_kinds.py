"""Nothing is listed twice or under another name, and what is still to be written only gets less.

That every kind of statement is thought of is held by `tests/test_house.py`.
"""

from __future__ import annotations

from dataclasses import fields

from rules.battery.state import BankState
from tests.audit.predicates.registry import KINDS, PREDICATES
from tests.audit.predicates.undecided import ALARM_KINDS, CODES, MOST_OPEN, OPEN, STATE_KINDS, undecided


def test_nothing_is_listed_twice_or_of_another_name() -> None:
    listed = [
        *(f"reason {n}" for names in CODES.values() for n in names),
        *(f"alarm {n}" for names in ALARM_KINDS.values() for n in names),
        *OPEN,
    ]
    assert len(listed) == len(set(listed))
    assert (
        sorted({k for k in (*listed, *PREDICATES) if k.startswith(("reason ", "alarm ", "notice "))} - KINDS)
        == []
    )
    assert sorted(PREDICATES.keys() & (undecided() | OPEN)) == []


def test_every_field_of_a_bank_is_thought_of() -> None:
    named = {
        k.removeprefix("bank ") for names in STATE_KINDS.values() for k in names if k.startswith("bank ")
    }
    decided = {k.removeprefix("bank ") for k in (*PREDICATES, *OPEN) if k.startswith("bank ")}
    lists = {f.name for f in fields(BankState) if "tuple" in str(f.type)}
    assert sorted({f.name for f in fields(BankState)} - named - decided - lists) == []


def test_what_is_still_to_be_written_only_shrinks() -> None:
    assert len(OPEN) <= MOST_OPEN
