"""Which sentence belongs to which code: one function a code, its arguments those of the reason."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple, TypeAlias, TypeVar

from rules.values.advice import Advice
from rules.values.code import Code


class Sentence(NamedTuple):
    """A sentence in its parts, for whoever says a part of it beside it.

    `subject`: the name of what it is about, with which it begins. `left`: a sentence that says the time left.
    """

    subject: str
    rest: str
    left: str = ""
    more: str = ""


Says: TypeAlias = Callable[..., str | Sentence | Advice]
S = TypeVar("S", bound=Says)

SENTENCES: Final[dict[Code, Says]] = {}
"""The sentence of each code. Reasons within a reason come as their words; `about` is given to who asks for it."""


def says(code: Code) -> Callable[[S], S]:
    """Return a decorator that makes a function the sentence of a code. Raises ValueError for a code that has one."""

    def made(sentence: S) -> S:
        if code in SENTENCES:
            raise ValueError(f"{code}: want one sentence; got a second, {sentence.__name__}")
        SENTENCES[code] = sentence
        return sentence

    return made
