"""Reasons as sentences: where a value leaves the rules for a page, a message, JSON or the journal, and nowhere before."""

from __future__ import annotations

import inspect
from collections.abc import Iterable
from functools import cache
from typing import Any

from rules.phrasing.says import SENTENCES, Sentence
from rules.phrasing.sentences import (  # noqa: F401 - each module adds its sentences
    bank,
    general,
    holding,
    outage,
    parallel,
    service,
    spares,
    system,
    trends,
    unit,
)
from rules.phrasing.sentences.battery import (  # noqa: F401 - the same
    charging,
    discharge_log,
    faults,
    log_mends,
    next_discharge,
    would_tell,
)
from rules.phrasing.sentences.planning import (  # noqa: F401 - the same
    happenings,
    isolation,
    programme,
    ridethrough,
    shedding,
    sizing,
    work,
)
from rules.phrasing.text import capital, lasted
from rules.values.advice import Advice
from rules.values.code import Code
from rules.values.reason import Arg, Reason, plain_reason
from rules.values.serial import to_plain


def say(one: Reason | None) -> str:
    """Return a reason as a sentence; "" for none."""
    if one is None:
        return ""
    sentence = _sentence(one)
    if not isinstance(sentence, Sentence):
        return str(sentence)
    parts = (capital(sentence.subject), sentence.rest, sentence.left, sentence.more)
    return " ".join(part for part in parts if part)


def said(reasons: Iterable[Reason]) -> tuple[str, ...]:
    """Return reasons as sentences."""
    return tuple(map(say, reasons))


def cause(one: Reason | None, name: str, *, left_beside: bool) -> str:
    """Return a reason's sentence without its subject where that is called `name`, and without the time left if that stands beside it."""
    if one is not None and one.code is Code.COMES_AND_GOES:
        inner, args = one["said"], dict(one.args)
        told = cause(inner, name, left_beside=left_beside) if isinstance(inner, Reason) else say(one)
        return f"{args['times']} times within {lasted(float(str(args['within_s'])))}: {told}"
    sentence = None if one is None else _sentence(one)
    if not isinstance(sentence, Sentence):
        return say(one)
    subject = "" if sentence.subject == name else capital(sentence.subject)
    parts = (subject, sentence.rest, "" if left_beside else sentence.left, sentence.more)
    return " ".join(part for part in parts if part)


def first_step(one: Reason | None) -> str:
    """Return what to do first, without a stop: of advice its first clause, of any other reason all that it says."""
    sentence = "" if one is None else _sentence(one)
    return sentence.first if isinstance(sentence, Advice) else say(one).removesuffix(".")


def kept(value: object) -> Any:  # noqa: ANN401 - whatever JSON holds
    """Return a value as JSON holds it, each reason with its words, as they were told."""
    return to_plain(value, lambda one: plain_reason(one, say))


def _sentence(one: Reason) -> str | Sentence | Advice:
    arguments = {name: _spoken(arg) for name, arg in one.args}
    if _wants_about(one.code):
        arguments["about"] = one.about
    return SENTENCES[one.code](**arguments)


@cache
def _wants_about(code: Code) -> bool:
    return "about" in inspect.signature(SENTENCES[code]).parameters


def _spoken(arg: Arg) -> object:
    if isinstance(arg, Reason):
        return say(arg)
    return tuple(map(_spoken, arg)) if isinstance(arg, tuple) else arg
