"""Stories in which something false was once said, played again; and many new ones.

pytest -s tests/backtest/test_audit.py    # minutes
"""

from __future__ import annotations

import pytest

from tests.audit.audit import audited
from tests.audit.found import FOUND, Found
from tests.audit.mutations import MUTATIONS


@pytest.mark.parametrize("found", FOUND, ids=lambda one: one.what)
def test_what_was_false_once_is_so_now(found: Found) -> None:
    one = audited(found.story)
    assert [f"{said.kind}: {why.why}" for said, why in one.false if said.kind in found.kinds] == []
    assert any(said.kind in found.kinds for said, _ in one.found)


def test_faults_put_into_the_judge_are_caught() -> None:
    sound: dict[str, bool] = {}
    escaped = []
    for mutation in MUTATIONS:
        name = repr(mutation.story)
        if name not in sound:
            sound[name] = audited(mutation.story).sound
        with mutation.made():
            faults = audited(mutation.story).faults()
        print(f"{mutation.what}: {dict(faults)}")
        if not faults:
            escaped.append(mutation.what)
    assert all(sound.values())
    assert len(MUTATIONS) >= 20
    assert len(escaped) <= len(MUTATIONS) // 20, escaped
