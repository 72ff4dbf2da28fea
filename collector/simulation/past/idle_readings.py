"""Units at rest: readings on float for many moments at once, without playing them one by one.

On float a bank is what its charger and its room make it, so its readings follow from the moment alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np

from collector.cards.mib.correction_set import STANDARD
from collector.simulation.cards import card as voice
from collector.simulation.cards.card import Meters, Moments
from collector.simulation.plant.battery import SimBank
from collector.simulation.plant.charging import floating
from collector.simulation.plant.system import SystemPlant
from collector.simulation.plant.unit import UnitPlant
from collector.simulation.plant.wander import Floats, seed_of
from collector.simulation.scenario.demonstration import UNITS, Installed, SimScenario
from collector.storage.history.store import Wire, WireReading
from rules.plant.reading import Stamp
from rules.values.constants import SECONDS_A_YEAR

QUARTER_S: Final = 900.0
REBOOT_S: Final = 150 * 86_400.0

_START_ID: Final = "past"


def boot_s(seed: int, unit: str, t_s: Floats) -> Floats:
    """Return when the card that speaks at `t_s` had last started: each restarts every five months or so."""
    phase_s = seed_of(seed, unit, "boot") % int(REBOOT_S)
    return np.floor((t_s - phase_s) / REBOOT_S) * REBOOT_S + phase_s


def installed_in(system: str) -> list[Installed]:
    """Return what stands in one system, in its order."""
    return [u for u in UNITS if u.system == system]


@dataclass(frozen=True, slots=True)
class IdleWriter:
    """Makes readings of one unit out of moments."""

    installed: Installed
    plant: UnitPlant
    meters: Meters
    origin_s: float

    def readings(self, t_s: Floats, at: Moments, period_s: float, *, slow: bool) -> list[WireReading]:
        """Return one reading per moment; with `slow` the first of each day holds the slow objects too."""
        live = voice.live_columns(self.plant, self.meters, at)
        keys = list(live)
        rows = np.stack(list(live.values()), axis=1).astype(np.int64).tolist()
        extra: dict[int, dict[str, Wire]] = {}
        if slow:
            daily = voice.slow_columns(self.plant, at)
            plate = voice.nameplate(self.plant)
            for i in np.flatnonzero(np.diff(np.floor(t_s / 86_400.0), prepend=-1.0)).tolist():
                extra[i] = {**plate, **{name: int(values[i]) for name, values in daily.items()}}
        made = []
        for i, (moment_s, row) in enumerate(zip(t_s.tolist(), rows, strict=True)):
            wire: dict[str, Wire] = dict(zip(keys, row, strict=True))
            if i in extra:
                wire.update(extra[i])
            stamp = Stamp(datetime.fromtimestamp(moment_s, UTC), moment_s - self.origin_s, _START_ID)
            made.append(WireReading(self.installed.unit, stamp, period_s, STANDARD.id, wire))
        return made


def quiet_moments(
    scenario: SimScenario, system: SystemPlant, place: int, t_s: Floats, bads: Floats
) -> Moments:
    """Return a unit on float at every moment of `t_s`."""
    plant = system.units[place]
    watts = _shared(system, place, t_s)
    va = watts / np.array([system.load.power_factor[line - 1] for line in plant.line_order])
    room_c = system.room_c + system.room_swing_c * np.cos(2.0 * np.pi * (t_s / SECONDS_A_YEAR - 0.575))
    mains_v, mains_hz = scenario.plant.mains_at(system.supply, t_s)
    cells = plant.bank.cells
    float_v = cells * (plant.bank.float_voltage_v - 0.003 * (np.clip(room_c, 5.0, 40.0) - 25.0))
    # Terminals on float are those of `charging.floating`; the current doubles per 10 K.
    rest_a = -floating(plant.bank, SimBank((), 25.0)).current_a * 2.0 ** ((room_c - 25.0) / 10.0)
    output_w = watts.sum(axis=1)
    loss_w = (
        plant.fixed_loss * plant.rating_w
        + plant.linear_loss * output_w
        + plant.square_loss * output_w**2 / plant.rating_w
    )
    ones = np.ones_like(t_s)
    return Moments(
        uptime_s=t_s - boot_s(scenario.seed, plant.id, t_s),
        source=3.0 * ones,
        battery_status=2.0 * ones,
        on_battery_s=0.0 * ones,
        charge=ones,
        card_minutes=voice.card_minutes(plant, ones, output_w),
        bank_v=float_v,
        bank_a=-rest_a,
        bank_c=room_c,
        bads=bads,
        feed_v=mains_v,
        feed_hz=mains_hz,
        input_w=output_w + loss_w + rest_a * float_v / 0.95,
        bypass_share=0.0 * ones,
        output_v=230.0 * ones,
        watts=watts,
        va=va,
        alarms=0.0 * ones,
        test=6.0 * ones,
    )


def _shared(system: SystemPlant, place: int, t_s: Floats) -> Floats:
    """Return the watts of a unit's own lines when all units of its system carry."""
    plant = system.units[place]
    weights = [u.rating_va * (1.0 + u.share_bias) for u in system.units]
    share = weights[place] / sum(weights)
    board: Floats = system.load.watts_at(t_s)
    return board[:, [line - 1 for line in plant.line_order]] * share
