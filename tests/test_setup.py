"""What the two first commands install: one set of pinned versions, and no way that leads to one index only."""

from __future__ import annotations

import re
from pathlib import Path

DEPLOY = Path(__file__).resolve().parents[1] / "deploy"
ENTRY = re.compile(r"(?m)^([A-Za-z0-9_.\-]+)==([^ \\\n]+)((?: \\\n +--hash=sha256:[0-9a-f]{64})+)$")


def pinned(name: str) -> dict[str, tuple[str, frozenset[str]]]:
    """Return package -> version and hashes; every line of the file must belong to one."""
    text = (DEPLOY / name).read_text("utf-8")
    rest = ENTRY.sub("", text)
    assert not re.sub(r"(?m)^#.*$", "", rest).strip(), rest
    return {p: (v, frozenset(re.findall(r"sha256:(\w+)", hashes))) for p, v, hashes in ENTRY.findall(text)}


def test_what_the_tests_need_holds_all_that_the_service_needs_at_the_same_versions() -> None:
    service, tests = pinned("requirements.txt"), pinned("requirements-test.txt")
    assert service
    assert {name: tests.get(name) for name in service} == service
    assert len(tests) > len(service)


def test_no_file_of_the_set_up_names_an_index() -> None:
    for path in DEPLOY.iterdir():
        if path.suffix in {".txt", ".sh"}:
            text = path.read_text("utf-8")
            # A folder that whoever installs names is no index of ours.
            text = text.replace('--no-index --find-links "$wheels"', "").replace("--no-index", "")
            assert not re.search(r"index-url|find-links|--index|trusted-host|https?://", text), path.name
