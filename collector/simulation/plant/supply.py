"""A mains supply and the standby generator behind it: detection, cranking, run-up, transfer and the way back.

The generator is a table of phases with a time each; the script decides at which attempt the engine fires. The
times are those an estate file declares, so a test can add them up by hand.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final


class SupplyPhase(StrEnum):
    """What the generator is doing."""

    RESTING = "resting"
    DETECTING = "detecting"
    CRANKING = "cranking"
    PAUSING = "pausing"
    RUNNING_UP = "running_up"
    TRANSFERRING = "transferring"
    CARRYING = "carrying"
    RETURNING = "returning"
    COOLING = "cooling"
    FAILED = "failed"


class FeedSource(StrEnum):
    """What is on the supply's busbar."""

    MAINS = "mains"
    GENERATOR = "generator"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class SetPlant:
    """A standby generator. `steady_s`: how long returned mains must stand before the load goes back to it."""

    id: str
    detect_s: float = 5.0
    attempts: int = 3
    crank_s: float = 10.0
    rest_s: float = 10.0
    fires_after_s: float = 3.0
    start_s: float = 10.0
    transfer_s: float = 3.0
    steady_s: float = 60.0
    return_s: float = 2.0
    cool_s: float = 180.0


@dataclass(frozen=True, slots=True)
class SupplyPlant:
    """One incoming supply, with its nominal voltage (line to neutral) and the generator behind it, if any."""

    id: str
    generator: SetPlant | None = None
    nominal_v: float = 230.0


@dataclass(frozen=True, slots=True)
class SupplyState:
    """A supply at one moment.

    `fires_at`: the attempt at which the engine will fire, None for never. `hunts`: its governor swings
    so that units refuse it. `late_s` is added to its run-up. `attempt` counts cranks since the failure.
    """

    mains: bool = True
    mains_good_s: float = 1e9
    phase: SupplyPhase = SupplyPhase.RESTING
    phase_s: float = 0.0
    attempt: int = 0
    fires_at: int | None = 1
    hunts: bool = False
    late_s: float = 0.0

    @property
    def source(self) -> FeedSource:
        """Return what feeds the busbar."""
        if self.phase is SupplyPhase.CARRYING:
            return FeedSource.GENERATOR
        if self.mains and self.phase is not SupplyPhase.RETURNING:
            return FeedSource.MAINS
        return FeedSource.NOTHING


def _length_s(generator: SetPlant, state: SupplyState) -> float | None:
    """Return how long the present phase lasts, None where only an event ends it."""
    fires = state.attempt == state.fires_at
    lengths: Final[dict[SupplyPhase, float | None]] = {
        SupplyPhase.RESTING: None,
        SupplyPhase.DETECTING: generator.detect_s,
        SupplyPhase.CRANKING: generator.fires_after_s if fires else generator.crank_s,
        SupplyPhase.PAUSING: generator.rest_s,
        SupplyPhase.RUNNING_UP: generator.start_s + state.late_s,
        SupplyPhase.TRANSFERRING: generator.transfer_s,
        SupplyPhase.CARRYING: None,
        SupplyPhase.RETURNING: generator.return_s,
        SupplyPhase.COOLING: generator.cool_s,
        SupplyPhase.FAILED: None,
    }
    return lengths[state.phase]


def _enter(
    state: SupplyState, phase: SupplyPhase, phase_s: float, *, attempt: int | None = None
) -> SupplyState:
    return replace(state, phase=phase, phase_s=phase_s, attempt=state.attempt if attempt is None else attempt)


def _next(generator: SetPlant, state: SupplyState, over_s: float) -> SupplyState:
    """Return the state after a phase has run its time; `over_s` is what is left of the step."""
    after_crank = SupplyPhase.FAILED if state.attempt >= generator.attempts else SupplyPhase.PAUSING
    follows: Final[dict[SupplyPhase, SupplyPhase]] = {
        SupplyPhase.DETECTING: SupplyPhase.CRANKING,
        SupplyPhase.PAUSING: SupplyPhase.CRANKING,
        SupplyPhase.CRANKING: SupplyPhase.RUNNING_UP if state.attempt == state.fires_at else after_crank,
        SupplyPhase.RUNNING_UP: SupplyPhase.COOLING if state.mains else SupplyPhase.TRANSFERRING,
        SupplyPhase.TRANSFERRING: SupplyPhase.CARRYING,
        SupplyPhase.RETURNING: SupplyPhase.COOLING,
        SupplyPhase.COOLING: SupplyPhase.RESTING,
    }
    phase = follows[state.phase]
    attempt = {SupplyPhase.CRANKING: state.attempt + 1, SupplyPhase.RESTING: 0}.get(phase, state.attempt)
    return _enter(state, phase, over_s, attempt=attempt)


def after(plant: SupplyPlant, state: SupplyState, dt_s: float) -> SupplyState:
    """Return the supply after `dt_s`; a step may cross several phases."""
    state = replace(state, mains_good_s=state.mains_good_s + dt_s if state.mains else 0.0)
    generator = plant.generator
    if generator is None:
        return state
    state = _provoked(generator, state, dt_s)
    state = replace(state, phase_s=state.phase_s + dt_s)
    while True:
        length_s = _length_s(generator, state)
        if length_s is None or state.phase_s < length_s:
            return state
        state = _next(generator, state, state.phase_s - length_s)


def _provoked(generator: SetPlant, state: SupplyState, dt_s: float) -> SupplyState:
    """Return the state after what the mains' own coming and going starts or stops."""
    if not state.mains and state.phase in (SupplyPhase.RESTING, SupplyPhase.COOLING):
        warm = state.phase is SupplyPhase.COOLING
        return _enter(
            state, SupplyPhase.TRANSFERRING if warm else SupplyPhase.DETECTING, 0.0, attempt=state.attempt
        )
    if state.mains:
        if state.phase in (
            SupplyPhase.DETECTING,
            SupplyPhase.CRANKING,
            SupplyPhase.PAUSING,
            SupplyPhase.FAILED,
        ):
            return _enter(state, SupplyPhase.RESTING, 0.0, attempt=0)
        if state.phase is SupplyPhase.TRANSFERRING:
            return _enter(state, SupplyPhase.COOLING, 0.0)
        if state.phase is SupplyPhase.CARRYING and state.mains_good_s >= generator.steady_s:
            return _enter(
                state, SupplyPhase.RETURNING, max(state.mains_good_s - generator.steady_s, 0.0) - dt_s
            )
    return state


def mains_fails(state: SupplyState) -> SupplyState:
    """Return the supply at the moment its mains is lost."""
    return replace(state, mains=False, mains_good_s=0.0)


def mains_returns(state: SupplyState) -> SupplyState:
    """Return the supply at the moment its mains is back."""
    return replace(state, mains=True, mains_good_s=0.0)


def time_to_carry_s(generator: SetPlant, *, fires_at: int | None, late_s: float = 0.0) -> float | None:
    """Return the seconds from mains lost to the generator carrying the busbar, None when it never does."""
    if fires_at is None or fires_at > generator.attempts:
        return None
    failed = fires_at - 1
    return (
        generator.detect_s
        + failed * (generator.crank_s + generator.rest_s)
        + generator.fires_after_s
        + generator.start_s
        + late_s
        + generator.transfer_s
    )
