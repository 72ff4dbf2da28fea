"""Reasons are values: compared, told apart by what is no number, and kept as JSON."""

import json
from dataclasses import dataclass
from datetime import UTC, date, datetime

import pytest

from rules.values.code import Code
from rules.values.reason import Reason, reason, told
from rules.values.serial import from_plain, to_plain
from rules.values.verdict import Verdict


@dataclass(frozen=True, slots=True)
class Judged:
    because: tuple[Reason, ...] = ()
    first: Reason | None = None


WHOLE = reason(
    Code.OTHERS_NOT_CARRYING,
    "A1",
    number=1.5,
    count=3,
    fits=True,
    verdict=Verdict.ADEQUATE,
    day=date(2026, 10, 7),
    at=datetime(2026, 10, 7, 12, tzinfo=UTC),
    nothing=None,
    within=(reason(Code.UNIT_STANDS, "A2", standing="off"), told("It hums.")),
)


def test_arguments_have_one_order_and_are_found_by_name() -> None:
    assert reason(Code.LOAD_FITS, a=1, b=2) == reason(Code.LOAD_FITS, b=2, a=1)
    assert WHOLE["verdict"] is Verdict.ADEQUATE
    with pytest.raises(KeyError):
        WHOLE["unheard"]


def test_a_reason_comes_back_as_it_went() -> None:
    judged = Judged((WHOLE, told("It smells.")), WHOLE)
    assert from_plain(Judged, json.loads(json.dumps(to_plain(judged)))) == judged
    assert from_plain(Judged, to_plain(Judged())) == Judged()


def test_a_sentence_that_was_kept_once_is_read_as_words_that_were_told() -> None:
    old = {"because": ["Not enough."], "first": "Nor there."}
    judged = from_plain(Judged, old)
    assert judged == Judged((told("Not enough."),), told("Nor there."))
    assert to_plain(judged) == old


def test_a_code_of_a_later_version_is_read_as_its_words() -> None:
    later = {"code": "not_yet_thought_of", "about": "A1", "args": {}, "words": "It is so."}
    assert from_plain(Judged, {"because": [later]}).because == (told("It is so."),)
    with pytest.raises(ValueError, match="not_yet_thought_of"):
        from_plain(Judged, {"because": [{"code": "not_yet_thought_of"}]})
    with pytest.raises(TypeError):
        from_plain(Judged, {"because": [7]})


def test_reasons_of_one_kind_differ_in_measured_figures_and_moments_only() -> None:
    def one(
        about: str, number: float, day: int, unit: str, *, fits: bool = True, hour: int = 1, count: int = 2
    ) -> Reason:
        within = reason(Code.UNIT_STANDS, unit, standing="off")
        at = datetime(2026, 1, 1, hour, tzinfo=UTC)
        return reason(
            Code.LOAD_FITS,
            about,
            n=number,
            day=date(2026, 1, day),
            at=at,
            fits=fits,
            count=count,
            within=(within,),
        )

    first = one("A", 1.0, 1, "A1")
    assert first.kind == one("A", 2.5, 1, "A1", hour=7).kind
    others = [one("B", 1.0, 1, "A1"), one("A", 1.0, 1, "A2"), one("A", 1.0, 1, "A1", fits=False)]
    others += [one("A", 1.0, 9, "A1"), one("A", 1.0, 1, "A1", count=3)]
    assert first.kind not in [other.kind for other in others]
