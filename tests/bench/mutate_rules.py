"""How well the tests pin the rules: small faults put into `rules/` one at a time, and whether a test sees each.

    python -m tests.bench.mutate_rules [--count 200] [--seed 1] [--only rules/system] [--jobs 1]

A fault is one of: a constant a little larger or smaller, a comparison turned round or moved over its boundary, `and` for
`or`, a condition negated, one arithmetic sign for another, an early return left out. The sample is drawn with the seed,
evenly over all places in `rules/` (text, tables learnt, and what only speaks are left out: see `SKIPPED`).

Each fault is put into a copy of the package, never into the work tree, and met by the tests that can reach its module:
its own test file and those that import it, nearest first, `--most` files at most; so what is printed is the least that
the whole suite kills. The first failure ends it. Printed are place, fault and what killed it; at the end the share, and every survivor that `EQUIVALENT` does
not explain.
"""

from __future__ import annotations

import argparse
import ast
import copy
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
SKIPPED = ("rules/phrasing/", "rules/alarms/catalogue.py", "rules/battery/discharge/prior")
"""What only words things, is a table of texts, or was learnt by a program from measurements."""
TIMEOUT_S = 300.0
NEVER_ENDED = "it did not end"

EQUIVALENT: dict[str, str] = {
    "rules/battery/assessment/evidence.py: _seen: precision <= 1.0 -> precision < 1.0": "both answers are held at a "
    "deviation of 1, and no two standard deviations that come from floats give a precision of exactly 1",
    "rules/battery/assessment/replacement.py: <module>: 9000000000.0 -> 7200000000.0": "a day that stands for "
    "never: both lie beyond the forty years that are looked ahead",
    "rules/battery/discharge/record/log.py: _without_stray_end: falls < _STRAY_FALLS * max(float(v[-4] - v[-2]), 0.0) -> "
    "falls <= _STRAY_FALLS * max(float(v[-4] - v[-2]), 0.0)": "one difference of measured "
    "volts is never exactly four times another, and a last row that falls by so much is left out or not by either",
    "rules/monitor/calm_bounds.py: may_rest_on: 0.0 -> 1.0": "what a card leaves out counts as none; one volt-ampere or one "
    "per cent in its stead passes no limit either",
}
"""Faults that no test can or need see, by `path: function: fault`, with the reason."""


@dataclass(frozen=True)
class Fault:
    """One place and what is done to it. `index`: of the node in the order of `ast.walk`."""

    path: str
    index: int
    line: int
    within: str
    kind: str
    said: str

    @property
    def key(self) -> str:
        """Return what names a fault when lines move."""
        return f"{self.path}: {self.within}: {self.said}"


_COMPARISONS: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
_ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
}


_FITS: dict[str, tuple[type[ast.AST], ...]] = {
    "constant": (ast.Constant,),
    "comparison": (ast.Compare,),
    "boolean": (ast.BoolOp,),
    "condition": (ast.If, ast.IfExp),
    "arithmetic": (ast.BinOp,),
    "early return": (ast.If,),
}


def _changed(node: ast.AST, kind: str, rng: random.Random) -> ast.AST | None:
    """Return a node with one fault in it, None where this kind does not fit it."""
    if not isinstance(node, _FITS[kind]):
        return None
    new = copy.copy(node)
    match kind, new:
        case "constant", ast.Constant(value=bool()):
            new.value = not new.value
        case "constant", ast.Constant(value=int() as value):
            new.value = value + rng.choice((1, -1))
        case "constant", ast.Constant(value=float() as value):
            new.value = value * rng.choice((0.8, 1.25)) if value else 1.0
        case "comparison", ast.Compare(ops=[op, *_]) if type(op) in _COMPARISONS:
            new.ops = [rng.choice(_COMPARISONS[type(op)])(), *new.ops[1:]]
        case "boolean", ast.BoolOp(op=op):
            new.op = ast.Or() if isinstance(op, ast.And) else ast.And()
        case "condition", ast.If(test=test) | ast.IfExp(test=test):
            new.test = ast.UnaryOp(ast.Not(), test)
        case "arithmetic", ast.BinOp(op=op) if type(op) in _ARITHMETIC:
            new.op = _ARITHMETIC[type(op)]()
        case "early return", ast.If(body=[*_, ast.Return()], orelse=[]):
            new.body = [ast.Pass()]
        case _:
            return None
    return new


