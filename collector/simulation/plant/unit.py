"""One cabinet: losses, overload, and whether its supply, its bank or nobody feeds it."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from collector.simulation.plant import battery, charging
from collector.simulation.plant.battery import BankPlant, SimBank
from collector.simulation.plant.supply import FeedSource


class Mode(StrEnum):
    """What feeds the cabinet's output."""

    NORMAL = "normal"
    BATTERY = "battery"
    WALKING_IN = "walking_in"
    TESTING = "testing"
    BYPASS = "bypass"
    ENDED = "ended"
    ISOLATED = "isolated"


CARRYING: Final = frozenset({Mode.NORMAL, Mode.BATTERY, Mode.WALKING_IN, Mode.TESTING})


@dataclass(frozen=True, slots=True)
class Feed:
    """What stands at the rectifiers' terminals: volts (line to neutral), hertz, and whose they are."""

    source: FeedSource
    voltage_v: float
    frequency_hz: float
    nominal_v: float = 230.0

    @property
    def acceptable(self) -> bool:
        """Return whether a unit would run from it: within 12 % of its volts and 1 Hz of 50."""
        return abs(self.voltage_v / self.nominal_v - 1.0) <= 0.12 and abs(self.frequency_hz - 50.0) <= 1.0


@dataclass(frozen=True, slots=True)
class UnitPlant:
    """A cabinet in its position.

    Losses on battery are fixed, linear and square shares of the rating (in watts); `share_bias` is how
    much more than its fair share it takes, `line_order` the board line behind each of its own lines.
    """

    id: str
    bank: BankPlant
    rating_va: float
    rating_w: float
    line_order: tuple[int, ...] = (1, 2, 3)
    share_bias: float = 0.0
    fixed_loss: float = 0.018
    linear_loss: float = 0.033
    square_loss: float = 0.014
    accept_s: float = 15.0
    hold_off_s: float = 0.0
    walk_in_s: float = 15.0
    generator_charge_share: float = 0.3
    model: str = ""

    @property
    def lines(self) -> int:
        """Return the number of output lines."""
        return len(self.line_order)

    def loss_w(self, output_w: float) -> float:
        """Return what the inverter turns into heat while it gives `output_w`."""
        return (
            self.fixed_loss * self.rating_w
            + self.linear_loss * output_w
            + self.square_loss * output_w * output_w / self.rating_w
        )


@dataclass(frozen=True, slots=True)
class SimUnit:
    """A cabinet at one moment. `watts` and `va` are by its own line; `heat` 1 is the overload's end.

    `cut`: its input breaker is open, so that nothing of its supply reaches it.
    """

    mode: Mode
    bank: SimBank
    good_s: float = 1e9
    mode_s: float = 1e9
    heat: float = 0.0
    bads: int = 0
    watts: tuple[float, ...] = ()
    va: tuple[float, ...] = ()
    input_w: float = 0.0
    cut: bool = False

    @property
    def on_battery(self) -> bool:
        """Return whether the bank alone carries what the cabinet gives."""
        return self.mode in (Mode.BATTERY, Mode.TESTING)


# Share of a line's rating -> seconds it may last (the trade's usual curve); beyond the last, at once.
_OVERLOAD: Final = ((1.05, 3600.0), (1.10, 600.0), (1.25, 60.0), (1.50, 10.0), (1.75, 0.5))


def overload_s(share: float) -> float:
    """Return how long a line may carry `share` of its rating: log-linear between the curve's points."""
    if share <= _OVERLOAD[0][0]:
        return math.inf
    for (low, low_s), (high, high_s) in itertools.pairwise(_OVERLOAD):
        if share <= high:
            part = (share - low) / (high - low)
            return low_s * math.exp(part * math.log(high_s / low_s))
    return _OVERLOAD[-1][1]


