"""The agent's clock against what it serves: values that stand still, and agents that began anew.

Measured volts, hertz and amperes are never still for long. When every one of a good number of them repeats
to the last digit for minutes while sysUpTime goes on, the card serves what it once read, and the live part
is stale. How long it takes depends on how much there is that ought to move. A card that refreshes its values
every half minute repeats itself in between; that is no fault.

sysUpTime falling is a restart, unless it stood near 2^32 (a wrap after 497.1 days). Seconds on battery, alarm
rows and counters start afresh with the agent: their fall is no event of the plant.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

from collector.cards.mib.wire_values import WireValue

_COLUMNS: Final = "upsInputVoltage upsInputCurrent upsInputTruePower upsOutputVoltage upsOutputCurrent upsOutputPower".split()
_NOISY: Final = (
    *(f"{name}.{line}" for name in _COLUMNS for line in (1, 2, 3)),
    "upsBatteryVoltage",
    "upsOutputFrequency",
    "upsInputFrequency.1",
)
# Whole volts and tenths of a hertz can rest on a stiff supply; of these, with a hundred steps, one always moves.
_RESTLESS: Final = tuple(
    key for key in _NOISY if "Current" in key or "Power" in key or key == "upsBatteryVoltage"
)
_FINE: Final = 100
_POLLS: Final = 20
_FEW, _MANY = 4, 8
_FEW_S, _MANY_S = 1800.0, 300.0
_WRAP_TICKS: Final = 2**32
_WRAP_MARGIN_TICKS: Final = 100 * 3600


@dataclass(slots=True)
class ClockLearner:
    """Watches for standstill and restarts. `restarts` counts those seen; `since_s` is when values last moved."""

    last: tuple[WireValue | None, ...] = ()
    since_s: float = 0.0
    now_s: float = 0.0
    polls: int = 0
    uptime_ticks: int | None = None
    ticks_at_standstill: int | None = None
    restarts: int = 0
    restarted: bool = False
    wrapped: bool = False
    _values: Mapping[str, WireValue] = field(default_factory=dict, repr=False, compare=False)

    def observe(self, values: Mapping[str, WireValue], at: datetime) -> None:
        """Take in one poll, as it came."""
        ticks = values.get("sysUpTime")
        uptime_ticks = ticks if isinstance(ticks, int) else None
        self._uptime(uptime_ticks)
        now = tuple(map(values.get, _NOISY))
        self.now_s = at.timestamp()
        if now != self.last:
            self.last, self.since_s, self.polls = now, self.now_s, 0
            self.ticks_at_standstill = uptime_ticks
        self.polls += 1
        self._values = values

    def _uptime(self, ticks: int | None) -> None:
        before, self.restarted, self.wrapped = self.uptime_ticks, False, False
        if ticks is None:
            return
        self.uptime_ticks = ticks
        if before is not None and ticks < before:
            if before > _WRAP_TICKS - _WRAP_MARGIN_TICKS and ticks < _WRAP_MARGIN_TICKS:
                self.wrapped = True
            else:
                self.restarted = True
                self.restarts += 1

    @property
    def stale(self) -> str | None:
        """Return why the live part counts for nothing just now, or None."""
        if self.polls < _POLLS:
            return None
        moving = fine_values(self._values)
        if moving < _FEW:
            return None
        if self.uptime_ticks is None or self.ticks_at_standstill is None:
            return None
        if self.uptime_ticks <= self.ticks_at_standstill:
            return None  # the agent's clock stands too: nothing to compare with
        still_s = self.now_s - self.since_s
        if still_s < (_MANY_S if moving >= _MANY else _FEW_S):
            return None
        return (
            f"{moving} measured values have repeated to the last digit for {still_s / 60:.0f} minutes and more "
            "while the card's clock went on: it serves old readings"
        )

    def as_json(self) -> dict[str, Any]:
        """Return what is to be remembered: the uptime and the restarts; standstill is found again."""
        return {"uptime_ticks": self.uptime_ticks, "restarts": self.restarts}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> ClockLearner:
        """Return a learner that remembers."""
        return cls(uptime_ticks=data["uptime_ticks"], restarts=int(data["restarts"]))


def fine_values(values: Mapping[str, WireValue]) -> int:
    """Return how many restless values stand on the wire with a hundred steps or more."""
    return sum(isinstance(raw := values.get(key), int) and raw >= _FINE for key in _RESTLESS)
