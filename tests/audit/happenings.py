"""What may happen in a story beside the simulation's own cues: to a load, a room, a breaker, a generator, a collector, a person."""

from __future__ import annotations

from dataclasses import dataclass, replace

from collector.simulation.plant.supply import SupplyPhase
from collector.simulation.plant.world import WorldPlant, WorldState


@dataclass(frozen=True, slots=True)
class LoadSteps:
    """A system's load changes by a share of what it is by its shape; a later step replaces an earlier one."""

    system: str
    share: float


@dataclass(frozen=True, slots=True)
class RoomHeats:
    """A battery room gets warmer or colder at once, by so many kelvin."""

    system: str
    kelvin: float


@dataclass(frozen=True, slots=True)
class InputOpens:
    """The breaker at one unit's input opens."""

    unit: str


@dataclass(frozen=True, slots=True)
class InputCloses:
    """The breaker at one unit's input is closed again."""

    unit: str


@dataclass(frozen=True, slots=True)
class SetStops:
    """A generator that carries runs out of fuel, or stops for another reason, and does not start again."""

    supply: str


@dataclass(frozen=True, slots=True)
class CardSlow:
    """A card's replies are late for some seconds of the story."""

    card: str
    delay_s: float
    for_s: float


@dataclass(frozen=True, slots=True)
class NetworkLoses:
    """A share of a card's replies is lost from now on."""

    card: str
    share: float


@dataclass(frozen=True, slots=True)
class ServiceRestarts:
    """The service ends, cleanly or by a kill, and is started again after some seconds."""

    after_s: float
    killed: bool


@dataclass(frozen=True, slots=True)
class ClockJumps:
    """The machine's time of day is set."""

    by_s: float


@dataclass(frozen=True, slots=True)
class PersonAcknowledges:
    """Somebody acknowledges every alarm that is shown."""


PlantHappening = LoadSteps | RoomHeats | InputOpens | InputCloses | SetStops
NetworkHappening = CardSlow | NetworkLoses


@dataclass(frozen=True, slots=True)
class WorkAnnounced:
    """Somebody says that a unit is worked on from now, for so long at the most."""

    unit: str
    for_s: float


@dataclass(frozen=True, slots=True)
class WorkDone:
    """Somebody says that the work on a unit is done."""

    unit: str


ServiceHappening = ServiceRestarts | ClockJumps | PersonAcknowledges | WorkAnnounced | WorkDone
Happening = PlantHappening | NetworkHappening | ServiceHappening


def happened(plant: WorldPlant, world: WorldState, event: PlantHappening) -> tuple[WorldPlant, WorldState]:
    """Return the plant and its state right after an event."""
    match event:
        case LoadSteps():
            system, state = plant.systems[event.system], world.systems[event.system]
            extra_w = event.share * sum(system.load.watts)
            return plant, replace(
                world, systems={**world.systems, event.system: replace(state, extra_w=extra_w)}
            )
        case RoomHeats():
            system = plant.systems[event.system]
            warmer = replace(system, room_c=system.room_c + event.kelvin)
            return replace(plant, systems={**plant.systems, event.system: warmer}), world
        case InputOpens() | InputCloses():
            place = plant.place_of[event.unit]
            unit = replace(world.unit(place), cut=isinstance(event, InputOpens))
            return plant, world.with_unit(place, unit)
        case SetStops():
            state_of = world.supplies[event.supply]
            if state_of.phase is not SupplyPhase.CARRYING:
                return plant, world
            stopped = replace(state_of, phase=SupplyPhase.FAILED, phase_s=0.0, fires_at=None)
            return plant, world.with_supply(event.supply, stopped)
