"""What a record to come is reckoned with."""

from datetime import UTC, datetime

import numpy as np
import pytest

from rules.battery.assessment.next_discharge.record_error import END_SD, error_at, sureness_of
from rules.battery.discharge.evidence import DischargeEvidence
from rules.battery.discharge.likelihood import HEALTHS


def record(stated: float, used: float) -> DischargeEvidence:
    shape = tuple(float(v) for v in -0.5 * ((HEALTHS - 0.9) / stated) ** 2)
    return DischargeEvidence(
        datetime(2026, 1, 1, tzinfo=UTC), "outage", 600.0, 5e3, 1800.0, used, 0.9, 0.8, 1.0, likelihood=shape
    )


def test_the_deeper_the_surer_and_the_less_of_it_is_shared_with_the_next() -> None:
    found = [error_at(depth) for depth in (0.03, 0.1, 0.25, 0.5, 0.75, 0.9, 1.0)]
    assert [e.stated for e in found] == sorted((e.stated for e in found), reverse=True)
    assert [e.error for e in found] == sorted((e.error for e in found), reverse=True)
    assert found[-1].shared == 0.0
    assert found[0].shared > found[-2].shared > 0.0


def test_at_a_measured_depth_it_is_what_was_measured() -> None:
    # python -m tests.bench.reading_errors FOLDER develop, points: 4.7 off and 6.2 stated at half, 9.0 and 13.6 at a tenth
    assert (error_at(0.5).error, error_at(0.5).stated) == pytest.approx((0.047, 0.062))
    assert (error_at(0.1).error, error_at(0.1).stated) == pytest.approx((0.09, 0.136))


def test_a_bank_whose_past_records_were_judged_surely_is_reckoned_with_less() -> None:
    usual = error_at(0.27 / 0.9).stated
    assert sureness_of([record(0.5 * usual, 0.27)]) == pytest.approx(0.5, rel=0.1)
    assert sureness_of([record(usual, 0.27), record(usual, 0.27)]) == pytest.approx(1.0, rel=0.1)
    assert sureness_of([]) == 1.0
    assert error_at(0.9, 0.1).error == END_SD
    assert np.isclose(error_at(0.3, 0.5).stated, 0.5 * usual)