class _Within(ast.NodeVisitor):
    """Which function or class each node stands in; annotations, docstrings and text formats are left out."""

    def __init__(self) -> None:
        self.of: dict[int, str] = {}
        self._stack: list[str] = []

    def visit(self, node: ast.AST) -> None:
        named = isinstance(node, ast.FunctionDef | ast.ClassDef)
        if isinstance(node, ast.JoinedStr | ast.Raise):
            return
        if named:
            self._stack.append(node.name)  # type: ignore[attr-defined]
        self.of[id(node)] = ".".join(self._stack) or "<module>"
        for name, value in ast.iter_fields(node):
            if name in {"annotation", "returns", "decorator_list", "type_comment"}:
                continue
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, ast.AST):
                    self.visit(child)
        if named:
            self._stack.pop()


def faults(path: Path, seed: int) -> Iterator[Fault]:
    """Return every fault that can be put into a module, one of each kind a node."""
    name = path.relative_to(ROOT).as_posix()
    tree = ast.parse(path.read_text(encoding="utf-8"))
    where = _Within()
    where.visit(tree)
    for index, node in enumerate(ast.walk(tree)):
        if id(node) not in where.of:
            continue
        for kind in (k for k, types in _FITS.items() if isinstance(node, types)):
            new = _changed(node, kind, random.Random(f"{seed} {name} {index} {kind}"))
            if new is not None:
                before, after = _line(node), _line(new)
                yield Fault(
                    name, index, getattr(node, "lineno", 0), where.of[id(node)], kind, f"{before} -> {after}"
                )


def _line(node: ast.AST) -> str:
    """Return the first line of a node's code, with what it is conditional on for a condition."""
    if isinstance(node, ast.If):  # no more of its body than is told
        node = ast.If(node.test, node.body[:1], [])
    lines = ast.unparse(ast.fix_missing_locations(node)).splitlines()
    return " ".join(line.strip() for line in lines[: 2 if isinstance(node, ast.If) else 1])[:100]


def put(fault: Fault, seed: int, whole: str) -> str:
    """Return a module's code with the fault in it."""
    tree = ast.parse(whole)
    old = next(n for i, n in enumerate(ast.walk(tree)) if i == fault.index)
    new: ast.AST | None = _changed(
        old, fault.kind, random.Random(f"{seed} {fault.path} {fault.index} {fault.kind}")
    )
    if new is None:
        raise ValueError(f"{fault.key}: the module has changed")
    there = new

    class Put(ast.NodeTransformer):
        def visit(self, node: ast.AST) -> ast.AST:
            return there if node is old else self.generic_visit(node)

    return ast.unparse(ast.fix_missing_locations(Put().visit(tree)))


