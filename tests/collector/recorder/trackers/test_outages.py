"""What came back after an outage: evidence gathered, judged by the rules, kept."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from collector.recorder.trackers.outages import NoSuchOutage, OutageTracker
from rules.alarms.events import PowerEvent
from rules.generator.outage_source import OutageSource, SetWord, SourceBasis, SourceMark
from rules.monitor.state import Book, WatchState
from rules.monitor.step import step
from rules.phrasing.reasons import say
from rules.plant.reading import InputReading, Reading
from tests.rules.sample_plant import START, UNITS, estate, on_bank, reading

NORTH = (*UNITS["works"], *UNITS["control"])


class Played:
    """The watch and the aftermath, fed with the same samples."""

    def __init__(self) -> None:
        self.book = Book(estate())
        self.state = WatchState()
        self.after = OutageTracker(self.book.estate)
        self.events: list[PowerEvent] = []

    def give(self, *samples: Reading) -> None:
        for sample in samples:
            self.state, changes = step(self.state, sample, self.book)
            self.events += self.after.take(sample, changes, self.state.incidents)

    def outage(self, back_s: float = 18.0, hz: float = 50.0) -> None:
        """Play normal, lost at 5 s, back at `back_s`; the input then has a frequency."""
        self.give(*(reading(u, 0.0) for u in NORTH))
        for at_s in (5.0, 10.0):
            self.give(*(on_bank(u, at_s) for u in NORTH))
        self.give(*(at_hz(reading(u, 5.0 + back_s), hz) for u in NORTH))

    def texts(self, kind: str) -> list[str]:
        return [say(e.what) for e in self.events if e.kind == kind]


def at_hz(one: Reading, hz: float) -> Reading:
    lines = tuple(replace(line, frequency_hz=hz) for line in one.input.lines)
    return replace(one, input=InputReading(lines=lines))


def test_without_evidence_it_says_so_once_and_learns_nothing() -> None:
    played = Played()
    played.outage()
    played.give(*(reading(u, 30.0) for u in NORTH))
    assert played.texts("supply_returned") == ["Returned after 18 s, source not known: mark it."]
    assert played.after.seen_steps("works") == {}
    assert played.after.starts("set-1") == ()


def test_a_mark_makes_the_start_known_and_it_goes_on_after_a_restart() -> None:
    played = Played()
    played.outage(back_s=38.0)
    incident = played.events[0].incident
    assert incident is not None
    at = START + timedelta(hours=1)
    found = played.after.mark(incident, SourceMark("R. Haugen", at, OutageSource.GENERATOR))
    assert [e.kind for e in found] == ["supply_returned", "set_start_learnt"]
    # 38 s, less 5 s to detect, 10 s of run-up and 5 s of changeover, all declared
    assert played.after.seen_steps("works")["starts"] == 18.0
    again = OutageTracker(estate())
    again.go_on_from(played.after.snapshot(at))
    assert again.seen_steps("works") == played.after.seen_steps("works")
    assert [s.ground for s in again.starts("set-1")] == [SourceBasis.PERSON]
    again.mark(incident, SourceMark("R. Haugen", at, OutageSource.MAINS))
    assert again.seen_steps("works") == {}


def test_frequency_counts_only_when_every_unit_of_the_supply_shows_it() -> None:
    played = Played()
    played.outage()
    played.give(*(at_hz(reading(u, 30.0), 51.2) for u in NORTH[:-1]))
    assert len(played.texts("supply_returned")) == 1
    played.give(at_hz(reading(NORTH[-1], 31.0), 51.2))
    assert "a generator" in played.texts("supply_returned")[-1]
    assert [s.ground for s in played.after.starts("set-1")] == [SourceBasis.FREQUENCY]


def test_the_sites_word_is_best_and_its_runs_on_load_are_kept() -> None:
    played = Played()
    played.outage()
    played.after.word("set-1", SetWord(START + timedelta(seconds=30), running=True, carries=True))
    assert [s.ground for s in played.after.starts("set-1")] == [SourceBasis.SITE]
    end = START + timedelta(seconds=30 + 2400)
    assert played.after.set_test("set-1", end).last is None, "a run that has not ended is none yet"
    played.after.word("set-1", SetWord(end, running=True, carries=False))
    assert [run.for_s for run in played.after.runs("set-1")] == [2400.0]
    assert played.after.set_test("set-1", end).last == START + timedelta(seconds=30)


def test_of_words_that_repeat_each_other_the_first_and_the_last_are_kept() -> None:
    after = OutageTracker(estate())
    for k in range(1000):
        after.word("set-1", SetWord(START + timedelta(seconds=10 * k), running=True, carries=True))
    after.word("set-1", SetWord(START + timedelta(seconds=10_000), running=False, carries=False))
    assert [run.for_s for run in after.runs("set-1")] == [10_000.0]


def test_the_cards_see_a_part_of_what_the_set_carries_in_a_run() -> None:
    played = Played()
    played.after.word("set-1", SetWord(START, running=True, carries=True))
    for at_s in range(0, 2000, 40):
        played.give(*(reading(u, float(at_s)) for u in NORTH))
    played.after.word("set-1", SetWord(START + timedelta(seconds=2000), running=True, carries=False))
    # ten units on the generator's supply give 3 x 5.1 kW each all the while; the depot stands on another supply
    assert [run.seen_w for run in played.after.runs("set-1")] == [pytest.approx(153_000.0)]
    again = OutageTracker(estate())
    again.go_on_from(played.after.snapshot(START + timedelta(seconds=2000)))
    assert again.runs("set-1") == played.after.runs("set-1")


def test_a_board_that_goes_alone_is_no_outage_of_the_supply_and_teaches_no_start() -> None:
    played = Played()
    works, control = UNITS["works"], UNITS["control"]
    played.give(*(reading(u, 0.0) for u in NORTH))
    for at_s in (5.0, 10.0, 15.0):
        played.give(*(on_bank(u, at_s) for u in works), *(reading(u, at_s) for u in control))
    played.give(*(at_hz(reading(u, 40.0), 51.4) for u in NORTH))
    played.after.word("set-1", SetWord(START + timedelta(seconds=20), running=True, carries=True))
    assert played.after.outages == ()
    assert played.after.starts("set-1") == ()


def test_a_unit_that_refuses_the_set_does_not_make_the_start_look_late() -> None:
    played = Played()
    played.give(*(reading(u, 0.0) for u in NORTH))
    for at_s in (5.0, 10.0):
        played.give(*(on_bank(u, at_s) for u in NORTH))
    refusing = NORTH[0]
    played.give(*(reading(u, 30.0) for u in NORTH[1:]), on_bank(refusing, 30.0))
    played.give(reading(refusing, 600.0))
    assert played.texts("supply_returned") == ["Returned after 25 s, source not known: mark it."]


def test_a_supply_lost_again_in_one_incident_is_marked_by_when_it_was_lost() -> None:
    played = Played()
    played.outage(back_s=38.0)
    for at_s in (60.0, 62.0):  # the load goes back to the mains
        played.give(*(on_bank(u, at_s) for u in NORTH))
    played.give(*(reading(u, 66.0) for u in NORTH))
    first, second = played.after.outages
    assert first.incident == second.incident is not None
    assert first.incident is not None
    at = START + timedelta(hours=1)
    played.after.mark(first.incident, SourceMark("R. Haugen", at, OutageSource.MAINS), second.lost_at)
    played.after.mark(first.incident, SourceMark("R. Haugen", at, OutageSource.GENERATOR))
    assert [o.found.source for o in played.after.outages if o.found] == [
        OutageSource.GENERATOR,
        OutageSource.MAINS,
    ]


def test_an_incident_that_is_no_outage_cannot_be_marked() -> None:
    with pytest.raises(NoSuchOutage):
        OutageTracker(estate()).mark("power-9", SourceMark("R. Haugen", START, OutageSource.MAINS))
