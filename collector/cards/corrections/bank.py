"""Battery volts, amperes, degrees, charge and minutes: what only the declared cells or a discharge can tell.

Volts per cell fix the power of ten: on float a lead-acid cell lies between 2.05 and 2.45 V, and no power of ten
brings a wrong figure into that span. RFC 1628 leaves the sign of the current open, so it is learnt from a
discharge: whatever flows while the card says "on battery" discharges. Before the first one, the current
is known only while the source says which way it must flow. The card's minutes and charge are watched through
discharges and are believed only as what the card says.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final

from collector.cards.corrections.sample import Declared, Sample
from collector.cards.mib.correction_set import Correction, Ruling
from rules.plant.reading import DoubtKind

_FLOAT_V: Final = (2.05, 2.45)
_CELL_V: Final = (1.4, 2.6)  # anything a living cell shows: then the figure is what the standard says
_VOLTAGE_FACTORS: Final = (1.0, 0.1, 10.0, 0.01)
ENOUGH: Final = 3
_LARGE_UNIT_VA: Final = 10000.0
_LOW_BANK_V: Final = 100.0
_LEAST_BANK_V: Final = 10.0
_VISIBLE_A: Final = 0.35
# Output watts over battery watts: inverter efficiency, with room for the charger's blindness and rounding
_EFFICIENCY: Final = (0.75, 1.05)
_PATIENT_S: Final = 120.0
_DAY_S: Final = 86400.0


_VOLTS: Final = "upsBatteryVoltage"


def _doubtful(name: str, why: str, evidence: int = 0) -> Correction:
    """Return what leaves a value unknown until there is more evidence."""
    return Correction(name, DoubtKind.UNPROVEN, why, Ruling.NOT_KNOWN, evidence=evidence)


def _count(tally: dict[str, int], key: str) -> None:
    tally[key] = min(tally.get(key, 0) + 1, 10000)


@dataclass(slots=True)
class VoltageLearner:
    """Learns the scale of battery volts against the declared cells."""

    tally: dict[str, int]
    rating_va: float | None = None
    last_v: float | None = None

    def observe(self, sample: Sample, declared: Declared) -> None:
        """Take in one poll."""
        volts = sample.get("upsBatteryVoltage")
        if not volts:
            return
        self.last_v = volts
        self.rating_va = declared.rating_va or sample.get("upsConfigOutputVA") or self.rating_va
        # On discharge half a bank and a whole one overlap, so only what is seen on mains decides.
        if declared.cells is None or not sample.on_mains:
            return
        if _CELL_V[0] <= volts / declared.cells <= _CELL_V[1]:
            _count(self.tally, "1x1")
            return
        fitting = [
            f"{factor:g}x{part:g}"
            for factor in _VOLTAGE_FACTORS
            for part in (1.0, 2.0)
            if _FLOAT_V[0] <= volts * factor * part / declared.cells <= _FLOAT_V[1]
        ]
        for key in fitting or ["none"]:
            _count(self.tally, key)

    def corrections(self, declared: Declared) -> list[Correction]:
        """Return what follows."""
        if declared.cells is None:
            return self._without_cells()
        return self._against_cells(declared.cells, declared.split)

    def _without_cells(self) -> list[Correction]:
        volts, large = self.last_v, (self.rating_va or 0.0) >= _LARGE_UNIT_VA
        if volts is not None and volts < _LEAST_BANK_V:
            return [
                _doubtful(_VOLTS, "is less than any bank has, and could be too small by ten or a hundred")
            ]
        if volts is None or volts >= _LOW_BANK_V or not large:
            return []
        return [_doubtful(_VOLTS, "could be tenths or whole volts on a unit of this size: declare its cells")]

    def _against_cells(self, cells: int, split: bool) -> list[Correction]:
        seen = sum(self.tally.values())
        best = max(self.tally, key=lambda key: self.tally[key], default="1x1")
        count = self.tally.get(best, 0)
        if best == "1x1" and count >= 0.5 * seen:
            return []
        factor, _, part = best.partition("x")
        if count < ENOUGH or count < 0.8 * seen:
            why = f"does not fit {cells} cells; not seen often enough to say how it is scaled"
        elif best == "none":
            why = f"fits {cells} cells in no power of ten: check the cells, or whether the bank is connected"
        elif part == "2" and not split:
            why = f"is half of what {cells} cells give: half a split bank, or half the cells; declare which"
        else:
            what = "one half of the split bank" if part == "2" else f"off by {1 / float(factor):g}"
            reason = f"{what}: only so do {cells} cells show the volts of a cell on float"
            times = float(factor) * float(part)
            return [Correction(_VOLTS, DoubtKind.SCALE, reason, factor=times, evidence=count)]
        return [_doubtful(_VOLTS, why, count)]


@dataclass(slots=True)
class CurrentLearner:
    """Learns sign and scale of the battery current from discharges."""

    tally: dict[str, int]

    def observe(self, sample: Sample, power_factor: float, volts_factor: float) -> None:
        """Take in one poll. The factors are what corrects watts and battery volts just now."""
        current = sample.get("upsBatteryCurrent")
        if current is None:
            return
        visible = abs(current) >= _VISIBLE_A
        if sample.on_battery:
            if not visible:
                if (sample.total("upsOutputPower") or 0) > 0 and (sample.seconds_on_battery or 0) >= 10:
                    _count(self.tally, "none_on_battery")
                return
            _count(self.tally, "plus_on_battery" if current > 0 else "minus_on_battery")
            self._scale(sample, abs(current), power_factor, volts_factor)
        elif sample.on_mains and visible:
            _count(self.tally, "plus_on_mains" if current > 0 else "minus_on_mains")

    def _scale(self, sample: Sample, current: float, power_factor: float, volts_factor: float) -> None:
        volts, watts = sample.get("upsBatteryVoltage"), sample.total("upsOutputPower")
        if not volts or not watts or (sample.seconds_on_battery or 0) < 5:
            return
        drawn = volts * volts_factor * current
        fitting = [
            f"1e{power}"
            for power in range(-3, 4)
            if _EFFICIENCY[0] <= watts * power_factor / (drawn * 10.0**power) <= _EFFICIENCY[1]
        ]
        for key in fitting or ["1e?"]:
            _count(self.tally, key)

    def corrections(self) -> list[Correction]:
        """Return what follows: always one, until a discharge has shown the sign to be ours."""
        name, tally = "upsBatteryCurrent", self.tally
        plus, minus, none = (tally.get(f"{k}_on_battery", 0) for k in ("plus", "minus", "none"))
        seen = plus + minus
        if none >= 5 and none > 4 * seen:
            reason = "stays at nothing while the bank carries the load"
            return [Correction(name, DoubtKind.STUCK, reason, Ruling.NOT_KNOWN, evidence=none)]
        factor, scale_reason = self._factor()
        if factor is None:
            return [Correction(name, DoubtKind.UNPROVEN, scale_reason, Ruling.NOT_KNOWN, evidence=seen)]
        if seen < ENOUGH or max(plus, minus) < 0.9 * seen:
            reason = "its sign is not defined by the standard and no discharge has shown it yet"
            return [Correction(name, DoubtKind.SIGN, reason, Ruling.DIRECTION, factor=factor, evidence=seen)]
        return self._signed("plus" if plus > minus else "minus", factor, scale_reason, seen)

    def _signed(self, away: str, factor: float, scale_reason: str, seen: int) -> list[Correction]:
        """Return what follows when a discharge has shown the sign `away`."""
        name, tally = "upsBatteryCurrent", self.tally
        same = tally.get(f"{away}_on_mains", 0)
        opposite = tally.get("minus_on_mains" if away == "plus" else "plus_on_mains", 0)
        if same >= 10 and same > 10 * opposite:
            reason = "shows no sign: the same for charging as for discharging"
            return [Correction(name, DoubtKind.SIGN, reason, Ruling.MAGNITUDE, factor=factor, evidence=seen)]
        if opposite < ENOUGH or opposite < 0.8 * (same + opposite):
            reason = "has not been seen to change its sign between discharging and charging"
            return [Correction(name, DoubtKind.SIGN, reason, Ruling.DIRECTION, factor=factor, evidence=seen)]
        sign = 1.0 if away == "plus" else -1.0
        if sign * factor == 1.0:
            return []
        told = "negative while discharging, as a discharge showed" if sign < 0 else ""
        reason = "; ".join(filter(None, (told, scale_reason)))
        kind = DoubtKind.SIGN if sign < 0 else DoubtKind.SCALE
        return [Correction(name, kind, reason, factor=sign * factor, evidence=seen)]

    def _factor(self) -> tuple[float | None, str]:
        powers = {key: count for key, count in self.tally.items() if key.startswith("1e")}
        total = sum(powers.values())
        if not total:
            return 1.0, ""
        best = max(powers, key=lambda key: powers[key])
        if best == "1e0" and powers[best] >= 0.5 * total:
            return 1.0, ""
        if best == "1e?" or powers[best] < ENOUGH or powers[best] < 0.8 * total:
            return None, "does not fit battery volts and output watts on discharge"
        return float(best), f"off by {1 / float(best):g}: only so does it carry the output on discharge"


@dataclass(slots=True)
class TemperatureLearner:
    """Learns tenths and Fahrenheit, and finds out a probe that is none."""

    tally: dict[str, int]
    low: float | None = None
    high: float | None = None
    first_s: float | None = None
    last_s: float = 0.0

    def observe(self, sample: Sample) -> None:
        """Take in one poll."""
        value = sample.get("upsBatteryTemperature")
        if value is None:
            return
        at_s = sample.at.timestamp()
        self.first_s = at_s if self.first_s is None else self.first_s
        self.last_s = at_s
        self.low = value if self.low is None else min(self.low, value)
        self.high = value if self.high is None else max(self.high, value)
        if 150.0 <= value <= 450.0:
            _count(self.tally, "tenths")
        elif 59.0 <= value <= 115.0:
            _count(self.tally, "fahrenheit")
        else:
            _count(self.tally, "celsius")

    def corrections(self) -> list[Correction]:
        """Return what follows."""
        if self.low is None or self.high is None or self.first_s is None:
            return []
        found = self._judged(self.low, self.high, self.last_s - self.first_s)
        return [] if found is None else [found]

    def _judged(self, low: float, high: float, for_s: float) -> Correction | None:
        name = "upsBatteryTemperature"
        tenths, hot, plain = (self.tally.get(k, 0) for k in ("tenths", "fahrenheit", "celsius"))
        found = None
        if tenths >= ENOUGH and tenths > 20 * plain:
            found = Correction(
                name, DoubtKind.SCALE, "comes in tenths of a degree", factor=0.1, evidence=tenths
            )
        elif hot >= 10 and not plain and for_s >= 3600.0:
            reason = "has been between 59 and 115 for an hour and more: degrees Fahrenheit"
            found = Correction(name, DoubtKind.SCALE, reason, factor=5 / 9, offset=-160 / 9, evidence=hot)
        elif hot and not plain:
            found = _doubtful(
                name, "could be degrees Fahrenheit, or a bank in trouble: feel the cabinet", hot
            )
        elif low == high and low in {0.0, 25.0} and for_s >= _DAY_S:
            reason = f"has stood at {low:g} for a day and more: no probe"
            found = Correction(name, DoubtKind.STUCK, reason, Ruling.NOT_KNOWN, evidence=plain)
        elif low <= 0.0 < high < 60.0:
            reason = "zero is a temperature here: it has been seen to move"
            found = Correction(name, DoubtKind.UNPROVEN, reason, evidence=plain)
        return found


@dataclass(slots=True)
class ClaimsLearner:
    """Watches the card's minutes and percent of charge through discharges."""

    tally: dict[str, int]
    began_s: float | None = None
    minutes_0: float | None = None
    charge_0: float | None = None
    minutes_moved: bool = False
    charge_moved: bool = False
    watts_0: float | None = None

    def observe(self, sample: Sample) -> None:
        """Take in one poll."""
        charge = sample.get("upsEstimatedChargeRemaining")
        if charge is not None and charge > 100.0:
            _count(self.tally, "charge_tenths" if charge <= 1000.0 else "charge_wild")
        if not sample.on_battery:
            self.began_s = None
            return
        minutes = sample.get("upsEstimatedMinutesRemaining")
        at_s, watts = sample.at.timestamp(), sample.total("upsOutputPower")
        if self.began_s is None:
            self.began_s, self.minutes_0, self.charge_0, self.watts_0 = at_s, minutes, charge, watts
            self.minutes_moved = self.charge_moved = False
            return
        self.minutes_moved = self.minutes_moved or minutes != self.minutes_0
        self.charge_moved = self.charge_moved or charge != self.charge_0
        if at_s - self.began_s >= _PATIENT_S:
            self._conclude(sample, at_s, minutes, watts)

    def _conclude(self, sample: Sample, at_s: float, minutes: float | None, watts: float | None) -> None:
        """Judge two minutes of discharge, once, then begin the next two."""
        assert self.began_s is not None  # noqa: S101 - set by the first sample of the discharge
        steady = bool(watts and self.watts_0 and abs(watts / self.watts_0 - 1.0) < 0.1)
        if self.minutes_0 is not None and minutes is not None and steady:
            fell_per_minute = (self.minutes_0 - minutes) / (
                at_s - self.began_s
            )  # both in seconds: 1 is right
            if not self.minutes_moved:
                _count(self.tally, "minutes_stuck")
            elif 30.0 <= fell_per_minute <= 120.0:
                _count(self.tally, "minutes_are_seconds")
            else:
                _count(self.tally, "minutes_live")
        if self.charge_0 is not None and steady and (sample.seconds_on_battery or 0) >= 2 * _PATIENT_S:
            _count(self.tally, "charge_live" if self.charge_moved else "charge_stuck")
        self.began_s, self.minutes_0, self.watts_0 = at_s, minutes, watts
        self.minutes_moved = False

    def corrections(self) -> list[Correction]:
        """Return what follows."""
        found, tally = [], self.tally
        stuck, seconds, live = (
            tally.get(k, 0) for k in ("minutes_stuck", "minutes_are_seconds", "minutes_live")
        )
        name = "upsEstimatedMinutesRemaining"
        if seconds > live and seconds >= 2:
            reason = "falls by sixty a minute on battery: seconds, not minutes"
            found.append(Correction(name, DoubtKind.SCALE, reason, factor=1 / 60, evidence=seconds))
        elif stuck >= 2 and stuck > live:
            reason = "stood still while the bank discharged at a steady load"
            found.append(Correction(name, DoubtKind.STUCK, reason, Ruling.NOT_KNOWN, evidence=stuck))
        name = "upsEstimatedChargeRemaining"
        tenths, wild = tally.get("charge_tenths", 0), tally.get("charge_wild", 0)
        charge_stuck = tally.get("charge_stuck", 0)
        if tenths >= ENOUGH and not wild:
            found.append(
                Correction(name, DoubtKind.SCALE, "comes in tenths of a percent", factor=0.1, evidence=tenths)
            )
        elif charge_stuck >= 2 and not tally.get("charge_live", 0):
            reason = "stood still for minutes while the bank discharged"
            found.append(Correction(name, DoubtKind.STUCK, reason, Ruling.NOT_KNOWN, evidence=charge_stuck))
        return found


