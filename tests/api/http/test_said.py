"""Names and notes: text that can be shown, sent and printed anywhere."""

from __future__ import annotations

import argparse

import pytest
from pydantic import TypeAdapter, ValidationError

from api.http import said
from api.http.said import LONGEST_NAME, LONGEST_NOTE, Name, Note

NAME: TypeAdapter[str] = TypeAdapter(Name)
NOTE: TypeAdapter[str] = TypeAdapter(Note)


@pytest.mark.parametrize(
    "text",
    [
        "R. Haugen",
        "Åse Ødegård",
        "李雷",
        "نگه‌بان",
        "Permit 12/7 – bank 3 (240 × 2 V)",
        "a\u00a0b",
        "x" * LONGEST_NAME,
    ],
)
def test_any_script_is_a_name(text: str) -> None:
    assert NAME.validate_python(text) == text
    assert said.name(text) == text


@pytest.mark.parametrize(
    "character",
    ["\n", "\r", "\t", "\0", "\x1b", "\x7f", "\x85", "\u2028", "\u202e", "\u2066", "\ue000", "\ufffe"],
    ids=lambda character: f"U+{ord(character):04X}",
)
def test_what_cannot_be_printed_in_one_line_is_refused(character: str) -> None:
    for kind, argument in ((NAME, said.name), (NOTE, said.note)):
        with pytest.raises(ValidationError, match=f"U\\+{ord(character):04X}"):
            kind.validate_python(f"a{character}b")
        with pytest.raises(argparse.ArgumentTypeError, match="printable"):
            argument(f"a{character}b")


def test_a_name_is_not_empty_and_neither_is_too_long() -> None:
    for text in ("", "  ", "x" * (LONGEST_NAME + 1)):
        with pytest.raises(ValidationError):
            NAME.validate_python(text)
        with pytest.raises(argparse.ArgumentTypeError):
            said.name(text)
    assert NOTE.validate_python("") == ""
    assert NOTE.validate_python("x" * LONGEST_NOTE) == "x" * LONGEST_NOTE
    with pytest.raises(ValidationError):
        NOTE.validate_python("x" * (LONGEST_NOTE + 1))
    with pytest.raises(argparse.ArgumentTypeError):
        said.note("x" * (LONGEST_NOTE + 1))