def heated(
    plant: UnitPlant, heat: float, watts: tuple[float, ...], va: tuple[float, ...], dt_s: float
) -> float:
    """Return the overload's progress after `dt_s`; the worst line counts, in watts or volt-amperes."""
    worst = max(
        max(w / (plant.rating_w / plant.lines), s / (plant.rating_va / plant.lines))
        for w, s in zip(watts, va, strict=True)
    )
    allowed_s = overload_s(worst)
    return max(heat - dt_s / 300.0, 0.0) if math.isinf(allowed_s) else heat + dt_s / allowed_s


def at_terminals(state: SimUnit, feed: Feed) -> Feed:
    """Return what stands at a cabinet's own terminals, of what stands on its supply's busbar."""
    return Feed(FeedSource.NOTHING, 0.0, 0.0, feed.nominal_v) if state.cut else feed


def switched(plant: UnitPlant, state: SimUnit, feed: Feed, dt_s: float) -> SimUnit:
    """Return the cabinet after its own logic has looked at the feed; powers come later in the step."""
    good_s = state.good_s + dt_s if feed.acceptable else 0.0
    state = replace(state, good_s=good_s, mode_s=state.mode_s + dt_s)
    mode = _mode_after(plant, state, feed)
    if mode is state.mode:
        return state
    newly_bad = mode is Mode.BATTERY and state.mode is not Mode.WALKING_IN
    return replace(state, mode=mode, mode_s=0.0, bads=state.bads + int(newly_bad))


def _mode_after(plant: UnitPlant, state: SimUnit, feed: Feed) -> Mode:
    ready = state.good_s >= plant.accept_s + plant.hold_off_s
    match state.mode:
        case Mode.NORMAL | Mode.WALKING_IN | Mode.TESTING | Mode.BYPASS if not feed.acceptable:
            return Mode.BATTERY
        case Mode.WALKING_IN if state.mode_s >= plant.walk_in_s:
            return Mode.NORMAL
        case Mode.BATTERY if ready:
            return Mode.WALKING_IN
        case Mode.ENDED if ready:
            return Mode.NORMAL
        case _:
            return state.mode


def powered(
    plant: UnitPlant,
    state: SimUnit,
    feed: Feed,
    *,
    watts: tuple[float, ...],
    va: tuple[float, ...],
    room_c: float,
    dt_s: float,
) -> SimUnit:
    """Return the cabinet after giving `watts` for `dt_s` from wherever its mode takes them."""
    output_w = sum(watts)
    gross_w = output_w + plant.loss_w(output_w) if state.mode in CARRYING else 0.0
    from_bank = _bank_share(plant, state)
    bank = state.bank
    mode = state.mode
    input_w = gross_w * (1.0 - from_bank)
    if from_bank > 0.0:
        bank, held = battery.discharge(plant.bank, bank, gross_w * from_bank, dt_s)
        if not held:
            mode = Mode.ENDED if state.mode is Mode.BATTERY else Mode.NORMAL
    elif feed.acceptable and state.mode is not Mode.ENDED:
        share = plant.generator_charge_share if feed.source is FeedSource.GENERATOR else 1.0
        bank = charging.charge(plant.bank, bank, dt_s, limit_a=share * plant.bank.charge_limit_a)
        input_w += -bank.current_a * bank.voltage_v / 0.95
    else:
        emf, _ = battery.source_of(plant.bank, bank)
        bank = replace(bank, current_a=0.0, voltage_v=0.0 if bank.open else emf)
    bank = battery.at_room(bank, room_c, dt_s)
    mode_s = state.mode_s if mode is state.mode else 0.0
    if state.mode is Mode.BYPASS:
        input_w = output_w
    return replace(state, mode=mode, mode_s=mode_s, bank=bank, watts=watts, va=va, input_w=input_w)


def _bank_share(plant: UnitPlant, state: SimUnit) -> float:
    """Return the share of the cabinet's power that its bank gives, 0 to 1."""
    if state.on_battery:
        return 1.0
    if state.mode is Mode.WALKING_IN:
        return max(1.0 - state.mode_s / plant.walk_in_s, 0.0)
    return 0.0
