"""What people read is true: every setting, alarm, command and path is documented."""

import importlib.util
from functools import cache
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[1]


@cache
def _reference_script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("reference", ROOT / "deploy" / "reference.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", list(_reference_script().REFERENCES))
def test_a_reference_says_what_the_code_says(name: str) -> None:
    written = (ROOT / "deploy" / name).read_text(encoding="utf-8")
    assert written == _reference_script().REFERENCES[name](), "run: .venv/bin/python deploy/reference.py"


def test_the_top_of_the_repository_holds_its_agreed_entries_only() -> None:
    agreed = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "LICENSE",
        "collector",
        "api",
        "rules",
        "deploy",
        "tests",
    }
    found = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")}
    made = {"ridethrough.egg-info", "ridethrough-data", "build"}
    assert found - made == agreed


@pytest.mark.parametrize("guide", ["README.md", "DEVELOPERS.md", "deploy/SECURITY.md", "deploy/ASVS.md"])
def test_files_named_in_a_guide_exist(guide: str) -> None:
    import re

    text = (ROOT / guide).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#:]+)\)", text):
        assert (ROOT / target).exists(), f"{guide} points at {target}"


STANDARD_LINES = {
    "2.1": range(1, 13), "2.2": range(1, 4), "2.3": range(1, 4), "2.4": range(1, 6), "2.5": range(1, 8), "2.6": range(1, 4),
    "2.7": range(1, 7), "2.8": range(1, 8), "2.9": range(1, 4), "2.10": range(1, 5),
    "3.1": (1,), "3.2": range(1, 5), "3.3": range(1, 5), "3.4": range(1, 6), "3.5": range(1, 4), "3.7": (1,),
    "4.1": (1, 2, 3, 5), "4.2": (1, 2), "4.3": (1, 2, 3),
    "5.1": range(1, 6), "5.2": range(1, 9), "5.3": range(1, 11), "5.4": range(1, 4), "5.5": range(1, 5),
    "7.1": range(1, 5), "7.2": (1, 2), "7.3": (1, 3, 4), "7.4": (1, 2, 3),
    "9.1": (1, 2, 3), "9.2": range(1, 5),
}  # fmt: skip
"""The lines of levels 1 and 2 of OWASP ASVS 4.0.3 by section; those that it deleted are left out."""


def test_every_line_of_the_standard_is_held_by_a_test_that_is_there_or_says_why_not() -> None:
    import re

    said = (ROOT / "deploy" / "ASVS.md").read_text(encoding="utf-8")
    rows = dict(re.findall(r"^\| ([\d.]+) \| [^|]+ \| (.+) \|$", said, re.MULTILINE))
    assert list(rows) == [f"{section}.{n}" for section, lines in STANDARD_LINES.items() for n in lines]
    there = "".join(path.read_text("utf-8") for path in (ROOT / "tests").rglob("test_*.py"))
    named = {name for held in rows.values() for name in re.findall(r"`(test_\w+)`", held)}
    assert {name for name in named if f"def {name}(" not in there} == set()
    for line, held in rows.items():
        assert re.match(r"(`test_\w+`|not (applicable|done), because .{10,})", held), line


def test_the_security_page_gives_the_limits_that_hold() -> None:
    from api.access.passwords import USUAL_COST
    from api.access.terms import LOOPBACK
    from api.access.tries import TRIES_ALLOWED, WINDOW_S
    from api.routes.alarms import LONGEST_SHELVING

    words = {3: "three", 5: "five", 20: "twenty"}
    said = (ROOT / "deploy" / "SECURITY.md").read_text(encoding="utf-8")
    for limit in (
        f"{words[TRIES_ALLOWED.together]} wrong tries from an address for a name",
        f"{words[TRIES_ALLOWED.address]} for any name",
        f"{words[TRIES_ALLOWED.user]} for a name from everywhere",
        f"within {WINDOW_S / 60:.0f} minutes",
        f"{USUAL_COST.memory_kib // 1024} MiB and {words[USUAL_COST.passes]} passes",
        f"idle for {LOOPBACK.idle.seconds // 60} minutes, {LOOPBACK.lasts.seconds // 3600} hours old",
        f"shelve ({LONGEST_SHELVING.days} days at most)",
    ):
        assert limit in said, limit


def test_every_path_has_its_place_in_the_reference_and_a_sentence() -> None:
    from api.app import openapi

    written = (ROOT / "deploy" / "HTTP.md").read_text(encoding="utf-8")
    for path, methods in openapi()["paths"].items():
        for method, told in methods.items():
            assert f"## `{method.upper()} {path}`" in written
            assert told["description"].endswith(".")


def test_every_answer_in_json_has_an_example_of_its_form() -> None:
    """A form that was changed wants its examples taken anew, and a new path one: `EXAMPLES=write pytest tests/api/test_examples.py`."""
    import json

    import jsonschema_rs

    from tests.api.examples import AS_ANOTHER, FOLDER, in_json, schema_of, slug

    for method, path in in_json():
        file = FOLDER / f"{slug(*AS_ANOTHER.get((method, path), (method, path)))}.json"
        assert file.is_file(), f"tests/api/test_examples.py does not ask {method} {path}"
        example = json.loads(file.read_text("utf-8"))
        jsonschema_rs.validate(schema_of(method, path), example, validate_formats=True)
    kept = {file.stem for file in FOLDER.glob("*.json")}
    assert kept == {slug(*one) for one in in_json()} - {slug(*one) for one in AS_ANOTHER}
