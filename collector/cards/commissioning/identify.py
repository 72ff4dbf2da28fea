"""Which cabinet is this card? Proof at the cabinet, kept with who and when.

Two proofs. A person changes something at one cabinet (starts its battery test, say) and the card that moves is that
cabinet's. And a person reads the panel or a clamp meter, and each value is compared with the card's. What was
read in watts also decides between scales that the card's own values leave open.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any, Final

from collector.cards.corrections.knowledge import CardKnowledge
from collector.cards.corrections.sample import NOTHING_DECLARED, Declared
from rules.plant.reading import Reading


class Match(StrEnum):
    """How a value read at the cabinet compares with the card's."""

    AGREES = "agrees"
    DIFFERS = "differs"
    CANNOT_TELL = "cannot_tell"


class Proof(StrEnum):
    """What a confirmation came to."""

    CONFIRMED = "confirmed"
    REFUTED = "refuted"
    CANNOT_TELL = "cannot_tell"


@dataclass(frozen=True, slots=True)
class PanelValue:
    """One value read at the cabinet: a quantity as history names it ("output_power_w"), its line if it has one."""

    quantity: str
    value: float
    line: int | None = None


@dataclass(frozen=True, slots=True)
class Comparison:
    """A value read at the cabinet beside the card's. `ratio` of card to panel hints at a scale."""

    quantity: str
    line: int | None
    panel: float
    card: float | None
    match: Match
    ratio: float | None


# (share of the value, and at least so much): panels and clamp meters round, and are read some seconds apart
_TOLERANCE: Final[Mapping[str, tuple[float, float]]] = {
    "v": (0.02, 1.5),
    "a": (0.07, 0.7),
    "w": (0.07, 150.0),
    "hz": (0.004, 0.15),
    "pct": (0.0, 4.0),
    "c": (0.0, 3.0),
    "s": (0.1, 60.0),
    "va": (0.02, 100.0),
}
_GROUPS: Final = ("battery", "input", "output", "bypass", "nameplate")
QUANTITIES: Final = (
    "output_power_w",
    "output_voltage_v",
    "output_current_a",
    "output_load_pct",
    "input_voltage_v",
    "input_current_a",
    "battery_voltage_v",
    "battery_current_a",
    "battery_temperature_c",
)
"""What a panel or a clamp meter shows, in the order a person would read it."""


def compare(reading: Reading, panel: Sequence[PanelValue]) -> tuple[Comparison, ...]:
    """Return each value read at the cabinet beside the card's. Raises ValueError for an unknown quantity.

    `output_power_w` without a line is the total.
    """
    found = []
    for item in panel:
        card = _card_value(reading, item)
        ratio = None if card is None or item.value == 0 else card / item.value
        found.append(Comparison(item.quantity, item.line, item.value, card, _match(item, card), ratio))
    return tuple(found)


def _match(item: PanelValue, card: float | None) -> Match:
    if card is None:
        return Match.CANNOT_TELL
    share, least = _TOLERANCE[item.quantity.rpartition("_")[2]]
    off = abs(card - item.value)
    return Match.AGREES if off <= max(share * abs(item.value), least) else Match.DIFFERS


def _card_value(reading: Reading, item: PanelValue) -> float | None:
    group_name, _, field = item.quantity.partition("_")
    if group_name not in _GROUPS or item.quantity.rpartition("_")[2] not in _TOLERANCE:
        raise ValueError(f"no reading holds {item.quantity!r}")
    if item.quantity == "output_power_w" and item.line is None:
        return reading.output.power_w
    group = getattr(reading, group_name)
    if group is None:
        return None
    if item.line is not None:
        rows = [row for row in getattr(group, "lines", ()) if row.line == item.line]
        if not rows:
            return None
        group = rows[0]
    if not hasattr(group, field):
        raise ValueError(f"no reading holds {item.quantity!r}" + (" of a line" if item.line else ""))
    value = getattr(group, field)
    return float(value) if isinstance(value, int | float) else None


@dataclass(frozen=True, slots=True)
class Movement:
    """How much one card moved between two readings: a score without a unit, and what moved."""

    card: str
    score: float
    what: tuple[str, ...]


CLEARLY: Final = 3.0


def movements(before: Mapping[str, Reading], after: Mapping[str, Reading]) -> tuple[Movement, ...]:
    """Return the cards by how much they moved, the most first."""
    found = [_movement(card, before[card], after[card]) for card in before if card in after]
    return tuple(sorted(found, key=lambda m: -m.score))


