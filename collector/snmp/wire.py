"""What stood on the wire, kept beside what it was taken to mean.

A `WireReading` is one read of some parts of a card. Its values are named by MIB object and line
(`upsOutputVoltage.2`), as they came: unscaled, uncorrected, sentinels and all. A `WireState` is the
newest of every part. Both are plain values that a store can keep; `collector.snmp.decode` turns a state
into a reading, under whichever corrections are in force at the time of asking.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final

from collector.snmp import ber
from collector.snmp.upsmib import BY_NAME, Kind, MibObject, Part

WireValue = int | float | str
"""An integer as it came; a float or text where the card sent such a thing for a number; or real text."""

LONGEST_TEXT: Final = 255
_CONTROL: Final = re.compile(
    r"[\x00-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff\ufff9-\ufffb]"
)
_NUMBER: Final = re.compile(r"\s*([+-]?\d{1,12})(\.\d{1,6})?\s*[%A-Za-z\u00b0]{0,4}\s*")
_EXPECTED_TAG: Final = {
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
class WireReading:
    """One read of some parts of a card.

    `types`: ASN.1 type seen, only where it is not the standard's. `alarms`: the OIDs in the alarm table,
    None when it was not read. `odd_places`: keys found where the standard does not put them -> the OID.
    """

    parts: frozenset[Part]
    values: Mapping[str, WireValue]
    types: Mapping[str, str] = field(default_factory=dict)
    alarms: tuple[str, ...] | None = None
    missing: tuple[str, ...] = ()
    odd_places: Mapping[str, str] = field(default_factory=dict)
    cost: ReadCost = field(default_factory=ReadCost)


@dataclass(frozen=True, slots=True)
class WireState:
    """The newest of every part of one card, with the time of each."""

    values: Mapping[str, WireValue] = field(default_factory=dict)
    types: Mapping[str, str] = field(default_factory=dict)
    alarms: tuple[str, ...] | None = None
    missing: tuple[str, ...] = ()
    odd_places: Mapping[str, str] = field(default_factory=dict)
    part_at: Mapping[Part, datetime] = field(default_factory=dict)

    def after(self, wire: WireReading, at: datetime) -> WireState:
        """Return the state after a read. Values of the parts read are replaced, absent ones dropped."""
        kept = {key: value for key, value in self.values.items() if part_of(key) not in wire.parts}
        kept.update(wire.values)
        types = self.types
        if types or wire.types:
            types = {key: name for key, name in types.items() if part_of(key) not in wire.parts}
            types.update(wire.types)
        return replace(
            self,
            values=kept,
            types=types,
            alarms=self.alarms if wire.alarms is None else wire.alarms,
            missing=wire.missing,
            odd_places=wire.odd_places,
            part_at={**self.part_at, **dict.fromkeys(wire.parts, at)},
        )


_PART: Final[dict[str, Part]] = {"sysUpTime": Part.LIVE}
for _item in BY_NAME.values():
    if _item.part is not None:
        _PART[_item.name] = _item.part
        for _line in (1, 2, 3) if _item.column else ():
            _PART[f"{_item.name}.{_line}"] = _item.part


def part_of(key: str) -> Part | None:
    """Return the part that a wire key belongs to."""
    return _PART.get(key)


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

    Numbers sent as text come back as numbers (`"230.0"` -> 230.0), unreadable ones as safe text.
    """
    if value is None:
        return None, None
    odd = None if tag == _EXPECTED_TAG[item.kind] else ber.TAG_NAME.get(tag, f"type 0x{tag:02x}")
    if isinstance(value, int) and item.kind is not Kind.TEXT:
        return value, odd
    if item.kind is Kind.TEXT or item.kind is Kind.OID:
        return safe_text(value if isinstance(value, bytes | str) else str(value)), odd
    if isinstance(value, float):
        return (value if abs(value) < 1e12 else safe_text(str(value))), odd or "Opaque"
    return _number_in_text(value, odd or "malformed integer")


def _number_in_text(value: bytes | str | int, odd: str) -> tuple[WireValue, str]:
    text = safe_text(value if isinstance(value, bytes | str) else str(value))
    found = _NUMBER.fullmatch(text) if odd == ber.TAG_NAME[ber.OCTET_STRING] else None
    if found is None:
        return text, odd
    return (
        float(text_number)
        if "." in (text_number := "".join(filter(None, found.groups())))
        else int(text_number)
    ), odd
