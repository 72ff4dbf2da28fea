"""A form that a browser posts without script: what becomes of its fields, and where it leads back to."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from api.http.forms import MOST_FIELDS, fields, page_before

NOON = datetime(2026, 10, 9, 12, 0, tzinfo=UTC)


def test_fields_are_named_as_the_interface_names_them_and_empty_ones_left_out() -> None:
    assert fields(b"by=R.+Haugen&note=&hours=1.5", NOON) == {
        "by": "R. Haugen",
        "until": "2026-10-09T13:30:00+00:00",
    }
    assert fields("by=Åse".encode().replace("Å".encode(), b"%C3%85"), NOON) == {"by": "Åse"}


@pytest.mark.parametrize(
    "raw",
    [
        b"hours=soon",
        b"hours=-1",
        b"hours=0",
        b"hours=nan",
        b"hours=inf",
        b"hours=1e9",
        b"by",
        b"{}",
        b"by=%FF",
        b"by=\xff",
        b"&a=1" * (MOST_FIELDS + 1),
    ],
)
def test_what_no_form_of_the_page_sends_is_refused(raw: bytes) -> None:
    with pytest.raises(ValueError, match="want"):
        fields(raw, NOON)


@pytest.mark.parametrize(
    ("referer", "page"),
    [
        ("http://127.0.0.1:8470/systems/A?x=1#y", "/systems/A"),
        ("http://elsewhere.example/systems/A", "/alarms"),
        ("http://127.0.0.1:8470//elsewhere.example/", "/alarms"),
        ("", "/alarms"),
    ],
)
def test_the_way_back_never_leads_to_another_site(referer: str, page: str) -> None:
    assert page_before({"host": "127.0.0.1:8470", "referer": referer}) == page
