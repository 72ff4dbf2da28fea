"""Readings as InfluxDB's line protocol, and back from what InfluxQL gives.

One measurement, `reading`, with the tags `unit` and `corrections`. An integer stands in a field named for
its object; other forms carry a mark before the name, since a field has one type for ever:

    "r:" an integer that said nothing (a sentinel) under the corrections in force
    "t:" a text, "b:" bytes in hex, "x:" an integer beyond 64 bits; each as a string
    "v:" the number, in its unit, that a text or such an integer meant
    "n:" asked for but not there
    "@"  what belongs to the poll
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final

from collector.storage.history.columns import milliseconds, moment
from collector.storage.history.store import Meaning, Wire, WireReading
from rules.plant.reading import Stamp

MEASUREMENT: Final = "reading"
_LARGEST: Final = 2**63
_ESCAPED_KEY: Final = str.maketrans({",": "\\,", "=": "\\=", " ": "\\ ", "\n": "_", "\r": "_"})


def field(name: str) -> str:
    """Return a name as InfluxQL wants it."""
    escaped = name.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def literal(text: str) -> str:
    """Return a text as InfluxQL wants it."""
    escaped = text.replace("\\", "\\\\").replace("'", "\\'")
    return f"'{escaped}'"


def between(unit: str, start_ms: int, end_ms: int) -> str:
    """Return the condition for a unit's points from `start_ms` to `end_ms` (excluded)."""
    return f"unit = {literal(unit)} AND time >= {start_ms}ms AND time < {end_ms}ms"


def key(text: str) -> str:
    """Return a tag or a field's name as the line protocol wants it."""
    return text.translate(_ESCAPED_KEY)


def string(text: str) -> str:
    """Return a field's text as the line protocol wants it: JSON within a string, so any text survives."""
    plain = json.dumps(text)  # ASCII, whatever the text
    return '"' + plain.replace("\\", "\\\\").replace('"', '\\"') + '"'


def line_of(reading: WireReading, meaning: Meaning) -> str:
    """Return a reading in InfluxDB's line protocol, time in milliseconds."""
    at_ms = milliseconds(reading.stamp.at)
    fields = [
        f"@period={round(reading.period_s * 1000)}i",
        f"@offset={at_ms - round(reading.stamp.monotonic_s * 1000)}i",
        f"@start={string(reading.stamp.start_id)}",
    ]
    if reading.silence is not None:
        fields.append(f"@silence={string(reading.silence)}")
    for name, value in reading.wire.items():
        fields += _fields(name, value, reading.corrections, meaning)
    tags = f"unit={key(reading.unit)}"
    if reading.corrections:
        tags += f",corrections={key(reading.corrections)}"
    return f"{MEASUREMENT},{tags} {','.join(fields)} {at_ms}"


def _fields(name: str, value: Wire, corrections: str, meaning: Meaning) -> Iterator[str]:
    place = key(name)
    if value is None:
        yield f"n:{place}=0i"
        return
    meant = meaning.value(name, value, corrections)
    if isinstance(value, int) and -_LARGEST <= value < _LARGEST:
        yield f"{place}={value}i" if meant is not None else f"r:{place}={value}i"
        return
    if isinstance(value, int):
        yield f"x:{place}={string(str(value))}"
    elif isinstance(value, str):
        yield f"t:{place}={string(value)}"
    else:
        yield f"b:{place}={string(value.hex())}"
    if meant is not None:
        yield f"v:{place}={meant!r}"


_READ: Final[Mapping[str, Callable[[Any], Wire]]] = {
    "t:": json.loads,
    "b:": lambda text: bytes.fromhex(json.loads(text)),
    "x:": lambda text: int(json.loads(text)),
    "n:": lambda _: None,
    "r:": lambda value: value,
}


def readings_in(unit: str, found: Sequence[Mapping[str, Any]]) -> Iterator[WireReading]:
    """Yield the readings in what InfluxQL gave, in its order."""
    for part in found:
        for row in part["values"]:
            cells = {n: v for n, v in zip(part["columns"], row, strict=True) if v is not None}
            cells.pop("unit", None)
            yield _reading(unit, cells)


def _reading(unit: str, cells: dict[str, Any]) -> WireReading:
    at_ms = int(cells.pop("time"))
    silence = cells.pop("@silence", None)
    corrections = str(cells.pop("corrections", ""))
    start, offset, period = (cells.pop(name) for name in ("@start", "@offset", "@period"))
    return WireReading(
        unit=unit,
        stamp=Stamp(moment(at_ms), (at_ms - int(offset)) / 1000, json.loads(start)),
        period_s=int(period) / 1000,
        corrections=corrections,
        wire=dict(_wire(cells)),
        silence=None if silence is None else json.loads(silence),
    )


_KEY: Final = r"((?:\\[,= ]|[^,= ])+)"
_LINE: Final = re.compile(r"[^, ]+((?:,(?:\\[,= ]|[^ ])+)?) (.*) (-?\d+)")
_TAG: Final = re.compile(f"{_KEY}={_KEY}")
_FIELD: Final = re.compile(_KEY + r'=(?:"((?:\\.|[^"\\])*)"|([^,]+))')


def reading_in_line(line: str) -> WireReading:
    """Return the reading that `line_of` wrote. Raises ValueError for anything else."""
    whole = _LINE.fullmatch(line)
    if whole is None:
        raise ValueError(f"no line of a reading: {line[:80]!r}")
    tags, fields, at = whole.groups()
    cells: dict[str, Any] = {_plain_key(name): _plain_key(value) for name, value in _TAG.findall(tags)}
    for name, text, number in _FIELD.findall(fields):
        if number:
            cells[_plain_key(name)] = int(number[:-1]) if number.endswith("i") else float(number)
        else:
            cells[_plain_key(name)] = re.sub(r'\\(["\\])', r"\1", text)
    return _reading(cells.pop("unit"), cells | {"time": at})


def _plain_key(text: str) -> str:
    return re.sub(r"\\([,= ])", r"\1", text)


def _wire(cells: Mapping[str, Any]) -> Iterator[tuple[str, Wire]]:
    for name, value in cells.items():
        read = _READ.get(name[:2])
        if name.startswith("v:"):
            continue
        if read is None:
            yield name, value
        else:
            yield name[2:], read(value)
