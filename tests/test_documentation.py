"""What people read is true: every setting, alarm, command and path is documented."""

import importlib.util
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


def _reference_script() -> dict[str, str]:
    spec = importlib.util.spec_from_file_location("reference", ROOT / "deploy" / "reference.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return {name: render() for name, render in module.REFERENCES.items()}


@pytest.mark.parametrize("name", list(_reference_script()))
def test_a_reference_says_what_the_code_says(name: str) -> None:
    written = (ROOT / "deploy" / name).read_text(encoding="utf-8")
    assert written == _reference_script()[name], "run: .venv/bin/python deploy/reference.py"


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


@pytest.mark.parametrize("guide", ["README.md", "DEVELOPERS.md"])
def test_files_named_in_a_guide_exist(guide: str) -> None:
    import re

    text = (ROOT / guide).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#:]+)\)", text):
        assert (ROOT / target).exists(), f"{guide} points at {target}"


def test_every_path_has_its_place_in_the_reference_and_a_sentence() -> None:
    from api.app import openapi

    written = (ROOT / "deploy" / "HTTP.md").read_text(encoding="utf-8")
    for path, methods in openapi()["paths"].items():
        for method, told in methods.items():
            assert f"## `{method.upper()} {path}`" in written
            assert told["description"].endswith(".")
