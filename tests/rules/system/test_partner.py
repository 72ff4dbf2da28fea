"""Paired systems: whether one takes its partner's load, now and at the peaks of both."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from rules.phrasing.reasons import said
from rules.plant.reading import OutputSource, Reading
from rules.system.assessment import system_state
from rules.system.load.peaks import NO_PEAKS, Peaks
from rules.system.observation import glance, unit_views
from rules.system.parallel import together
from rules.system.partner import PartnerLoad, added, takes_partner
from rules.system.state import LineLoad, Load, LoadBasis, PartnerVerdict
from rules.values.code import Code
from rules.values.verdict import Verdict
from tests.rules.sample_plants import NOON, estate, month, reading, view

BOTH = [reading("A1"), reading("A2")]
"""Two units of 27 kW and 30 kVA: 18 kW and 20 kVA a line; they carry 6 kW a line now."""


def partner(*watts: float, peaks: Peaks = NO_PEAKS, known: bool = True) -> PartnerLoad:
    lines = tuple(LineLoad(n, w, w / 0.95) for n, w in enumerate(watts, start=1))
    load = Load(sum(watts) if known else None, None, lines)
    return PartnerLoad("B", "Hall B", load, peaks)


def judged(
    other: PartnerLoad, peaks: Peaks = NO_PEAKS, readings: list[Reading] | None = None
) -> PartnerVerdict:
    views = unit_views(view(estate(2), BOTH if readings is None else readings))
    return takes_partner(views, together(views), peaks, other)


def test_with_no_unit_lost_all_of_them_carry_both_loads() -> None:
    found = judged(partner(10_000.0, 9000.0, 9000.0))
    assert found.verdict is Verdict.ADEQUATE
    assert found.tightest_line == 1
    assert found.margin_w == pytest.approx(18_000.0 - 16_000.0)
    assert "tightest is line 1: both ask 16.00 kW now, the units carry 18.00." in said(found.because)[0]


def test_one_line_too_full_is_enough_to_fail() -> None:
    found = judged(partner(3000.0, 12_500.0, 3000.0))
    assert found.verdict is Verdict.INADEQUATE
    assert (found.tightest_line, found.tightest_limit) == (2, "w")
    assert found.margin_w == pytest.approx(-500.0)


def test_it_fits_now_and_not_at_the_peaks_of_both() -> None:
    found = judged(partner(6000.0, 6000.0, 6000.0, peaks=month(*[10_000.0] * 3)), month(*[9000.0] * 3))
    assert found.verdict is Verdict.INADEQUATE
    assert found.basis is LoadBasis.PEAK_30D
    by_basis = {at.basis: at for at in found.at}
    assert by_basis[LoadBasis.NOW].verdict is Verdict.ADEQUATE
    assert by_basis[LoadBasis.NOW].margin_w == pytest.approx(6000.0)
    assert by_basis[LoadBasis.PEAK_30D].margin_w == pytest.approx(-1000.0)
    assert by_basis[LoadBasis.P95_30D].margin_w == pytest.approx(18_000.0 - 0.9 * 19_000.0)


def test_without_a_day_of_record_of_both_it_says_that_the_load_now_is_counted() -> None:
    found = judged(partner(6000.0, 6000.0, 6000.0), month(*[9000.0] * 3))
    assert found.verdict is Verdict.ADEQUATE
    assert found.basis is LoadBasis.NOW
    assert any("less than a day" in text for text in said(found.because))


def test_a_unit_that_is_off_takes_nothing() -> None:
    off = replace(reading("A2", (0.0, 0.0, 0.0), source=OutputSource.NONE))
    found = judged(partner(4000.0, 4000.0, 4000.0), readings=[reading("A1", (6000.0,) * 3), off])
    assert found.verdict is Verdict.INADEQUATE  # 10 kW a line on the 9 kW of one unit
    assert "Unit A2 is off and takes nothing." in said(found.because)


def test_a_silent_unit_leaves_it_open_unless_even_with_it_the_load_is_too_much() -> None:
    one = [reading("A1")]
    peaks = month(*[6000.0] * 3)
    assert judged(partner(*[6000.0] * 3), peaks, one).verdict is Verdict.CANNOT_TELL
    assert judged(partner(*[14_000.0] * 3), peaks, one).verdict is Verdict.INADEQUATE


@pytest.mark.parametrize(
    "other",
    [
        PartnerLoad("B", "Hall B", None, NO_PEAKS),
        PartnerLoad("B", "Hall B", Load(None, None, (LineLoad(1, None, None),)), NO_PEAKS),
    ],
)
def test_a_partner_that_was_not_read_leaves_it_open(other: PartnerLoad) -> None:
    found = judged(other)
    assert found.verdict is Verdict.CANNOT_TELL
    assert found.margin_w is None
    assert "Hall B" in said(found.because)[-1]


def test_a_line_that_only_the_partner_has_is_carried_by_nobody() -> None:
    one_line = Load(100.0, None, (LineLoad(4, 100.0, 105.0),))
    found = judged(PartnerLoad("B", "Hall B", one_line, NO_PEAKS))
    assert found.verdict is Verdict.INADEQUATE
    assert "line 4" in said(found.because)[0]


def test_loads_are_added_line_by_line_and_an_unknown_line_stays_unknown() -> None:
    own = {1: (1.0, 2.0), 2: (3.0, 4.0), 3: None}
    theirs = {1: (10.0, 20.0), 3: (1.0, 1.0)}
    assert added(own, theirs) == {1: (11.0, 22.0), 2: (3.0, 4.0), 3: None}


def test_the_state_of_a_system_carries_the_verdict_only_where_a_partner_is_declared() -> None:
    alone = view(estate(2), BOTH)
    assert system_state(alone, glance(alone), None).partner is None
    paired = replace(alone, partner=partner(*[4000.0] * 3))
    found = system_state(paired, glance(paired), None).partner
    assert found is not None
    assert found.partner == "B"
    assert found.as_of == NOON - timedelta(seconds=2)


def test_what_only_the_partner_has_nobody_carries() -> None:
    found = judged(partner(1000.0, 1000.0, 1000.0, 500.0))
    assert found.verdict is Verdict.INADEQUATE
    assert (found.tightest_line, found.margin_w) == (4, -500.0)
    assert found.because[0].code is Code.PARTNER_LINE_UNCARRIED
    assert found.because[0]["asked"] in {500.0, 500.0 / 0.95}
