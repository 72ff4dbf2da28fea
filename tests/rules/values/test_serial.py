"""Values survive the way to JSON and back."""

import json
from dataclasses import dataclass, field
from datetime import UTC, date, datetime

import pytest

from rules.values.serial import from_plain, to_plain
from rules.values.severity import Severity


@dataclass(frozen=True, slots=True)
class Inner:
    at: datetime
    day: date | None = None


@dataclass(frozen=True, slots=True)
class Outer:
    severity: Severity
    inner: tuple[Inner, ...]
    numbers: dict[str, float | None] = field(default_factory=dict)
    words: tuple[str | None, ...] | None = None


VALUE = Outer(
    Severity.MAJOR,
    (Inner(datetime(2026, 1, 2, 3, 4, 5, 678901, UTC), date(2026, 1, 2)),),
    {"a": 1.5, "b": None},
    ("x", None),
)


def test_a_value_comes_back_as_it_went() -> None:
    assert from_plain(Outer, json.loads(json.dumps(to_plain(VALUE)))) == VALUE


def test_a_field_that_is_no_more_is_passed_over_and_a_new_one_takes_its_default() -> None:
    plain = to_plain(VALUE)
    del plain["words"]
    assert from_plain(Outer, plain | {"old": 1}).words is None


def test_what_does_not_fit_is_refused() -> None:
    with pytest.raises((TypeError, ValueError)):
        from_plain(Outer, to_plain(VALUE) | {"severity": 7})
    with pytest.raises((TypeError, ValueError)):
        from_plain(Inner, {"at": 12})


def test_what_has_no_plain_form_is_refused() -> None:
    with pytest.raises(TypeError):
        to_plain(object())
