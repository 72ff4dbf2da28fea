"""Each figure of a unit or a system by itself, for clients of a broker that take no JSON: its text below `value/`.

`value/unit/W1/output/lines/2/voltage_v` holds `230.1`. The names are those of the JSON beside it, of a list the `id`, `unit`
or `line` of its items, else their number from 1 on. What is not known is taken back. A value goes out when it is another,
and again before it would expire.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final
from urllib.parse import quote

RENEWED_S: Final = 20.0
"""A value that stays is sent again after so long: a third of the time after which nobody may take it for fresh."""
LONGEST: Final = 100
"""Characters of a word that is a value; what is longer is a sentence, and stands in the JSON."""
_NAMED_BY: Final = ("id", "unit", "line")


def single_values(data: Mapping[str, object]) -> dict[str, str]:
    """Return the text of each figure and word, by the path to it; "" for what is not known."""
    return dict(_values(data, ""))


def _values(value: object, path: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, Mapping):
        for name, inner in value.items():
            yield from _values(inner, f"{path}/{quote(str(name), safe=':._-')}")
    elif isinstance(value, Sequence) and not isinstance(value, str):
        for number, inner in enumerate(value, 1):
            yield from _values(inner, f"{path}/{_name_of(inner, number)}")
    elif value is None:
        yield path[1:], ""
    elif isinstance(value, bool):
        yield path[1:], "true" if value else "false"
    elif isinstance(value, int | float):
        yield path[1:], f"{value:.10g}"
    elif isinstance(value, str) and len(value) <= LONGEST:
        yield path[1:], value


def _name_of(item: object, number: int) -> str:
    if isinstance(item, Mapping):
        for key in _NAMED_BY:
            if isinstance(item.get(key), str | int):
                return quote(str(item[key]), safe=":._-")
    return str(number)


class SingleValues:
    """What was published of each thing, so that only what is another, or grows old, goes out again."""

    def __init__(self) -> None:
        self._sent: dict[str, dict[str, tuple[str, float]]] = {}

    def due(self, thing: str, data: Mapping[str, object], now_s: float) -> dict[str, str]:
        """Return what is to be published now of a thing, by topic; "" takes a value back."""
        sent, now = self._sent.setdefault(thing, {}), single_values(data)
        found: dict[str, str] = {}
        for path, text in now.items():
            before = sent.get(path)
            stale = before is not None and text != "" and now_s - before[1] >= RENEWED_S
            if (before is None and text != "") or (before is not None and before[0] != text) or stale:
                found[path] = text
        found |= {path: "" for path, (text, _) in sent.items() if path not in now and text != ""}
        for path, text in found.items():
            sent[path] = text, now_s
        return {f"value/{thing}/{path}": text for path, text in found.items()}

    def forget(self) -> None:
        """Publish all of it again: the broker may have lost it."""
        self._sent.clear()
