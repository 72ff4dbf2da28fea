"""Days in sentences: one style, by the clock of the site."""

import ast
from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from rules.words import day_of, day_words

ROOT = Path(__file__).resolve().parents[2]
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
