"""What is installed, over time: the plant as people at the site would name it.

Values only. Addresses, secrets and people live in `collector.configuration`, which builds these
values and refuses whatever contradicts itself, so the rules may trust what they are given.

A *unit* is a position on the bypass panel; the cabinet in it is `FittedUnit`. A *bank* likewise is a
place, and `FittedBank` the blocks now in it: ageing, references and corrections belong to the latter.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, tzinfo
from enum import StrEnum
from functools import cached_property
from typing import Final, Protocol, TypeVar

UNIT_LIFE_YEARS: Final = 12.0
"""Age at which a cabinet is due for replacement unless declared otherwise (trade: 10 to 15 years)."""


class NormalMode(StrEnum):
    """How a unit feeds its load when nothing is wrong (IEC 62040-3: VFI or VI/VFD)."""

    DOUBLE_CONVERSION = "double_conversion"
    ECONOMY = "economy"


class CardReports(StrEnum):
    """What a card that covers several units tells."""

    UNIT = "unit"
    SUM = "sum"
    FIRST = "first"


class Charging(StrEnum):
    """How a bank is kept full: on float, or rested at open circuit between charges."""

    FLOAT = "float"
    INTERMITTENT = "intermittent"


class VoltageReported(StrEnum):
    """What a card calls battery voltage on a bank split about its mid-point."""

    WHOLE = "whole"
    HALF = "half"


class GeneratorEvidence(StrEnum):
    """What the site has to show that its generator runs; nothing in RFC 1628 tells."""

    PERSON = "person"
    CONTACT = "contact"
    FREQUENCY = "frequency"


class Purpose(StrEnum):
    """What a hold-up time is needed for."""

    GENERATOR_START = "generator_start"
    MANUAL_GENERATOR_START = "manual_generator_start"
    ORDERLY_SHUTDOWN = "orderly_shutdown"
    PLANNED = "planned"


@dataclass(frozen=True, slots=True)
class AnswerTimes:
    """How long an alarm may stand acknowledged by nobody until people are told again, s; None: they are not.

    The defaults suit a site with somebody on call; trade practice, no standard gives numbers.
    """

    critical_s: float | None = 300.0
    major_s: float | None = 1800.0
    minor_s: float | None = None
    warning_s: float | None = None


@dataclass(frozen=True, slots=True)
class Site:
    """A place with one clock on the wall."""

    id: str
    name: str
    time_zone: str
    answer_within: AnswerTimes = AnswerTimes()
    zone: tzinfo = field(default=UTC, metadata={"plain": False})
    """What `time_zone` names: which day a moment falls on here."""


@dataclass(frozen=True, slots=True)
class Generator:
    """A standby generator: how it starts, and how long a person needs to start it by hand.

    Times in seconds. `start_s` is run-up until volts and frequency are steady. Cranking of
    `crank_s` and rests of `rest_s` alternate, `attempts` cranks in all (NFPA 110 cyclic cranking).
    `test_every_days`: how often it is to be run on load (monthly by NFPA 110, as quoted by the trade).
    """

    id: str
    rating_w: float
    detect_s: float
    attempts: int
    crank_s: float
    rest_s: float
    start_s: float
    transfer_s: float
    hand_start_s: float | None = None
    fuel_hours: float | None = None
    evidence: GeneratorEvidence = GeneratorEvidence.PERSON
    test_every_days: int = 31


@dataclass(frozen=True, slots=True)
class Supply:
    """An incoming mains supply and the generator behind it, if any."""

    id: str
    site: str
    generator: str | None = None


@dataclass(frozen=True, slots=True)
class Requirement:
    """A hold-up time somebody counts on. `required_s` None: computed from the generator and the units."""

    id: str
    purpose: Purpose
    required_s: float | None


@dataclass(frozen=True, slots=True)
class System:
    """Units in parallel that feed one output."""

    id: str
    name: str
    site: str
    supply: str
    board: str | None = None
    spare_units: int = 0
    partner: str | None = None
    requirements: tuple[Requirement, ...] = ()


class _Dated(Protocol):
    """Something that was in place from one day until another (that day excluded)."""

    @property
    def from_day(self) -> date: ...
    @property
    def until_day(self) -> date | None: ...


_D = TypeVar("_D", bound=_Dated)


def in_place(fitted: Sequence[_D], day: date) -> _D | None:
    """Return what stood in the position on `day`, or None for an empty position."""
    for item in fitted:
        if item.from_day <= day and (item.until_day is None or day < item.until_day):
            return item
    return None


@dataclass(frozen=True, slots=True)
class FittedUnit:
    """The cabinet in a position. Ratings are those of the installed modules, not of the frame.

    `life_years`: age at which it is due for replacement. What comes round (fans, capacitors, visits) is None
    where the site declares no interval for it.
    """

    from_day: date
    until_day: date | None
    model: str
    rating_va: float
    rating_w: float
    life_years: float = UNIT_LIFE_YEARS
    fans_every_years: float | None = None
    capacitors_every_years: float | None = None
    visit_every_years: float | None = None


@dataclass(frozen=True, slots=True)
class Unit:
    """A position on the bypass panel.

    `line_order[i]` is the board line (1 to 3) behind the unit's own output line i + 1.
    `accept_s`, `hold_off_s`, `walk_in_s`: how long the unit qualifies a returned supply, waits its
    turn, and ramps on to it.
    """

    id: str
    system: str
    output_lines: int
    line_order: tuple[int, ...]
    fitted: tuple[FittedUnit, ...]
    normal_mode: NormalMode = NormalMode.DOUBLE_CONVERSION
    may_rest: bool = False
    accept_s: float = 20.0
    hold_off_s: float = 0.0
    walk_in_s: float = 20.0


@dataclass(frozen=True, slots=True)
class Card:
    """A network card and the units it speaks for. Its address is the collector's business."""

    id: str
    covers: tuple[str, ...]
    reports: CardReports = CardReports.UNIT


