"""What kept wire values mean: the store's view of the decoder, under the correction set each was kept with.

Asked for one value of one object, the answer is affine in the integers it accepts, so that summaries of
integers can be converted as they are. An object whose correction looks at other objects too (battery
current without a sign) has no such answer and is not known there; whole readings know it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from collector.cards.mib.correction_set import GIVEN, STANDARD, CorrectionSet, Ruling
from collector.cards.mib.decode import decode, decode_value
from collector.cards.mib.upsmib import BY_NAME, OBJECTS, Kind
from collector.cards.mib.wire_values import from_kept, safe_text
from collector.storage.history.store import WireReading
from rules.plant.reading import Reading, Silence

_OBJECT_OF: Final[Mapping[str, str]] = {
    f"{item.group}_{item.field}": item.name
    for item in OBJECTS
    if item.group is not None
    and item.kind is not Kind.TEXT
    and item.field not in {"status", "source", "result"}
}

_LOOKS_AT_THE_SOURCE: Final = frozenset({Ruling.MAGNITUDE, Ruling.DIRECTION})

Lookup = Callable[[str], CorrectionSet | None]
"""Finds a correction set by its id; None: no longer known."""


class CardMeaning:
    """See `collector.storage.history.store.Meaning`. `lookup` finds the sets that were ever in force.

    Whoever unlearns a set lets `lookup` answer with what holds instead, and so repairs the past.
    """

    def __init__(self, lookup: Lookup) -> None:
        self._lookup = lookup

    def object_of(self, quantity: str, line: int | None) -> str | None:
        """Return the wire key behind a quantity ("output_power_w", line 1), None if there is none."""
        name = _OBJECT_OF.get(quantity)
        if name is None or BY_NAME[name].column != (line is not None):
            return None
        return name if line is None else f"{name}.{line}"

    def value(self, object_name: str, raw: int | str | bytes | None, corrections: str) -> float | None:
        """Return one value in SI units, None for what says nothing."""
        chosen = self._corrections(corrections)
        known = chosen.by_object.get(object_name.partition(".")[0])
        if raw is None or chosen.stale or (known is not None and known.ruling in _LOOKS_AT_THE_SOURCE):
            return None
        return decode_value(object_name, safe_text(raw) if isinstance(raw, bytes) else raw, chosen)

    def reading(self, record: WireReading) -> Reading | Silence:
        """Return one kept read in SI units: what it held itself, nothing from the reads before it."""
        if record.silence is not None:
            return Silence(record.unit, record.stamp, record.silence)
        state = from_kept(record.wire)
        return decode(record.unit, record.stamp, state, self._corrections(record.corrections))

    def _corrections(self, name: str) -> CorrectionSet:
        if name == STANDARD.id:
            return STANDARD
        if name == GIVEN.id:
            return GIVEN
        return self._lookup(name) or STANDARD
