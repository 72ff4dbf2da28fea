"""What stood on the wire, kept beside what it was taken to mean.

A `CardRead` is one read of some parts of a card. Its values are named by MIB object and line
(`upsOutputVoltage.2`), as they came: unscaled, uncorrected, sentinels and all. A `WireState` is the
newest of every part. Both are plain values that a store can keep; `collector.cards.mib.decode` turns a state
into a reading, under whichever corrections are in force at the time of asking.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from typing import Final

from collector.cards.mib.upsmib import BY_NAME, Kind, MibObject, TablePart
from collector.cards.snmp import ber

WireValue = int | str
"""An integer as it came, or text: real text, or what a card sent where a number belongs."""

LONGEST_TEXT: Final = 255
_CONTROL: Final = re.compile(
    r"[\x00-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff\ufff9-\ufffb]"
)
_NUMBER: Final = re.compile(r"\s*([+-]?\d{1,12})(\.\d{0,6})?(e[+-]?\d{1,2})?\s*[%A-Za-z\u00b0]{0,4}\s*")
EXPECTED_TAG: Final = {
    Kind.INTEGER: ber.INTEGER,
    Kind.GAUGE: ber.GAUGE32,
    Kind.COUNTER: ber.COUNTER32,
    Kind.TICKS: ber.TIME_TICKS,
    Kind.TEXT: ber.OCTET_STRING,
    Kind.OID: ber.OBJECT_ID,
}


@dataclass(frozen=True, slots=True)
class ReadCost:
    """What a read took: seconds, requests sent in all, those that were second tries, octets both ways."""

    duration_s: float = 0.0
    requests: int = 0
    retries: int = 0
    octets_out: int = 0
    octets_in: int = 0


@dataclass(frozen=True, slots=True)
class CardRead:
    """One read of some parts of a card.

    `types`: ASN.1 type seen, only where it is not the standard's. `alarms`: the OIDs in the alarm table,
    None when it was not read. `odd_places`: keys found where the standard does not put them -> the OID.
    `engine_id`: of SNMPv3, in hexadecimal. `number`: of this read, where it is known what the next one moves; `since`: that
    of the read from whose values these differ in the keys `moved` alone; 0: not known.
    """

    parts: frozenset[TablePart]
    values: Mapping[str, WireValue]
    types: Mapping[str, str] = field(default_factory=dict)
    alarms: tuple[str, ...] | None = None
    missing: tuple[str, ...] = ()
    odd_places: Mapping[str, str] = field(default_factory=dict)
    cost: ReadCost = field(default_factory=ReadCost)
    engine_id: str | None = None
    number: int = field(default=0, compare=False)
    since: int = field(default=0, compare=False)
    moved: tuple[str, ...] = field(default=(), compare=False)


@dataclass(frozen=True, slots=True)
class WireState:
    """The newest of every part of one card, with the time of each. `number`, `since`, `moved`: as those of the last read."""

    values: Mapping[str, WireValue] = field(default_factory=dict)
    types: Mapping[str, str] = field(default_factory=dict)
    alarms: tuple[str, ...] | None = None
    missing: tuple[str, ...] = ()
    odd_places: Mapping[str, str] = field(default_factory=dict)
    part_at: Mapping[TablePart, datetime] = field(default_factory=dict)
    engine_id: str | None = None
    number: int = field(default=0, compare=False)
    since: int = field(default=0, compare=False)
    moved: tuple[str, ...] = field(default=(), compare=False)

    def after(self, wire: CardRead, at: datetime) -> WireState:
        """Return the state after a read. Values of the parts read are replaced, absent ones dropped."""
        if wire.since and wire.since == self.number:
            return self._moved(wire, at)
        values = self.values
        kept = {key: values[key] for key in _of_other_parts(tuple(values), wire.parts)}
        kept.update(wire.values)
        types = self.types
        if types or wire.types:
            types = {key: name for key, name in types.items() if part_of(key) not in wire.parts}
            types.update(wire.types)
        return WireState(
            values=kept,
            types=types,
            alarms=self.alarms if wire.alarms is None else wire.alarms,
            missing=wire.missing,
            odd_places=wire.odd_places,
            engine_id=wire.engine_id or self.engine_id,
            part_at={**self.part_at, **dict.fromkeys(wire.parts, at)},
            number=wire.number,
        )

    def _moved(self, wire: CardRead, at: datetime) -> WireState:
        """Return the state after a read that moved a few values of the last one."""
        came = wire.values
        return WireState(
            values={**self.values, **{key: came[key] for key in wire.moved}},
            types=self.types,
            alarms=self.alarms if wire.alarms is None else wire.alarms,
            missing=wire.missing,
            odd_places=wire.odd_places,
            engine_id=wire.engine_id or self.engine_id,
            part_at={**self.part_at, **dict.fromkeys(wire.parts, at)},
            number=wire.number,
            since=wire.since,
            moved=wire.moved,
        )


_PART: Final[dict[str, TablePart]] = {"sysUpTime": TablePart.LIVE}
for _item in BY_NAME.values():
    if _item.part is not None:
        _PART[_item.name] = _item.part
        for _line in (1, 2, 3) if _item.column else ():
            _PART[f"{_item.name}.{_line}"] = _item.part


def part_of(key: str) -> TablePart | None:
    """Return the part that a wire key belongs to."""
    return _PART.get(key)


@lru_cache(maxsize=1024)
def _of_other_parts(keys: tuple[str, ...], parts: frozenset[TablePart]) -> tuple[str, ...]:
    """Return the keys that belong to none of some parts; alike cards have the same keys."""
    return tuple(key for key in keys if part_of(key) not in parts)


def safe_text(raw: bytes | str) -> str:
    """Return text that is safe to keep: control and invisible characters replaced, at most 255 characters.

    Trailing NULs and blanks go. Octets that are not UTF-8 are taken as Latin-1, which never fails.
    Escaping for a page, a message or a spreadsheet is left to whoever writes one.
    """
    if isinstance(raw, bytes):
        raw = raw[: 4 * LONGEST_TEXT].rstrip(b"\x00 \r\n\t")
        try:
            text = raw.decode("utf-8")
        except UnicodeDecodeError:
            text = raw.decode("latin-1")
    else:
        text = raw
    return _CONTROL.sub("\N{REPLACEMENT CHARACTER}", text)[:LONGEST_TEXT]


def wire_value(item: MibObject, tag: int, value: ber.Value) -> tuple[WireValue | None, str | None]:
    """Return a value as we keep it, and the ASN.1 type if it is not the one the standard gives.

    Numbers sent as text or as floats are kept as text, as they came; `number_in_text` reads them.
    """
    if value is None:
        return None, None
    odd = None if tag == EXPECTED_TAG[item.kind] else ber.TAG_NAME.get(tag, f"type 0x{tag:02x}")
    if isinstance(value, int) and item.kind is not Kind.TEXT:
        return value, odd
    if item.kind is Kind.TEXT or item.kind is Kind.OID:
        return safe_text(value if isinstance(value, bytes | str) else str(value)), odd
    if isinstance(value, float):
        return f"{value:.6g}", odd
    return safe_text(value if isinstance(value, bytes | str) else str(value)), odd or "malformed integer"


def number_in_text(text: str) -> float | None:
    """Return the number that a card wrote as text ("230.0", " 54 V"), or None if there is none."""
    found = _NUMBER.fullmatch(text)
    return None if found is None else float("".join(filter(None, found.groups())))


ALARMS_KEY: Final = "upsAlarmDescr"


def as_kept(read: CardRead) -> dict[str, WireValue | None]:
    """Return one read as a store keeps it: its values and the alarm table.

    The table stands under `upsAlarmDescr` as one text, the OIDs with blanks between.
    """
    kept: dict[str, WireValue | None] = dict(read.values)
    if read.alarms is not None:
        kept[ALARMS_KEY] = " ".join(read.alarms)
    return kept


def from_kept(kept: Mapping[str, object]) -> WireState:
    """Return the state that one kept read shows by itself."""
    values: dict[str, WireValue] = {}
    for key, value in kept.items():
        if key in _PART and isinstance(value, int | str):
            values[key] = value
        elif key in _PART and isinstance(value, bytes):
            values[key] = safe_text(value)
    table = kept.get(ALARMS_KEY)
    return WireState(values=values, alarms=tuple(table.split()) if isinstance(table, str) else None)
