"""A card with a known truth, told rightly or spoilt, poll after poll."""

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from random import Random

from collector.cards.corrections.knowledge import CardKnowledge
from collector.cards.corrections.sample import Declared
from collector.cards.mib.upsmib import TablePart
from collector.cards.mib.wire_values import WireState, WireValue
from rules.plant.reading import Reading, Stamp
from tests.collector.cards.sample_cards import AT, GOOD

Raw = dict[str, WireValue]
Spoil = Callable[[Raw], Raw]
DECLARED = Declared(rating_va=30000.0, rating_w=27000.0, output_lines=3, cells=240)
UNDECLARED = Declared()


@dataclass(frozen=True)
class Truth:
    """What the cabinet really does at one moment: watts per line, power factor, volts; the bank's side."""

    watts: tuple[float, ...] = (5100.0, 4700.0, 5600.0)
    power_factor: float = 0.9
    volts: float = 230.0
    on_battery: bool = False
    on_battery_s: float = 0.0
    battery_v: float = 545.1
    battery_a: float = 0.0
    temperature_c: float = 24.0
    charge_pct: float = 100.0
    minutes: float = 50.0
    rating_va: float = 30000.0
    rating_w: float = 27000.0

    def raw(self) -> Raw:
        """Return what a card that keeps to the standard puts on the wire."""
        values: Raw = dict(GOOD)
        count = len(self.watts)
        for line, watts in enumerate(self.watts, start=1):
            va = watts / self.power_factor
            amperes = va / self.volts
            percent = 100.0 * max(watts / (self.rating_w / count), va / (self.rating_va / count))
            values |= {
                f"upsOutputVoltage.{line}": round(self.volts),
                f"upsOutputCurrent.{line}": round(amperes * 10),
                f"upsOutputPower.{line}": round(watts),
                f"upsOutputPercentLoad.{line}": round(percent),
                f"upsInputVoltage.{line}": 0 if self.on_battery else 231,
                f"upsInputCurrent.{line}": 0 if self.on_battery else round(watts / 0.94 / 231 / 0.99 * 10),
                f"upsInputTruePower.{line}": 0 if self.on_battery else round(watts / 0.94),
                f"upsInputFrequency.{line}": 0 if self.on_battery else 500,
            }
        return values | {
            "upsOutputSource": 5 if self.on_battery else 3,
            "upsSecondsOnBattery": round(self.on_battery_s),
            "upsBatteryVoltage": round(self.battery_v * 10),
            "upsBatteryCurrent": round(self.battery_a * 10),
            "upsBatteryTemperature": round(self.temperature_c),
            "upsEstimatedChargeRemaining": round(self.charge_pct),
            "upsEstimatedMinutesRemaining": max(1, round(self.minutes)),
            "upsConfigOutputVA": round(self.rating_va),
            "upsConfigOutputPower": round(self.rating_w),
        }


def moving(seed: int = 1, **fixed: object) -> Callable[[int], Truth]:
    """Return a truth whose load wanders a little from poll to poll, all else as given."""

    def at(poll: int) -> Truth:
        dice = Random(seed * 100003 + poll)
        base = Truth(**fixed)  # type: ignore[arg-type]
        watts = tuple(w * (1 + 0.02 * dice.uniform(-1, 1)) for w in base.watts)
        return Truth(**{**fixed, "watts": watts})  # type: ignore[arg-type]

    return at


def discharging(from_poll: int, every_s: float = 5.0) -> Callable[[int], Truth]:
    """Return a truth that goes on battery at a poll and stays there, draining at its load."""

    def at(poll: int) -> Truth:
        if poll < from_poll:
            return moving()(poll)
        t = (poll - from_poll) * every_s
        watts = moving()(poll).watts
        volts = 500.0 - t * 0.02
        return Truth(
            watts=watts,
            on_battery=True,
            on_battery_s=t,
            battery_v=volts,
            battery_a=sum(watts) / 0.94 / volts,
            charge_pct=100.0 - t / 30.0,
            minutes=50.0 - t / 60.0,
        )

    return at


@dataclass
class Played:
    """A card as it was polled: the newest reading, all readings, what is known by now."""

    known: CardKnowledge
    readings: list[Reading] = field(default_factory=list)

    @property
    def last(self) -> Reading:
        return self.readings[-1]

    def why(self, name: str) -> str:
        """Return the newest reading's reasons for an object."""
        return "; ".join(doubt.reason for doubt in self.last.doubts if doubt.object == name)


def play(  # noqa: PLR0917 - a scene has many parts
    truth: Callable[[int], Truth],
    spoil: Spoil = lambda raw: raw,
    polls: int = 20,
    declared: Declared = DECLARED,
    every_s: float = 5.0,
    alarms: Callable[[int], tuple[str, ...]] = lambda poll: (),
    known: CardKnowledge | None = None,
    begin: int = 0,
) -> Played:
    """Poll a spoilt card some times; at half-way the knowledge goes through the ledger and back."""
    played = Played(known or CardKnowledge.fresh())
    for poll in range(begin, begin + polls):
        at = AT + timedelta(seconds=poll * every_s)
        raw = spoil(truth(poll).raw() | {"sysUpTime": 123450 + round(100 * poll * every_s)})
        state = WireState(raw, alarms=alarms(poll), part_at=dict.fromkeys(TablePart, at))
        stamp = Stamp(at, poll * every_s, "start")
        played.readings.append(played.known.interpret("A1", stamp, state, declared))
        if polls > 2 and poll == begin + polls // 2:
            kept = json.loads(json.dumps(played.known.as_json()))
            clock = played.known.clock
            played.known = CardKnowledge.from_json(kept, declared)
            played.known.clock = clock  # standstill is not remembered over a restart
    return played


def column(name: str, change: Callable[[float], float]) -> Spoil:
    """Return a spoiling of one object on all its lines (or of a scalar)."""

    def spoil(raw: Raw) -> Raw:
        return raw | {
            key: round(change(value))
            for key, value in raw.items()
            if key.partition(".")[0] == name and isinstance(value, int)
        }

    return spoil


def without(*names: str) -> Spoil:
    """Return a spoiling that leaves objects out."""
    return lambda raw: {key: value for key, value in raw.items() if key.partition(".")[0] not in names}


def both(*spoils: Spoil) -> Spoil:
    """Return several spoilings, one after the other."""

    def spoil(raw: Raw) -> Raw:
        for one in spoils:
            raw = one(raw)
        return raw

    return spoil


def near(value: float | None, truth: float, resolution: float) -> bool:
    """Return whether a value is right within the resolution on the wire."""
    return value is not None and math.isclose(value, truth, abs_tol=resolution, rel_tol=1e-9)


def constant(values: Mapping[str, WireValue]) -> Spoil:
    """Return a spoiling that puts fixed values on the wire."""
    return lambda raw: raw | dict(values)
