"""Each code has one sentence, asked for with the arguments it wants, and says what it said before."""

import ast
import inspect
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import collector
import rules
from rules.phrasing.reasons import cause, first_step, kept, say
from rules.phrasing.says import SENTENCES, says
from rules.values.advice import Advice
from rules.values.code import Code
from rules.values.reason import Reason, advised, reason, told
from tests.rules.phrasing.spoken import (
    bank,
    discharge_log,
    holding,
    isolation,
    outage,
    plans,
    plant,
    ridethrough,
    service,
    units,
    work,
)

SPOKEN = (
    *bank.SPOKEN,
    *discharge_log.SPOKEN,
    *holding.SPOKEN,
    *isolation.SPOKEN,
    *outage.SPOKEN,
    *plans.SPOKEN,
    *plant.SPOKEN,
    *ridethrough.SPOKEN,
    *service.SPOKEN,
    *units.SPOKEN,
    *work.SPOKEN,
)
PACKAGES = [Path(next(iter(package.__path__))) for package in (rules, collector)]


def calls(text: str, where: str) -> Iterator[tuple[str, Code | None, set[str]]]:
    """Yield each `reason(...)` of a module: its place, its code (None where it is not written there), its arguments."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "reason":
            first = node.args[0]
            literal = (
                isinstance(first, ast.Attribute)
                and isinstance(first.value, ast.Name)
                and first.value.id == "Code"
                and len(node.args) <= 2
                and all(word.arg for word in node.keywords)
            )
            code = Code[first.attr] if literal and isinstance(first, ast.Attribute) else None
            given = {str(word.arg) for word in node.keywords} - {"about"}
            about = {"about"} if len(node.args) == 2 or "about" in {w.arg for w in node.keywords} else set()
            yield f"{where}:{node.lineno}", code, given | about


@cache
def all_calls() -> list[tuple[str, Code | None, set[str]]]:
    """Return each `reason(...)` of the product; every module is parsed once for all who ask."""
    return [
        found
        for package in PACKAGES
        for path in sorted(package.rglob("*.py"))
        for found in calls(path.read_text(), path.relative_to(package).as_posix())
    ]


def misfit(code: Code | None, given: set[str]) -> str | None:
    """Return why a call does not fit its sentence; `about` may be given without being said."""
    if code is None:
        return "its code or its arguments are not written there"
    wanted = inspect.signature(SENTENCES[code]).parameters
    lacking, spare = set(wanted) - given, given - set(wanted) - {"about"}
    return f"{code}: lacks {lacking}, has too much {spare}" if lacking or spare else None


def test_every_code_has_a_sentence_and_words_that_are_tested() -> None:
    assert set(SENTENCES) == set(Code)
    assert {one.code for one, _ in SPOKEN} == set(Code)


def test_every_reason_that_is_given_fits_its_sentence() -> None:
    found = [(where, why) for where, code, given in all_calls() if (why := misfit(code, given)) is not None]
    assert found == []


@pytest.mark.parametrize(
    "wrong",
    [
        "reason(Code.READINGS_FRESH)",
        "reason(Code.READINGS_FRESH, age_s=1.0, more=2)",
        "reason(Code.UNIT_STANDS, standing='off')",
        "reason(code)",
        "reason(Code.CARD_EACH, **more)",
    ],
)
def test_a_reason_that_does_not_fit_is_found(wrong: str) -> None:
    ((_, code, given),) = calls(wrong, "here")
    assert misfit(code, given) is not None


def test_every_code_that_can_be_given_is_given_somewhere() -> None:
    given = {code for _, code, _ in all_calls() if code is not None}
    assert set(Code) - given == {Code.TOLD}


@pytest.mark.parametrize(("one", "words"), SPOKEN, ids=[one.code for one, _ in SPOKEN])
def test_a_reason_is_said(one: Reason, words: str) -> None:
    assert say(one) == words


def test_nothing_is_said_of_nothing() -> None:
    assert say(None) == ""


def test_a_code_has_one_sentence() -> None:
    with pytest.raises(ValueError, match="want one sentence"):
        says(Code.SAFETY)(lambda: "Again.")


def test_what_is_kept_has_its_words_as_they_were_told() -> None:
    plain = kept({"because": (reason(Code.READINGS_FRESH, age_s=4.6),)})
    assert plain == {
        "because": [
            {
                "code": "readings_fresh",
                "about": "",
                "args": {"age_s": 4.6},
                "words": "Every unit was read within 5 s.",
            }
        ]
    }


def test_a_short_form_says_neither_the_place_nor_the_time_left_twice() -> None:
    soon = reason(
        Code.ENDS_SOON, "A", name="Hall", left_s=365.0, reckoned=False, outlasted=False, fed=1, units=3,
        others_fed=0,
    )  # fmt: skip
    assert cause(soon, "Hall", left_beside=True) == "drops its load soon. 1 of 3 units is fed."
    assert cause(soon, "Hall", left_beside=False).startswith("drops its load soon. It holds 6.0 min")
    assert cause(soon, "Depot", left_beside=True) == "Hall drops its load soon. 1 of 3 units is fed."
    assert cause(told("It is so."), "Hall", left_beside=True) == "It is so."
    assert cause(None, "Hall", left_beside=True) == ""


@pytest.mark.parametrize(
    ("one", "first"),
    [
        (
            advised(Advice("Move 0.5 kW or more from L2 to L3", ". It is near.")),
            "Move 0.5 kW or more from L2 to L3",
        ),
        (
            reason(Code.DO_START_SET_BY_HAND, shed=told("Shed the laboratory.")),
            "Go to the generator and start it by hand",
        ),
        (reason(Code.DO_NOT_RENEW_ALIKE, offers=(told("Less load."),)), "Do not renew like for like"),
        (reason(Code.DO_LET_IT_CARRY), say(reason(Code.DO_LET_IT_CARRY))[:-1]),
        (told("Look. An earlier version said so."), "Look. An earlier version said so"),
        (None, ""),
    ],
)
def test_what_comes_first_of_advice_is_a_part_of_it_and_of_anything_else_all_of_it(
    one: Reason | None, first: str
) -> None:
    assert first_step(one) == first
    assert say(one).startswith(first)
