"""The house: few doors at each root, rooms one can look over, modules one can read, a class name for one thing."""

import ast
from collections import defaultdict
from pathlib import Path

import pytest

from tests.audit.predicates.registry import not_thought_of

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("rules", "collector", "api")
DOORS = 12
MODULES = 16
LINES = 400

TABLES = {"rules/alarms/catalogue.py", "rules/values/code.py", "rules/battery/discharge/curve/prior_table.py"}
"""Pure tables may be as long as what they list."""

LONG: set[str] = set()
"""Modules that are longer than they should be. One that was cut leaves the list; none may join it."""


def modules() -> list[Path]:
    return sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py"))


def name_of(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def things_in(folder: Path) -> list[str]:
    return [p.name for p in folder.iterdir() if p.suffix == ".py" or (p.is_dir() and p.name != "__pycache__")]


@pytest.mark.parametrize("package", PACKAGES)
def test_a_root_has_few_doors(package: str) -> None:
    doors = things_in(ROOT / package)
    assert len(doors) <= DOORS, doors


def test_a_room_can_be_looked_over() -> None:
    rooms = {path.parent for path in modules()}
    crowded = {name_of(room): len(list(room.glob("*.py"))) - 1 for room in rooms}
    assert {name: count for name, count in crowded.items() if count > MODULES} == {}


def test_a_module_can_be_read() -> None:
    long = {name_of(path) for path in modules() if path.read_text().count("\n") > LINES} - TABLES
    assert long - LONG == set(), "cut them by noun"
    assert LONG - long == set(), "they are short now: take them off the list"


def test_a_class_name_stands_for_one_thing() -> None:
    where: defaultdict[str, list[str]] = defaultdict(list)
    for path in modules():
        for node in ast.parse(path.read_text()).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                where[node.name].append(name_of(path))
    shared = {name: places for name, places in where.items() if len(places) > 1}
    # What the HTTP interface calls a thing is data: its schemas keep their names beside the values they describe.
    ours = {
        n: p for n, p in shared.items() if sum(not place.startswith("api/http/schemas") for place in p) > 1
    }
    assert ours == {}


def test_every_room_says_what_is_in_it() -> None:
    for room in {path.parent for path in modules()}:
        said = ast.get_docstring(ast.parse((room / "__init__.py").read_text())) or ""
        # Routes and commands carry the names of what they serve: a list of them would say it twice.
        if name_of(room) in {"api/routes", "api/commands"}:
            continue
        missing = [
            name.removesuffix(".py")
            for name in things_in(room)
            if name not in {"__init__.py", "static"} and f"`{name.removesuffix('.py')}`" not in said
        ]
        assert missing == [], name_of(room)


def sentences_in(text: str) -> int:
    """Return how many texts of four words or more a module makes, but docstrings, types written ahead and what its errors say."""
    tree = ast.parse(text)
    passed: set[ast.AST] = set()
    for node in ast.walk(tree):
        if (isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)) or (
            isinstance(node, ast.AnnAssign) and ast.unparse(node.annotation) == "TypeAlias" and node.value
        ):
            passed.add(node.value)
        elif isinstance(node, ast.Raise):
            passed.update(ast.walk(node))
        elif isinstance(node, ast.JoinedStr):
            passed.update(node.values)
    made = []
    for node in ast.walk(tree):
        if node in passed:
            continue
        if isinstance(node, ast.JoinedStr):
            made.append("".join(str(part.value) for part in node.values if isinstance(part, ast.Constant)))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            made.append(node.value)
    return sum(one.count(" ") >= 3 for one in made)


def test_rules_make_no_sentences() -> None:
    speaking = {
        name_of(path): found
        for path in sorted((ROOT / "rules").rglob("*.py"))
        if not name_of(path).startswith("rules/phrasing/") and name_of(path) not in TABLES
        if (found := sentences_in(path.read_text()))
    }
    assert speaking == {}, "return a reason; rules.phrasing says it"


def test_a_sentence_is_found() -> None:
    assert sentences_in("why = f'The load of {name} is not known.'") == 1
    assert sentences_in("'The load of a line is not known.'") == 0
    assert sentences_in("raise ValueError('want a load that is known')") == 0


def test_the_audit_knows_what_must_be_so_of_whatever_is_said() -> None:
    """A new code or alarm gets a predicate in tests/audit/predicates, or in `undecided` there a reason why it has none."""
    assert not_thought_of() == []
