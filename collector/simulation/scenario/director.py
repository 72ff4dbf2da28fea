"""What happens, and when: a script of timed events over the plant and its cards.

Events are values, and playing one is a pure step, so a script played twice gives the same estate. A
script is laid against seconds since the start of the play.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from collector.simulation.cards.faulty_cards import Lie
from collector.simulation.plant import battery
from collector.simulation.plant import supply as incoming
from collector.simulation.plant.unit import Mode, SimUnit
from collector.simulation.plant.world import WorldPlant, WorldState


@dataclass(frozen=True, slots=True)
class MainsFails:
    """The mains of a supply is lost."""

    supply: str


@dataclass(frozen=True, slots=True)
class MainsReturns:
    """The mains of a supply is back."""

    supply: str


@dataclass(frozen=True, slots=True)
class SetWill:
    """How a supply's set will behave from now on.

    `fires_at` counts attempts, None: it will not start. `late_s` is added to its run-up; one that
    `hunts` is refused by the units.
    """

    supply: str
    fires_at: int | None = 1
    late_s: float = 0.0
    hunts: bool = False


@dataclass(frozen=True, slots=True)
class UnitIsolated:
    """A unit is taken out for work: its peers carry its load."""

    unit: str


@dataclass(frozen=True, slots=True)
class UnitReturned:
    """A unit is put back."""

    unit: str


@dataclass(frozen=True, slots=True)
class UnitTested:
    """A unit is put on its bank for a test."""

    unit: str


@dataclass(frozen=True, slots=True)
class TestEnds:
    """A unit's test is over."""

    __test__ = False  # not a test case, whatever its name suggests to pytest

    unit: str


@dataclass(frozen=True, slots=True)
class BankWeak:
    """Some cells of a bank have lost capacity: `capacity` is what is left, as a share of their neighbours'."""

    bank: str
    cells: int
    capacity: float


@dataclass(frozen=True, slots=True)
class BankOpens:
    """A link of a bank parts after `after_s` more seconds of load; at once when 0. Floats as if sound."""

    bank: str
    after_s: float = 0.0


@dataclass(frozen=True, slots=True)
class BankRenewed:
    """A bank is replaced by a new one, full."""

    bank: str


@dataclass(frozen=True, slots=True)
class CardHangs:
    """A card does not answer for some seconds."""

    card: str
    for_s: float


@dataclass(frozen=True, slots=True)
class CardFreezes:
    """A card repeats its values for some seconds while its own clock runs on."""

    card: str
    for_s: float


@dataclass(frozen=True, slots=True)
class CardResets:
    """A card restarts: its uptime, alarm ids and seconds on battery begin again."""

    card: str


@dataclass(frozen=True, slots=True)
class CardLies:
    """A card breaks the standard in these ways from now on; none for an honest one."""

    card: str
    lies: tuple[Lie, ...] = ()


PlantEvent = (
    MainsFails
    | MainsReturns
    | SetWill
    | UnitIsolated
    | UnitReturned
    | UnitTested
    | TestEnds
    | BankWeak
    | BankOpens
    | BankRenewed
)
CardEvent = CardHangs | CardFreezes | CardResets | CardLies
Event = PlantEvent | CardEvent


@dataclass(frozen=True, slots=True)
class Cue:
    """An event at its time, in seconds since the start of the play."""

    at_s: float
    event: Event


@dataclass(frozen=True, slots=True)
class Behaviour:
    """What one card is up to, in seconds since the epoch."""

    booted_s: float
    lies: tuple[Lie, ...] = ()
    hung_until_s: float = 0.0
    frozen_until_s: float = 0.0

    def uptime_s(self, t_s: float) -> float:
        """Return the seconds since the card last started."""
        return t_s - self.booted_s


@dataclass(frozen=True, slots=True)
class DirectorStage:
    """The whole play at one moment: the plant and its cards."""

    world: WorldState
    cards: Mapping[str, Behaviour] = field(default_factory=dict)


