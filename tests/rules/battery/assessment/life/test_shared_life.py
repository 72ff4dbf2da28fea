"""What other blocks say of a life: laws it must keep, whatever the figures."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from rules.battery.assessment.bank import judge_bank
from rules.battery.assessment.fusion import CapacityEvidence, Lives, fuse
from rules.battery.assessment.life.shared_life import (
    BATCH_DAYS,
    MOST_LESSONS,
    by_others,
    informed,
    lesson,
    nearest,
)
from rules.battery.model.ageing import LIFE_SPREAD, age_curve, life_prior
from rules.battery.state import Blocks, LifeLesson
from rules.plant.estate import FittedBank
from tests.rules.battery.assessment.test_bank import BANK, FITTED, NOW, discharge, evidence

FROM = date(2019, 1, 1)
HERE = Blocks("d1", "T", "mill", FROM)
SIBLING = Blocks("d2", "T", "mill", FROM)
BEFORE = replace(HERE, from_day=date(2012, 1, 1))
ELSEWHERE = Blocks("q1", "T", "dock", date(2015, 6, 1))
NEIGHBOUR = Blocks("d9", "U", "mill", date(2015, 6, 1))
STRANGER = Blocks("q9", "U", "dock", date(2015, 6, 1))
AGE = age_curve(FROM, NOW.date(), [], room_c=22.0)
PRIOR = life_prior(10.0, AGE)


def shorter(of: Blocks, by: float = -0.5, sd: float = 0.1) -> LifeLesson:
    return LifeLesson(of, by, sd)


def test_nobody_taught_anything_and_the_class_alone_speaks() -> None:
    assert informed(PRIOR, HERE, ()) == PRIOR
    assert informed(PRIOR, HERE, (shorter(HERE),)) == PRIOR  # its own discharges are fused, never taken twice
    assert nearest(HERE, (shorter(HERE),)) == ()
    assert by_others(PRIOR, PRIOR, "d1", ()) is None


def test_those_that_share_more_say_more_and_a_stranger_nothing() -> None:
    shift = [
        informed(PRIOR, HERE, (shorter(of),)).ln_life - PRIOR.ln_life
        for of in (BEFORE, SIBLING, ELSEWHERE, NEIGHBOUR, STRANGER)
    ]
    assert shift[0] < shift[2]
    assert shift[1] < shift[2] < shift[3] < shift[4]
    assert shift[4] == pytest.approx(0.0)
    assert nearest(HERE, (shorter(STRANGER),)) == ()


def test_a_batch_ends_with_its_months() -> None:
    near = replace(SIBLING, from_day=FROM + timedelta(days=BATCH_DAYS))
    later = replace(SIBLING, from_day=FROM + timedelta(days=BATCH_DAYS + 1))
    shift = [informed(PRIOR, HERE, (shorter(of),)).ln_life for of in (SIBLING, near, later)]
    assert shift[0] == shift[1] < shift[2]


def test_however_many_agree_a_part_stays_with_the_bank() -> None:
    many = [shorter(replace(SIBLING, place=f"s{n}")) for n in range(40)]
    found = informed(PRIOR, HERE, nearest(HERE, many))
    assert len(nearest(HERE, many)) == MOST_LESSONS
    assert found.ln_life_sd < 0.85 * PRIOR.ln_life_sd
    assert found.ln_life_sd > np.sqrt(0.35) * LIFE_SPREAD  # its own third, at the least
    assert PRIOR.ln_life - 0.5 < found.ln_life < PRIOR.ln_life - 0.25


def test_two_that_share_the_same_causes_do_not_count_twice() -> None:
    one = informed(PRIOR, HERE, (shorter(ELSEWHERE),))
    twin = informed(PRIOR, HERE, (shorter(ELSEWHERE), shorter(replace(ELSEWHERE, place="q2"))))
    assert twin.ln_life < one.ln_life
    assert twin.ln_life - PRIOR.ln_life > 1.6 * (one.ln_life - PRIOR.ln_life)


def lives_of(fraction: float, *, sd: float = 0.03, years: float = 5.0) -> Lives:
    day = FROM + timedelta(days=years * 365.25)
    return fuse(AGE, PRIOR, [CapacityEvidence(day, fraction, sd, 3600.0)], 3600.0, 1)


def test_a_worn_bank_teaches_a_short_life_and_a_sound_one_a_long_one() -> None:
    worn = lesson(HERE, lives_of(0.7, years=3.0), PRIOR)
    sound = lesson(HERE, lives_of(0.93), PRIOR)
    assert worn is not None
    assert sound is not None
    assert worn.ln_ratio < -0.3
    assert sound.ln_ratio > 0.3


def test_hardly_any_evidence_and_an_early_failure_teach_nothing() -> None:
    assert lesson(HERE, fuse(AGE, PRIOR, [], 3600.0, 1), PRIOR) is None
    assert lesson(HERE, lives_of(0.9, sd=0.8), PRIOR) is None
    assert lesson(HERE, lives_of(0.6, years=0.8), PRIOR) is None


def test_what_a_bank_teaches_does_not_change_with_what_it_was_taught() -> None:
    seen = (discharge(700, 0.9, used=0.6), discharge(30, 0.75, used=0.6))
    alone = judge_bank(evidence(*seen)).state.rests_on
    taught = judge_bank(evidence(*seen, lessons=(shorter(replace(SIBLING, site="")),))).state.rests_on
    assert alone is not None
    assert taught is not None
    assert alone.teaches == taught.teaches != ()


def test_a_bank_of_a_type_that_wears_early_is_to_be_renewed_earlier_and_says_by_whom() -> None:
    lessons = tuple(shorter(replace(SIBLING, place=f"s{n}", site="")) for n in range(3))
    alone = judge_bank(evidence(discharge(30, 0.95))).state
    told = judge_bank(evidence(discharge(30, 0.95), lessons=lessons)).state
    assert alone.by_others is None
    assert told.by_others is not None
    assert (told.by_others.banks, told.by_others.before) == (3, 0)
    assert told.by_others.low < told.by_others.lasts < 0.9
    assert told.dates.expected_end is not None
    assert alone.dates.expected_end is not None
    assert told.dates.expected_end < alone.dates.expected_end
    assert told.rests_on is not None
    assert alone.rests_on is not None
    assert told.rests_on.others
    assert not alone.rests_on.others


def test_blocks_that_were_here_before_teach_by_their_own_discharges() -> None:
    earlier = FittedBank(
        date(2013, 1, 1), FITTED.from_day, "T", 40, 1.67, 9.0, 20.0, FITTED.constant_power, 10.0
    )
    bank = replace(BANK, fitted=(earlier, FITTED))
    days = (NOW.date() - date(2016, 6, 1)).days
    found = judge_bank(evidence(discharge(days, 0.62, ended=True, used=0.62), discharge(30, 0.95), bank=bank))
    assert found.state.by_others is not None
    assert (found.state.by_others.banks, found.state.by_others.before) == (1, 1)
    assert found.state.by_others.lasts < 1.0
    assert found.state.rests_on is not None
    assert {one.of.from_day for one in found.state.rests_on.teaches} == {date(2013, 1, 1), FITTED.from_day}
    assert len(found.state.discharges) == 1  # of the blocks of now
