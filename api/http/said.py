"""What people say to the service: a name and a note, as text that can be shown, sent and printed anywhere.

Letters, marks, digits, signs and spaces of any script; no line breaks and control characters, no direction marks that
would turn the text around it, nothing that is no character.
"""

from __future__ import annotations

import argparse
import unicodedata
from typing import Annotated, Final

from pydantic import AfterValidator, StringConstraints

LONGEST_NAME: Final = 80
LONGEST_NOTE: Final = 500
_JOINERS: Final = frozenset("\u200c\u200d")  # letters of some scripts are joined and parted with them


def printable(text: str) -> str:
    """Return a text as it is. Raises ValueError for a character that cannot be printed."""
    for character in text:
        kind = unicodedata.category(character)
        if character not in _JOINERS and kind != "Zs" and kind[0] not in "LMNPS":
            raise ValueError(f"want printable text in one line; got the character U+{ord(character):04X}")
    return text


Name = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=1, max_length=LONGEST_NAME),
    AfterValidator(printable),
]
"""A person's name, or what stands for it."""
Note = Annotated[
    str, StringConstraints(strip_whitespace=True, max_length=LONGEST_NOTE), AfterValidator(printable)
]
"""A remark; may be empty."""


def name(text: str) -> str:
    """Return a person's name from the command line."""
    return _argument(text, 1, LONGEST_NAME)


def note(text: str) -> str:
    """Return a remark from the command line."""
    return _argument(text, 0, LONGEST_NOTE)


def _argument(text: str, least: int, most: int) -> str:
    found = text.strip()
    if not least <= len(found) <= most:
        raise argparse.ArgumentTypeError(f"want {least} to {most} characters; got {len(found)}")
    try:
        return printable(found)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