def played(plant: WorldPlant, stage: DirectorStage, event: Event) -> DirectorStage:
    """Return the stage right after an event. Raises KeyError for a name that is not on it."""
    if isinstance(event, CardHangs | CardFreezes | CardResets | CardLies):
        changed = _card_after(stage.cards[event.card], event, stage.world.t_s)
        return replace(stage, cards={**stage.cards, event.card: changed})
    return replace(stage, world=_world_after(plant, stage.world, event))


def _card_after(card: Behaviour, event: CardEvent, t_s: float) -> Behaviour:
    match event:
        case CardHangs():
            return replace(card, hung_until_s=t_s + event.for_s)
        case CardFreezes():
            return replace(card, frozen_until_s=t_s + event.for_s)
        case CardResets():
            return replace(card, booted_s=t_s)
        case CardLies():
            return replace(card, lies=event.lies)


def _world_after(plant: WorldPlant, world: WorldState, event: PlantEvent) -> WorldState:
    match event:
        case MainsFails():
            return world.with_supply(event.supply, incoming.mains_fails(world.supplies[event.supply]))
        case MainsReturns():
            return world.with_supply(event.supply, incoming.mains_returns(world.supplies[event.supply]))
        case SetWill():
            supply = replace(
                world.supplies[event.supply], fires_at=event.fires_at, late_s=event.late_s, hunts=event.hunts
            )
            return world.with_supply(event.supply, supply)
        case UnitIsolated() | UnitReturned() | UnitTested() | TestEnds():
            return _unit_after(plant, world, event)
        case BankWeak() | BankOpens() | BankRenewed():
            return _bank_after(plant, world, event)


def _unit_after(
    plant: WorldPlant, world: WorldState, event: UnitIsolated | UnitReturned | UnitTested | TestEnds
) -> WorldState:
    place = plant.place_of[event.unit]
    unit = world.unit(place)
    moves: dict[type, tuple[tuple[Mode, ...], Mode]] = {
        UnitIsolated: ((Mode.NORMAL, Mode.WALKING_IN, Mode.ENDED, Mode.BYPASS), Mode.ISOLATED),
        UnitReturned: ((Mode.ISOLATED,), Mode.NORMAL),
        UnitTested: ((Mode.NORMAL,), Mode.TESTING),
        TestEnds: ((Mode.TESTING,), Mode.NORMAL),
    }
    before, then = moves[type(event)]
    return world.with_unit(place, replace(unit, mode=then, mode_s=0.0)) if unit.mode in before else world


def _bank_after(
    plant: WorldPlant, world: WorldState, event: BankWeak | BankOpens | BankRenewed
) -> WorldState:
    place = plant.place_of_bank[event.bank]
    bank_plant = plant.systems[place[0]].units[place[1]].bank
    unit: SimUnit = world.unit(place)
    match event:
        case BankWeak():
            bank = battery.with_weak_cells(bank_plant, unit.bank, cells=event.cells, capacity=event.capacity)
        case BankOpens():
            bank = replace(unit.bank, opens_after_s=event.after_s)
        case BankRenewed():
            bank = battery.renewed(bank_plant, unit.bank)
    return world.with_unit(place, replace(unit, bank=bank))


class Script:
    """Cues in order of time, handed out once each. They may come without end."""

    def __init__(self, cues: Iterable[Cue]) -> None:
        """Take cues whose times do not fall."""
        self._cues = iter(cues)
        self._next = next(self._cues, None)

    def due(self, until_s: float) -> list[Cue]:
        """Return the cues not yet handed out whose time is at or before `until_s`."""
        due = []
        while self._next is not None and self._next.at_s <= until_s:
            due.append(self._next)
            self._next = next(self._cues, None)
        return due

    @property
    def next_at_s(self) -> float | None:
        """Return the time of the next cue, None when the script is through."""
        return None if self._next is None else self._next.at_s
