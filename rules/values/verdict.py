"""The answers to every question, and what a figure rests on. Names are those of the HTTP interface."""

from __future__ import annotations

from enum import StrEnum


class Verdict(StrEnum):
    """The only three answers."""

    ADEQUATE = "adequate"
    INADEQUATE = "inadequate"
    CANNOT_TELL = "cannot_tell"


class Basis(StrEnum):
    """What a hold-up time or a capacity rests on, best first."""

    TESTED = "tested"
    TABLE = "table"
    GENERIC = "generic"
    NONE = "none"


class EndedBy(StrEnum):
    """What ends a hold-up."""

    BANK = "bank"
    OVERLOAD = "overload"


class EndKnown(StrEnum):
    """How well the end of a running discharge is known: half its 90 % interval beside the time left (`HALF_WIDTHS`)."""

    CLOSELY = "closely"
    FAIRLY = "fairly"
    ROUGHLY = "roughly"
    HARDLY = "hardly"
