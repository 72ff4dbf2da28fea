"""`rules/` is pure: it imports nothing that does I/O, tells the time or draws without a seed."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
RULES = sorted((ROOT / "rules").rglob("*.py"))

FORBIDDEN_MODULES = set(
    "socket asyncio sqlite3 time logging os pathlib random secrets subprocess threading multiprocessing selectors "
    "ssl http urllib io tempfile shutil uuid collector api".split()
)
FORBIDDEN_NAMES = {"open", "input", "print", "exec", "eval", "__import__"}
FORBIDDEN_ATTRIBUTES = {"now", "utcnow", "today", "fromtimestamp"}
UNSEEDED = {"default_rng", "RandomState", "SeedSequence", "PCG64", "Generator"}


def impurities(source: str) -> list[str]:
    """Return every impure thing in a module's source, with its line."""
    found: list[str] = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found += [
                f"{node.lineno}: import {a.name}"
                for a in node.names
                if a.name.split(".")[0] in FORBIDDEN_MODULES
            ]
        elif isinstance(node, ast.ImportFrom):
            if node.level or (node.module or "").split(".")[0] in FORBIDDEN_MODULES:
                found.append(f"{node.lineno}: from {node.module} import")
            found += [
                f"{node.lineno}: {a.name}"
                for a in node.names
                if node.module == "numpy.random" and a.name in UNSEEDED
            ]
        elif isinstance(node, ast.Call):
            found += _impure_call(node)
    return found


def _impure_call(node: ast.Call) -> list[str]:
    function = node.func
    if isinstance(function, ast.Name) and function.id in FORBIDDEN_NAMES:
        return [f"{node.lineno}: {function.id}()"]
    if isinstance(function, ast.Attribute):
        if function.attr in FORBIDDEN_ATTRIBUTES:
            return [f"{node.lineno}: .{function.attr}()"]
        if function.attr in UNSEEDED and not node.args and not node.keywords:
            return [f"{node.lineno}: {function.attr}() without a seed"]
        if (
            isinstance(function.value, ast.Attribute)
            and function.value.attr == "random"
            and function.attr not in UNSEEDED
        ):
            return [f"{node.lineno}: numpy.random.{function.attr}() draws from the global generator"]
    return []


@pytest.mark.parametrize("path", RULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_a_rules_module_is_pure(path: Path) -> None:
    assert impurities(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "source",
    [
        "import socket",
        "from time import monotonic",
        "open('x')",
        "from datetime import datetime\ndatetime.now()",
        "import numpy as np\nnp.random.default_rng()",
        "import numpy as np\nnp.random.normal(0, 1)",
        "from collector import service",
        "from . import estate",
    ],
)
def test_an_impurity_is_found(source: str) -> None:
    assert impurities(source)
