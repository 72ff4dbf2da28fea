"""Words that were told, and the sentences that every plan, isolation check and printed report carries."""

from __future__ import annotations

from rules.phrasing.safety import ADVICE_ONLY, SAFETY
from rules.phrasing.says import says
from rules.phrasing.text import lasted
from rules.values.advice import Advice
from rules.values.code import Code


@says(Code.TOLD)
def told(*, words: str) -> str:
    """Return words that somebody else made."""
    return words


@says(Code.ADVISED)
def advised(*, first: str, rest: str) -> Advice:
    """Say what the catalogue says to do."""
    return Advice(first, rest)


@says(Code.COMES_AND_GOES)
def comes_and_goes(*, said: str, times: int, within_s: float) -> str:
    """Say what was said, and how often it came within so many seconds, from the first time to the last."""
    return f"{said} It comes and goes: {times} times within {lasted(within_s)}."


@says(Code.SAFETY)
def safety() -> str:
    """Return why no reading makes a bank or a supply safe to touch."""
    return SAFETY


@says(Code.ADVICE_ONLY)
def advice_only() -> str:
    """Return that nothing is switched."""
    return ADVICE_ONLY
