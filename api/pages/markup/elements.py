"""Markup as a tree of values: text is escaped because it is text, wherever it came from.

A page is built from `Element`s and strings. There is no raw markup, no way to give one, and no style or
event attribute: the Content-Security-Policy forbids them and `el` refuses them. An element marked `live`
is replaced by the live stream, whole, under its id.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Final, TypeAlias

VOID: Final = frozenset({"meta", "link", "br", "input", "hr", "col"})
BARE: Final = frozenset({"path", "line", "rect", "circle"})
"""What a drawing has most of closes itself, as foreign elements may: a fifth of what a row's drawing weighs."""
TAG: Final = re.compile(r"[a-zA-Z][a-zA-Z0-9-]*\Z")
CONTROL: Final = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")
"""Characters no text needs: controls, and the marks that turn reading order about. RFC 1628 cards may send any."""

PLAIN: Final = re.compile(r"[\w .,:;%#()/+-]*")
"""Most texts are of these characters only, and need no look at each."""

ESCAPES: Final = str.maketrans({"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "'": "&#39;"})

Attribute: TypeAlias = str | float | bool | None


@dataclass(frozen=True, slots=True)
class Element:
    """One element: its tag, its attributes in order, what stands in it. `written` keeps its inside once it is markup."""

    tag: str
    attributes: tuple[tuple[str, str], ...]
    children: tuple[Node, ...]
    live: bool = False
    written: list[str] | None = field(default=None, compare=False, repr=False)

    def attribute(self, name: str) -> str | None:
        """Return an attribute's value, or None."""
        return next((value for key, value in self.attributes if key == name), None)


Node: TypeAlias = Element | str
Nodes: TypeAlias = Node | Sequence["Nodes"] | None


def escape(text: str) -> str:
    """Return text as it may stand between tags or in a quoted attribute (HTML Living Standard 13.1.2)."""
    if PLAIN.fullmatch(text):
        return text
    return CONTROL.sub("\ufffd", text).translate(ESCAPES)


def el(tag: str, *children: Nodes, live: bool = False, **attributes: Attribute) -> Element:
    """Return an element. An underscore in an attribute's name stands for a hyphen, one at its end for nothing.

    None and False leave an attribute out, True gives it no value. Raises ValueError for a tag or attribute
    that the Content-Security-Policy would have to forbid.
    """
    if not TAG.match(tag) or (tag in {"script", "style"} and children):
        raise ValueError(f"tag: want a plain element; got {tag!r}")
    pairs = tuple(
        (_name(key), _value(value))
        for key, value in attributes.items()
        if value is not None and value is not False
    )
    if live and not any(key == "id" for key, _ in pairs):
        raise ValueError("a live element wants an id")
    return Element(tag, pairs, tuple(_flat(children)), live)


def render(node: Node) -> str:
    """Return the markup of a tree."""
    out: list[str] = []
    _write(node, out)
    return "".join(out)


def kept(element: Element) -> Element:
    """Return an element that is written once, however often it is shown: for what many sheets have alike."""
    return replace(element, written=[])


def inner(element: Element) -> str:
    """Return the markup of what stands in an element."""
    if element.written is None:
        return "".join(render(child) for child in element.children)
    if not element.written:
        element.written.append("".join(render(child) for child in element.children))
    return element.written[0]


def live_parts(node: Node) -> Iterator[Element]:
    """Yield the outermost live elements of a tree, in reading order."""
    if isinstance(node, str):
        return
    if node.live:
        yield node
        return
    for child in node.children:
        yield from live_parts(child)


def skeleton(node: Node) -> str:
    """Return the markup of a tree with its live elements emptied: what the live stream cannot replace."""
    return render(_emptied(node))


def number(value: float) -> str:
    """Return a coordinate with at most two decimals."""
    return f"{value:.2f}".rstrip("0").rstrip(".") if value % 1 else str(int(value))


def _emptied(node: Node) -> Node:
    if isinstance(node, str):
        return node
    inside = () if node.live else tuple(_emptied(child) for child in node.children)
    return Element(node.tag, node.attributes, inside, node.live)


@lru_cache(maxsize=512)
def _name(key: str) -> str:
    name = key.rstrip("_").replace("_", "-")
    if name == "style" or name.lower().startswith("on"):
        raise ValueError(f"attribute: want none that holds style or script; got {name!r}")
    return name


def _value(value: Attribute) -> str:
    if value is True:
        return ""
    return value if isinstance(value, str) else number(value or 0.0)


def _flat(nodes: Iterable[Nodes]) -> Iterator[Node]:
    for node in nodes:
        if isinstance(node, str | Element):
            yield node
        elif node is not None:
            yield from _flat(node)


def _write(node: Node, out: list[str]) -> None:
    if isinstance(node, str):
        out.append(escape(node))
        return
    out.append(f"<{node.tag}")
    for key, value in node.attributes:
        out.append(f' {key}="{escape(value)}"' if value else f" {key}")
    if node.tag in BARE and not node.children:
        out.append("/>")
        return
    out.append(">")
    if node.tag in VOID:
        return
    if node.written is not None:
        out.append(inner(node))
    else:
        for child in node.children:
            _write(child, out)
    out.append(f"</{node.tag}>")
