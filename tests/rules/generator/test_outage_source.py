"""What came back after an outage, and what is learnt of the generator's starts."""

from __future__ import annotations

from datetime import datetime, timedelta

from rules.generator.outage_source import (
    OutageSource,
    SetStart,
    SetWord,
    SourceBasis,
    SourceMark,
    UnitReturn,
    learnt,
    returned,
    seen_steps,
)
from rules.phrasing.reasons import say
from tests.rules.sample_plants import NOON, SET, estate


def after(seconds: float) -> datetime:
    return NOON + timedelta(seconds=seconds)


BACK = after(18.0)


def hertz(*values: float) -> list[tuple[datetime, float]]:
    return [(after(20.0 + 5.0 * k), value) for k, value in enumerate(values)]


def test_eighteen_seconds_alone_prove_nothing() -> None:
    found = returned(NOON, BACK)
    assert (found.source, found.ground) == (OutageSource.UNKNOWN, SourceBasis.NONE)
    assert say(found.because) == "Returned after 18 s, source not known: mark it."


def test_the_site_s_word_wins_over_a_person_s_mark() -> None:
    mark = SourceMark("R. Haugen", after(600.0), OutageSource.MAINS)
    found = returned(NOON, BACK, words=[SetWord(after(17.0), True, True)], mark=mark)
    assert (found.source, found.ground) == (OutageSource.GENERATOR, SourceBasis.SITE)


def test_a_set_that_ran_and_did_not_carry_is_the_mains() -> None:
    assert returned(NOON, BACK, words=[SetWord(after(10.0), True, False)]).source is OutageSource.MAINS


def test_a_word_from_before_the_outage_is_no_evidence() -> None:
    assert returned(NOON, BACK, words=[SetWord(after(-60.0), True, True)]).source is OutageSource.UNKNOWN


def test_a_person_s_mark_wins_over_frequency() -> None:
    found = returned(
        NOON,
        BACK,
        mark=SourceMark("R. Haugen", after(60.0), OutageSource.MAINS),
        frequency_hz={"A1": hertz(51.0)},
    )
    assert (found.source, found.ground) == (OutageSource.MAINS, SourceBasis.PERSON)


def test_frequency_off_on_every_unit_is_a_set() -> None:
    both = {"A1": hertz(50.0, 51.2, 50.1), "A2": hertz(49.0, 50.0)}
    assert returned(NOON, BACK, frequency_hz=both).source is OutageSource.GENERATOR


def test_frequency_off_on_one_unit_is_a_bad_meter() -> None:
    one = {"A1": hertz(50.0, 51.2), "A2": hertz(50.0, 50.1)}
    assert returned(NOON, BACK, frequency_hz=one).source is OutageSource.UNKNOWN


def test_zero_hertz_of_the_outage_is_not_a_frequency() -> None:
    assert returned(NOON, BACK, frequency_hz={"A1": hertz(0.0)}).source is OutageSource.UNKNOWN


def test_steps_seen_from_the_cards() -> None:
    returns = [
        UnitReturn("A1", after(40.0), after(55.0), after(70.0)),
        UnitReturn("A2", after(41.0), after(66.0), after(84.0)),
    ]
    steps = seen_steps(SET, estate(2).units_of("A"), NOON, returns, SourceBasis.SITE)
    # supply after 40 s, less 5 to detect, 12 to run up, 3 to change over
    assert steps == {"starts": 20.0, "accept": 15.0, "hold_off": 10.0, "walk_in": 18.0}


def test_without_evidence_nothing_is_learnt() -> None:
    returns = [UnitReturn("A1", after(40.0), after(55.0), after(70.0))]
    assert seen_steps(SET, estate(1).units_of("A"), NOON, returns, SourceBasis.NONE) == {}
    assert learnt([SetStart(NOON, 40.0, SourceBasis.NONE)], 95.0).count == 0


def test_starts_that_took_longer_than_declared_are_said() -> None:
    found = learnt([SetStart(NOON, s, SourceBasis.PERSON) for s in (30.0, 40.0, 120.0)], 95.0)
    assert (found.count, found.median_s, found.longest_s) == (3, 40.0, 120.0)
    assert "1 of them took longer" in say(found.because)


def test_a_set_that_carried_and_gave_the_load_back_within_minutes_was_still_the_set() -> None:
    words = [SetWord(after(17.0), True, True), SetWord(after(80.0), True, False)]
    assert returned(NOON, BACK, words=words).source is OutageSource.GENERATOR


def test_a_mark_of_not_known_ends_the_asking_and_yields_to_frequency() -> None:
    mark = SourceMark("R. Haugen", after(60.0), OutageSource.UNKNOWN)
    found = returned(NOON, BACK, mark=mark)
    assert (found.source, found.ground) == (OutageSource.UNKNOWN, SourceBasis.PERSON)
    assert say(found.because) == "Returned after 18 s; what fed it is not known, says R. Haugen."
    assert returned(NOON, BACK, mark=mark, frequency_hz={"A1": hertz(51.0)}).ground is SourceBasis.FREQUENCY