def imports(path: Path) -> set[str]:
    """Return the modules of the project that a file imports, as paths."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module, *(f"{node.module}.{a.name}" for a in node.names)]
        elif isinstance(node, ast.Import):
            names = [a.name for a in node.names]
        for name in names:
            file = f"{name.replace('.', '/')}.py"
            if (ROOT / file).exists():
                found.add(file)
    return found


def tests_of() -> dict[str, list[str]]:
    """Return for each module of the rules the files of tests that reach it, the nearest first.

    Nearest: the test named after it, then by imports between, then by how much else the test imports.
    """
    modules = [p.relative_to(ROOT).as_posix() for p in (ROOT / "rules").rglob("*.py")]
    helpers = [p.relative_to(ROOT).as_posix() for p in (ROOT / "tests/rules").rglob("*.py")]
    edges = {m: imports(ROOT / m) for m in (*modules, *helpers)}
    distance: dict[str, dict[str, int]] = defaultdict(dict)
    for test in helpers:
        if not Path(test).name.startswith("test_"):
            continue
        front, far = {test}, 0
        seen: set[str] = set()
        while front:
            for m in front:
                distance[m].setdefault(test, far)
            seen |= front
            front = {n for m in front for n in edges.get(m, ())} - seen
            far += 1
    found = {}
    for module in modules:
        own = f"tests/{Path(module).parent.as_posix()}/test_{Path(module).stem}.py"
        reach = distance[module]
        found[module] = sorted(reach, key=lambda t: (t != own, reach[t], len(edges[t]), t))
    return found


def copy_of_tree(to: Path) -> None:
    """Put packages and tests beside each other, without what was compiled."""
    for name in ("rules", "collector", "api", "tests", "deploy"):
        shutil.copytree(ROOT / name, to / name, ignore=shutil.ignore_patterns("__pycache__", "dist"))
    shutil.copy(ROOT / "pyproject.toml", to)


def _runs(files: Sequence[str], into: Path, timeout_s: float) -> str | None:
    """Return what a run of tests over a copy said of its first failure, None where all passed."""
    env = os.environ | {"PYTHONDONTWRITEBYTECODE": "1", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-q",
        "-x",
        "--no-header",
        "-p",
        "no:cacheprovider",
        "--tb=no",
        *files,
    ]
    try:
        done = subprocess.run(
            command, cwd=into, env=env, capture_output=True, text=True, timeout=timeout_s, check=False
        )
    except subprocess.TimeoutExpired:
        return NEVER_ENDED
    if done.returncode == 0:
        return None
    told = [line for line in done.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))]
    if not told:
        return f"it ended with {done.returncode}"
    return told[0].split(" - ")[0]


def met(fault: Fault, seed: int, into: Path, files: Sequence[str], near: int) -> str | None:
    """Return what killed a fault in a copy, None where it survived; the copy is as before afterwards.

    Tests that do not end kill it only where they end in good time without it.
    """
    target = into / fault.path
    whole = target.read_text(encoding="utf-8")
    for some in (files[:near], files[near:]):
        if not some:
            continue
        target.write_text(put(fault, seed, whole), encoding="utf-8")
        try:
            by = _runs(some, into, TIMEOUT_S)
        finally:
            target.write_text(whole, encoding="utf-8")
        if by == NEVER_ENDED and _runs(some, into, TIMEOUT_S / 3.0) is not None:
            continue
        if by is not None:
            return by
    return None


def sample(count: int, seed: int, only: str) -> list[Fault]:
    """Return the faults drawn."""
    paths = sorted((ROOT / "rules").rglob("*.py"))
    names = [(p, p.relative_to(ROOT).as_posix()) for p in paths]
    every = [f for p, n in names if n.startswith(only) and not n.startswith(SKIPPED) for f in faults(p, seed)]
    return random.Random(seed).sample(every, min(count, len(every)))


def main() -> None:
    """Draw, put, meet, and say what is left."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="rules/")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--near", type=int, default=3, help="test files that are run first")
    parser.add_argument("--most", type=int, default=12, help="test files that are run at most")
    given = parser.parse_args()
    drawn = sample(given.count, given.seed, given.only)
    reach = tests_of()
    began = time.monotonic()
    survived: list[Fault] = []
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(given.jobs) as pool:
        copies = [Path(folder) / str(k) for k in range(given.jobs)]
        for one in copies:
            copy_of_tree(one)

        def work(k: int) -> Iterator[tuple[Fault, str | None]]:
            for fault in drawn[k :: given.jobs]:
                files = reach[fault.path][: given.most]
                yield fault, met(fault, given.seed, copies[k], files, given.near) if files else None

        def told(k: int) -> None:
            for fault, by in work(k):
                if by is None:
                    survived.append(fault)
                what = "SURVIVED" if by is None else f"killed by {by}"
                print(f"{fault.path}:{fault.line} [{fault.within}] {fault.said}: {what}", flush=True)

        list(pool.map(told, range(given.jobs)))
    explained = [f for f in survived if f.key in EQUIVALENT]
    left = [f for f in survived if f.key not in EQUIVALENT]
    killed = len(drawn) - len(survived)
    print(
        f"\n{killed} of {len(drawn)} killed = {100 * killed / len(drawn):.0f} %; {len(explained)} survive rightly:"
    )
    for fault in explained:
        print(f"  {fault.key}: {EQUIVALENT[fault.key]}")
    print(f"{len(left)} survive:")
    for fault in sorted(left, key=lambda f: (f.path, f.line)):
        print(f"  {fault.path}:{fault.line} [{fault.within}] {fault.said}")
    print(f"seed {given.seed}, {time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main()
