"""The steps that make known what an estate file cannot say, each ticked off by what is there, and by nobody's word.

A maker's table is there when the estate file holds it; a past test when one was imported that tells; a discharge when a bank was seen
to carry; a person when a test message reached them; a card when somebody proved at the cabinet whose it is.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from collector.storage.ledger.records import JournalLine
from rules.battery.discharge.evidence import BROUGHT
from rules.battery.state import BankState
from rules.planning.isolation.rows import Result
from rules.plant.estate import Bank, in_place

if TYPE_CHECKING:
    from collector.read_model.source import SheetSource


class StepKind(StrEnum):
    """What a step makes known."""

    TABLE = "table"
    PAST_TEST = "past_test"
    DISCHARGE = "discharge"
    PEOPLE = "people"
    CARDS = "cards"


@dataclass(frozen=True, slots=True)
class BeginningStep:
    """A step: how much of it is done, and for what it is left to do (ids of banks or units, names of people)."""

    kind: StepKind
    done: int
    of: int
    left: tuple[str, ...]

    @property
    def over(self) -> bool:
        """Return whether nothing of it is left; with nobody named there is all of it."""
        return self.of > 0 and not self.left


@dataclass(frozen=True, slots=True)
class BankKnown:
    """What speaks for a bank: a maker's table, a past test that was brought, a discharge that was seen; `shown`: so it has a capacity."""

    bank: str
    table: bool
    past_test: bool
    discharge: bool
    shown: bool


@dataclass(frozen=True, slots=True)
class FirstDays:
    """How far an estate has come. `shown`: of some bank something was seen, so that the watch has begun to know."""

    steps: tuple[BeginningStep, ...]
    banks: tuple[BankKnown, ...]

    @property
    def over(self) -> bool:
        """Return whether every step is done."""
        return all(step.over for step in self.steps)

    @property
    def shown(self) -> bool:
        """Return whether something was seen of a bank."""
        return any(bank.shown for bank in self.banks)

    @property
    def done(self) -> int:
        """Return how many steps are done."""
        return sum(step.over for step in self.steps)


def beginning(source: SheetSource, reached: Iterable[str]) -> FirstDays:
    """Return how far an estate has come. `reached`: the people whom a test message reached.

    A message that was handed over shows the same as a test.
    """
    estate, present = source.estate, source.present
    banks = tuple(_bank(bank, present.banks.get(bank.id), source) for bank in estate.banks.values())
    arrived = set(reached) | {t.who for told in source.told.values() for t in told if t.handed_over}
    people = tuple(person.name for person in source.configuration.people.persons)
    proved = {
        unit
        for unit, checked in present.isolations.items()
        if any(row.check == f"card_is_{unit}" and row.result is Result.MET for row in checked.rows)
    }
    steps = (
        _of_banks(StepKind.TABLE, {bank.bank: bank.table for bank in banks}),
        _of_banks(StepKind.PAST_TEST, {bank.bank: bank.past_test for bank in banks}),
        _of_banks(StepKind.DISCHARGE, {bank.bank: bank.discharge for bank in banks}),
        _of_banks(StepKind.PEOPLE, {name: name in arrived for name in people}),
        _of_banks(StepKind.CARDS, {unit: unit in proved for unit in estate.units if estate.card_of(unit)}),
    )
    return FirstDays(steps, banks)


def reached_by(lines: Iterable[JournalLine]) -> frozenset[str]:
    """Return whom a test message reached, by the journal's lines of trials; the last trial of each way counts."""
    last: dict[tuple[str, str], bool] = {}
    for line in sorted(lines, key=lambda one: one.at):
        way = (str(line.body.get("person")), str(line.body.get("channel")))
        last[way] = line.body.get("delivered") is True
    return frozenset(person for (person, _), arrived in last.items() if arrived)


def _bank(bank: Bank, state: BankState | None, source: SheetSource) -> BankKnown:
    fitted = in_place(bank.fitted, source.clock.now().date())
    discharges = () if state is None else state.discharges
    brought = [one for one in discharges if one.kind in BROUGHT]
    return BankKnown(
        bank=bank.id,
        table=fitted is not None and bool(fitted.constant_power),
        past_test=any(one.capacity_fraction is not None for one in brought),
        discharge=len(brought) < len(discharges) or (state is not None and state.shown_to_carry is not None),
        shown=state is not None and not state.unproven and state.capacity.fraction is not None,
    )


def _of_banks(kind: StepKind, found: dict[str, bool]) -> BeginningStep:
    left = tuple(name for name, there in found.items() if not there)
    return BeginningStep(kind, len(found) - len(left), len(found), left)