@dataclass(frozen=True, slots=True)
class PowerTable:
    """The maker's constant-power table at one end voltage.

    `minutes_watts`: (minutes, watts per cell), times rising, powers falling, at `temperature_c`.
    """

    end_voltage_per_cell_v: float
    minutes_watts: tuple[tuple[float, float], ...]
    temperature_c: float = 25.0


@dataclass(frozen=True, slots=True)
class FittedBank:
    """The blocks in a bank's place: one installation, one life.

    `rated_capacity_ah` at `rated_hours` and 25 degC, of one string; None where it is not known.
    `design_life_years` as the maker prints it (at 20 degC).
    """

    from_day: date
    until_day: date | None
    type: str
    blocks: int
    end_voltage_per_cell_v: float
    rated_capacity_ah: float | None = None
    rated_hours: float = 10.0
    constant_power: tuple[PowerTable, ...] = ()
    design_life_years: float | None = None


@dataclass(frozen=True, slots=True)
class Bank:
    """The place of a bank. It feeds one unit, or several from a common bank.

    `cells_in_series` counts one half of a split bank (`halves` = 2); `strings` are in parallel. `replacement_cost`: of new
    blocks put in; `failure_cost`: of the bank not giving what is asked when it is needed; both in the site's money. They
    weigh when it is best replaced, and change nothing that is judged of it.
    """

    id: str
    feeds: tuple[str, ...]
    cells_in_series: int
    strings: int
    fitted: tuple[FittedBank, ...]
    halves: int = 1
    voltage_reported: VoltageReported = VoltageReported.WHOLE
    charging: Charging = Charging.FLOAT
    order_lead_days: int = 56
    room_temperature_c: float | None = None
    replacement_cost: float | None = field(default=None, repr=False)
    failure_cost: float | None = field(default=None, repr=False)

    @property
    def cells(self) -> int:
        """Return all cells of one string, both halves counted."""
        return self.cells_in_series * self.halves

    def cells_in_a_block(self, fitted: FittedBank) -> int:
        """Return how many cells each of the blocks holds, 6 of a block of 12 V."""
        return max(self.cells * self.strings // max(fitted.blocks, 1), 1)

    @property
    def reported_cells(self) -> int:
        """Return the cells behind the voltage that the card reports."""
        return self.cells_in_series if self.voltage_reported is VoltageReported.HALF else self.cells


@dataclass(frozen=True, slots=True)
class LoadGroup:
    """Loads that are switched together. `watts` by board line 1 to 3; importance 1 is kept longest."""

    id: str
    system: str
    watts: tuple[float, ...]
    importance: int
    restart_after: tuple[str, ...] = ()
    shed_by: str | None = None


@dataclass(frozen=True, slots=True)
class WatchPower:
    """What keeps the watch itself alive: a system's id, "mains", or None while unanswered."""

    box_fed_by: str | None = None
    switches_fed_by: str | None = None
    way_out_fed_by: str | None = None


@dataclass(frozen=True)
class Estate:
    """Everything declared, looked up by id. Built once by the collector; consistent by construction."""

    sites: Mapping[str, Site]
    supplies: Mapping[str, Supply]
    generators: Mapping[str, Generator]
    systems: Mapping[str, System]
    units: Mapping[str, Unit]
    cards: Mapping[str, Card]
    banks: Mapping[str, Bank]
    load_groups: Mapping[str, LoadGroup] = field(default_factory=dict)
    watch_power: WatchPower = field(default_factory=WatchPower)

    @cached_property
    def _units_by_system(self) -> Mapping[str, tuple[Unit, ...]]:
        members: dict[str, list[Unit]] = {s: [] for s in self.systems}
        for unit in self.units.values():
            members.setdefault(unit.system, []).append(unit)
        return {s: tuple(units) for s, units in members.items()}

    @cached_property
    def _banks_by_unit(self) -> Mapping[str, tuple[Bank, ...]]:
        behind: dict[str, list[Bank]] = {u: [] for u in self.units}
        for bank in self.banks.values():
            for unit in bank.feeds:
                behind.setdefault(unit, []).append(bank)
        return {u: tuple(banks) for u, banks in behind.items()}

    @cached_property
    def _banks_by_system(self) -> Mapping[str, tuple[Bank, ...]]:
        behind: dict[str, list[Bank]] = {s: [] for s in self.systems}
        for bank in self.banks.values():
            for system in dict.fromkeys(self.units[u].system for u in bank.feeds if u in self.units):
                behind[system].append(bank)
        return {s: tuple(banks) for s, banks in behind.items()}

    @cached_property
    def _partners_by_system(self) -> Mapping[str, frozenset[str]]:
        beside: dict[str, set[str]] = {s: set() for s in self.systems}
        for system in self.systems.values():
            if system.partner is not None:
                beside[system.id].add(system.partner)
                beside.setdefault(system.partner, set()).add(system.id)
        return {s: frozenset(partners) for s, partners in beside.items()}

    @cached_property
    def _card_by_unit(self) -> Mapping[str, Card]:
        return {u: card for card in self.cards.values() for u in card.covers}

    def units_of(self, system: str) -> tuple[Unit, ...]:
        """Return the positions of a system, in the order of the estate file."""
        return self._units_by_system[system]

    def banks_of(self, unit: str) -> tuple[Bank, ...]:
        """Return the banks behind a unit; a common bank appears behind each unit it feeds."""
        return self._banks_by_unit[unit]

    def banks_of_system(self, system: str) -> tuple[Bank, ...]:
        """Return the banks behind any unit of a system, each once."""
        return self._banks_by_system[system]

    def partners_of(self, system: str) -> frozenset[str]:
        """Return the systems that a system is to take over from, and those that are to take over from it."""
        return self._partners_by_system[system]

    def card_of(self, unit: str) -> Card | None:
        """Return the card that speaks for a unit, or None where nobody does."""
        return self._card_by_unit.get(unit)

    def generator_of(self, system: str) -> Generator | None:
        """Return the generator behind a system's supply, or None."""
        generator = self.supplies[self.systems[system].supply].generator
        return None if generator is None else self.generators[generator]

    def site_of(self, system: str) -> Site:
        """Return the site a system stands on."""
        return self.sites[self.systems[system].site]


EMPTY: Final = Estate({}, {}, {}, {}, {}, {}, {})
"""Where nothing is declared."""
