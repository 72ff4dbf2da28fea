"""What a discharge is shown as, and what its card had promised, from what was kept of it."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from rules.battery.assessment.evidence import claims_of, judged
from rules.battery.discharge.evidence import DischargeEvidence

SHOWN = DischargeEvidence(
    datetime(2026, 3, 1, tzinfo=UTC),
    "outage",
    500.0,
    4_320.0,
    1800.0,
    used=0.4,
    fraction=0.8,
    low=0.7,
    high=0.9,
    claimed_s=1200.0,
)


@pytest.mark.parametrize(
    ("used", "fraction", "depth"), [(0.4, 0.8, 0.5), (0.8, 0.8, 1.0), (0.9, 0.8, 1.0), (0.4, None, None)]
)
def test_a_discharge_is_no_deeper_than_what_the_bank_gives(
    used: float, fraction: float | None, depth: float | None
) -> None:
    assert judged(replace(SHOWN, used=used, fraction=fraction)).depth_fraction == depth


@pytest.mark.parametrize(
    ("changes", "true_s"),
    [
        ({}, 500.0 * 0.8 / 0.4),  # half of what it gives took 500 s
        ({"used": 0.24}, None),  # three tenths of what it gives tell too little
        ({"used": 0.25}, 500.0 * 0.8 / 0.25),
        ({"ended": True}, 500.0),
        ({"failed": True, "fraction": None}, 500.0),
        ({"fraction": None}, None),
        ({"low": 0.6, "high": 0.9}, None),  # where what was there is hardly known no promise is judged
    ],
)
def test_a_promise_is_held_against_what_was_there(changes: dict[str, object], true_s: float | None) -> None:
    (claim,) = claims_of([replace(SHOWN, **changes)])  # type: ignore[arg-type]
    assert claim.claimed_s == 1200.0
    assert claim.true_s == (None if true_s is None else pytest.approx(true_s))
