"""Figures with a source: each is met just below, at and just above by the rule that uses it, and none is left out."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from tests.rules.thresholds import ELSEWHERE, THRESHOLDS, Threshold

ROOT = Path(__file__).parents[2]
CITED = re.compile(
    r"\b(IEEE|IEC|EN [0-9]|EEMUA|ISA-|NFPA|RFC|CODATA|statute|makers?|maker's|trade|manuals?)\b",
    re.IGNORECASE,
)
"""A standard, a paper, or a maker's or the trade's practice, in a constant's docstring or comment."""


def row_id(row: Threshold) -> str:
    return f"{row.constant.rsplit('.', 1)[1]}: {row.situation}"


@pytest.mark.parametrize("row", THRESHOLDS, ids=row_id)
def test_a_rule_answers_as_its_source_says_below_at_and_above(row: Threshold) -> None:
    below, at, above = row.met
    assert below < at < above or below > at > above
    assert tuple(row.rule(value) for value in row.met) == row.answers


def constants(path: Path) -> dict[str, str]:
    """Return a module's constants, each with its docstring and the comments in and beside it."""
    text = path.read_text(encoding="utf-8")
    lines, body = text.splitlines(), ast.parse(text).body
    found = {}
    for k, node in enumerate(body):
        if not isinstance(node, ast.AnnAssign) or not isinstance(node.target, ast.Name):
            continue
        if not node.target.id.lstrip("_").isupper():
            continue
        beside = [line.split("#", 1)[1] for line in lines[node.lineno - 1 : node.end_lineno] if "#" in line]
        after = body[k + 1] if k + 1 < len(body) else None
        if isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant):
            beside.append(str(after.value.value))
        found[node.target.id] = " ".join(beside)
    return found


def test_every_constant_with_a_source_has_a_row_or_says_where_it_is_held() -> None:
    every: dict[str, str] = {}
    for path in (ROOT / "rules").rglob("*.py"):
        module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        every |= {f"{module}.{name}": said for name, said in constants(path).items()}
    assert len(every) > 300
    rows = {row.constant for row in THRESHOLDS}
    cited = {name for name, said in every.items() if CITED.search(said)}
    assert len(cited) >= 20
    assert sorted(cited - rows - set(ELSEWHERE)) == []
    assert sorted((rows | set(ELSEWHERE)) - set(every)) == []
