"""Days in sentences: one style, by the clock of the site."""

import ast
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from rules.phrasing.dates import about_words, day_of, day_words, years_words

ROOT = Path(__file__).resolve().parents[3]
RULES = sorted((ROOT / "rules").rglob("*.py"))


def test_a_day_has_no_leading_nought_and_no_figures_for_the_month() -> None:
    assert day_words(date(2026, 10, 7)) == "7 Oct 2026"


@pytest.mark.parametrize(
    ("zone", "day"),
    [("UTC", "27 Nov 2026"), ("Asia/Tokyo", "28 Nov 2026"), ("America/Los_Angeles", "27 Nov 2026")],
)
def test_which_day_a_moment_fell_on_is_the_sites_business(zone: str, day: str) -> None:
    """20:00 UTC is five in the morning of the next day in Tokyo (UTC+9), and noon in Los Angeles (UTC-8)."""
    assert day_of(datetime(2026, 11, 27, 20, tzinfo=UTC), ZoneInfo(zone)) == day


def test_no_other_sentence_of_a_rule_writes_days_or_times_in_a_style_of_its_own() -> None:
    own = [
        f"{path.name}:{node.lineno} {ast.unparse(node.format_spec)}"
        for path in RULES
        if path.name not in ("words.py", "programme_text.py")  # the latter writes RFC 5545
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.FormattedValue)
        and node.format_spec is not None
        and "%" in (spec := ast.unparse(node.format_spec))
        and any(f"%{c}" in spec for c in "dHMm")
    ]
    assert own == []


@pytest.mark.parametrize(
    ("days_wide", "said"),
    [(0, "7 Oct 2027"), (61, "7 Oct 2027"), (100, "Oct 2027"), (300, "autumn 2027"), (2000, "2027")],
)
def test_a_day_is_said_no_finer_than_its_interval_deserves(days_wide: int, said: str) -> None:
    day = date(2027, 10, 7)
    assert about_words(day, day - timedelta(days=days_wide), day) == said


def test_a_winter_has_two_years_and_a_day_without_an_interval_stands() -> None:
    early, late = date(2027, 1, 1), date(2027, 12, 1)
    assert about_words(date(2027, 12, 5), early, late) == "winter 2027/28"
    assert about_words(date(2028, 1, 5), early, late) == "winter 2027/28"
    assert about_words(date(2028, 1, 5), None, late) == "5 Jan 2028"


def test_a_span_of_years() -> None:
    assert years_words(date(2027, 3, 1), date(2031, 1, 1)) == "2027 to 2031"
    assert years_words(date(2027, 3, 1), date(2027, 9, 1)) == "in 2027"
