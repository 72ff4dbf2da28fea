"""Links to answer by: what is signed is what is read, and nothing else is."""

from __future__ import annotations

import stat
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.messaging.delivery.answer_links import (
    HOLDS,
    KEY_BYTES,
    KEY_FILE,
    AnswerLinks,
    NoAnswerLinkError,
    answer_key,
)
from collector.messaging.delivery.letter import Letter
from rules.alarms.incidents.incident import NoticeKind
from tests.collector.messaging.cases import AT, notice

LINKS = AnswerLinks(b"k" * KEY_BYTES, "https://ups.example.org/")
UNTIL = AT + HOLDS


def letter(kind: NoticeKind = NoticeKind.OPENED, alarms: tuple[str, ...] = ("a",)) -> Letter:
    told = replace(notice("power-1", 1, kind=kind), alarms=alarms)
    return Letter(told, "R. Haugen", "haugen@hill.example", "Europe/London", "hill")


@given(st.text(max_size=40), st.text(max_size=40), st.text(max_size=40))
def test_what_a_link_is_for_is_read_back(incident: str, person: str, notice_id: str) -> None:
    found = LINKS.read(LINKS.token(incident, person, notice_id, UNTIL), AT)
    assert (found.incident, found.person, found.notice) == (incident, person, notice_id)
    assert abs(found.until - UNTIL) < timedelta(seconds=1)


@given(st.integers(0, 200), st.characters(codec="ascii"))
def test_no_other_token_is_taken(place: int, other: str) -> None:
    token = LINKS.token("power-1", "R. Haugen", "n", UNTIL)
    changed = token[: place % len(token)] + other + token[place % len(token) + 1 :]
    if changed != token:
        with pytest.raises(NoAnswerLinkError, match="not a link that was sent from here"):
            LINKS.read(changed, AT)


@given(st.text(max_size=1000))
def test_whatever_is_shown_is_refused_and_breaks_nothing(token: str) -> None:
    with pytest.raises(NoAnswerLinkError):
        LINKS.read(token, AT)


def test_another_spelling_of_the_same_bytes_is_no_second_link() -> None:
    token = LINKS.token("power-1", "R. Haugen", "n", UNTIL)
    body, _, tag = token.partition(".")
    for other in (
        f"{body}=.{tag}",
        f"{body}.{tag}==",
        f"{body}.{tag[:-1]}{chr(ord(tag[-1]) + 1)}",
        f" {token}",
    ):
        with pytest.raises(NoAnswerLinkError):
            LINKS.read(other, AT)


def test_a_link_is_over_after_a_day_and_another_key_knows_it_not() -> None:
    url = LINKS.url(letter()) or ""
    assert url.startswith("https://ups.example.org/answer/")
    token = url.rpartition("/")[2]
    at = letter().notice.at
    assert LINKS.read(token, at + HOLDS - timedelta(seconds=1)).person == "R. Haugen"
    with pytest.raises(NoAnswerLinkError, match="over"):
        LINKS.read(token, at + HOLDS)
    with pytest.raises(NoAnswerLinkError, match="not a link"):
        AnswerLinks(b"o" * KEY_BYTES, None).read(token, at)


def test_there_is_no_link_where_nothing_is_to_be_answered_or_no_address_is_named() -> None:
    assert LINKS.url(letter(NoticeKind.CLOSED)) is None
    assert LINKS.url(letter(alarms=())) is None
    assert AnswerLinks(b"k" * KEY_BYTES, None).url(letter()) is None


def test_the_key_is_kept_where_only_the_services_user_reads_it(tmp_path: Path) -> None:
    key = answer_key(tmp_path)
    assert len(key) == KEY_BYTES
    assert answer_key(tmp_path) == key
    assert stat.S_IMODE((tmp_path / KEY_FILE).stat().st_mode) == 0o600
    nowhere = tmp_path / "not there"  # as where the disk takes nothing
    assert len(answer_key(nowhere)) == KEY_BYTES
    assert not nowhere.exists()
    (tmp_path / KEY_FILE).write_bytes(b"cut")  # a kill in the midst of a copy, say
    assert len(answer_key(tmp_path)) == KEY_BYTES