def the_one_that_moved(moved: Sequence[Movement]) -> str | None:
    """Return the card that clearly moved, None where none did or several did alike."""
    if not moved or moved[0].score < CLEARLY:
        return None
    if len(moved) > 1 and moved[1].score > 0.5 * moved[0].score:
        return None
    return moved[0].card


def _movement(card: str, before: Reading, after: Reading) -> Movement:
    score, what = 0.0, []
    if before.output.source is not after.output.source:
        score += 10.0
        what.append(f"source {before.output.source} -> {after.output.source}")
    if before.test.result is not after.test.result:
        score += 5.0
        what.append(f"test {before.test.result} -> {after.test.result}")
    now = set(after.card_alarms or ()) ^ set(before.card_alarms or ())
    if now:
        score += 2.0 * len(now)
        what.append(f"alarms {', '.join(sorted(now))}")
    for name, old, new, step in (
        (
            "output W",
            before.output.power_w,
            after.output.power_w,
            0.05 * (before.output.power_w or 0) + 100.0,
        ),
        (
            "battery V",
            before.battery.voltage_v,
            after.battery.voltage_v,
            0.01 * (before.battery.voltage_v or 0) + 1.0,
        ),
        ("battery A", before.battery.current_a, after.battery.current_a, 1.0),
    ):
        if old is not None and new is not None and abs(new - old) > step:
            score += min(abs(new - old) / step, 5.0)
            what.append(f"{name} {old:g} -> {new:g}")
    return Movement(card, score, tuple(what))


@dataclass(frozen=True, slots=True)
class Confirmation:
    """The result, to be kept: which unit, which card, who stood there, when, and what it came to."""

    unit: str
    card: str
    who: str
    at: datetime
    proof: Proof
    because: tuple[str, ...]
    comparisons: tuple[Comparison, ...] = ()
    moved: str | None = None

    def as_json(self) -> dict[str, Any]:
        """Return a plain structure for the ledger."""
        return {**asdict(self), "at": self.at.isoformat()}


def conclude(
    unit: str,
    card: str,
    who: str,
    at: datetime,
    *,
    comparisons: Sequence[Comparison] = (),
    moved: Sequence[Movement] | None = None,
) -> Confirmation:
    """Return what the proofs come to. `moved` None: nothing was changed at the cabinet.

    A card that moved when its cabinet was touched is confirmed, another one that moved refutes it. Without that, three
    values and more that agree, in two quantities and none that differs, confirm it only as far as they tell apart
    cabinets that show alike; so the reason says so.
    """
    because: list[str] = []
    proof = Proof.CANNOT_TELL
    mover = None if moved is None else the_one_that_moved(moved)
    agree = [c for c in comparisons if c.match is Match.AGREES]
    differ = [c for c in comparisons if c.match is Match.DIFFERS]
    if moved is not None and mover is None:
        because.append("no card moved clearly more than the others")
    elif mover == card:
        proof = Proof.CONFIRMED
        because.append(f"card {card} moved when {unit} was touched, and no other did")
    elif mover is not None:
        proof = Proof.REFUTED
        because.append(f"card {mover} moved when {unit} was touched, not {card}")
    for c in differ:
        line = f" line {c.line}" if c.line else ""
        because.append(f"{c.quantity}{line}: panel {c.panel:g}, card {c.card:g}")
    if agree:
        because.append(f"{len(agree)} of {len(comparisons)} values read at the cabinet agree")
    if (
        proof is Proof.CANNOT_TELL
        and not differ
        and len(agree) >= 3
        and len({c.quantity for c in agree}) >= 2
    ):
        proof = Proof.CONFIRMED
        because.append("by values alone: a neighbour with the same load would agree too")
    if proof is Proof.CANNOT_TELL and len(differ) > len(agree):
        proof = Proof.REFUTED
    return Confirmation(unit, card, who, at, proof, tuple(because), tuple(comparisons), mover)


def teach(known: CardKnowledge, panel: Sequence[PanelValue], declared: Declared = NOTHING_DECLARED) -> bool:
    """Let values read at the cabinet decide between scales; return whether there was anything to learn from.

    The total output watts decide; where only lines were read, all lines' sum.
    """
    totals = [item.value for item in panel if item.quantity == "output_power_w" and item.line is None]
    lines = {item.line: item.value for item in panel if item.quantity == "output_power_w" and item.line}
    if not totals and len(lines) >= (declared.output_lines or 3):
        totals = [sum(lines.values())]
    if not totals or totals[0] <= 0:
        return False
    known.told_total(totals[0], declared)
    return True