@dataclass(slots=True)
class BankLearner:
    """All that is learnt of the battery group."""

    voltage: VoltageLearner
    current: CurrentLearner
    temperature: TemperatureLearner
    claims: ClaimsLearner

    @classmethod
    def fresh(cls) -> BankLearner:
        """Return a learner that knows nothing."""
        return cls(VoltageLearner({}), CurrentLearner({}), TemperatureLearner({}), ClaimsLearner({}))

    def observe(self, sample: Sample, declared: Declared, power_factor: float) -> None:
        """Take in one poll; `power_factor` corrects output watts just now."""
        self.voltage.observe(sample, declared)
        volts = next((c.factor for c in self.voltage.corrections(declared)), 1.0)
        self.current.observe(sample, power_factor, volts)
        self.temperature.observe(sample)
        self.claims.observe(sample)

    def corrections(self, declared: Declared) -> list[Correction]:
        """Return what follows for each object."""
        return [
            *self.voltage.corrections(declared),
            *self.current.corrections(),
            *self.temperature.corrections(),
            *self.claims.corrections(),
        ]

    def as_json(self) -> dict[str, Any]:
        """Return what is to be remembered."""
        return asdict(self)

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> BankLearner:
        """Return a learner that remembers."""
        return cls(
            VoltageLearner(**data["voltage"]),
            CurrentLearner(**data["current"]),
            TemperatureLearner(**data["temperature"]),
            ClaimsLearner(**data["claims"]),
        )
