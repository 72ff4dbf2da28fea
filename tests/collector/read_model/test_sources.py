"""What the rules and the collector keep becomes what a sheet shows."""

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from api.pages.hold_up.unit_tracks import track
from api.pages.markup.elements import render
from collector.read_model.sources import KEEPS, Traces, isolation_of, outages_of, score_of, with_unit_lost
from collector.read_model.wall_clock import WallClock
from collector.storage.ledger.records import IncidentLine, JournalLine
from rules.alarms.catalogue import Cause
from rules.alarms.incidents.incident import Incident, IncidentPart
from rules.planning.isolation import rows
from rules.planning.isolation.check import Between, Isolation, Overall
from rules.planning.isolation.rows import CheckRow, Result
from rules.system.forecast_score import Outcome, Prediction, score
from rules.values.code import Code
from rules.values.reason import reason, told
from rules.values.serial import from_plain, to_plain
from rules.values.severity import Severity
from tests.api.pages import samples

LOST = datetime(2026, 11, 20, 3, 0, tzinfo=UTC)
CLOCK = WallClock("Europe/London", samples.NOW)


def incident(**more: object) -> IncidentLine:
    part = IncidentPart("works", LOST, LOST + timedelta(seconds=300), ("W1", "W2"), 1020.0, 1140.0)
    body = Incident(
        "power-b-1",
        "b",
        Cause.POWER,
        "b",
        LOST,
        0.0,
        Severity.CRITICAL,
        ever=("x", "y"),
        counted=("x", "y"),
        notices=2,
        parts={"works": replace(part, **more)},  # type: ignore[arg-type]
        summary="The works were on their banks for 5 min.",
    )
    return IncidentLine(
        "power-b-1", "b", "critical", LOST, LOST + timedelta(seconds=600), body=to_plain(body)
    )


JOURNAL = (
    JournalLine(
        LOST + timedelta(seconds=300), "unit_from_battery", "W1", "Unit W1 left its bank after 5 min."
    ),
    JournalLine(LOST + timedelta(seconds=1), "unit_to_battery", "W1", "Unit W1 went to its bank."),
    JournalLine(LOST, "mains_lost", "b", "Mains lost at b."),
    JournalLine(LOST, "incident_opened", "b", "Mains lost; works on banks.", incident="power-b-1"),
    JournalLine(LOST, "alarm_raise", "W1", "Unit W1 feeds its load from its bank.", incident="power-b-1"),
    JournalLine(LOST, "unit_to_battery", "A1", "Unit A1 went to its bank."),
    JournalLine(LOST + timedelta(days=1), "unit_to_battery", "W1", "Another day."),
)


def test_an_outage_tells_its_own_story_and_no_other() -> None:
    (event,) = outages_of([incident()], JOURNAL, samples.estate())
    assert (event.system, event.took_s, event.carried) == ("works", 300.0, True)
    assert event.text == "Back on supply after 5 min 0 s on battery; the load was carried throughout."
    assert [line.text for line in event.lines] == [
        "Mains lost at b.",
        "Mains lost; works on banks.",
        "Unit W1 went to its bank.",
        "Unit W1 left its bank after 5 min.",
    ]
    assert [(fed.unit, fed.source) for fed in event.fed] == [
        ("W1", "supply"),
        ("W2", "supply"),
        ("W1", "banks"),
        ("W1", "supply"),
    ]
    assert (event.notices, event.messages) == (2, 2)


def test_an_outage_says_who_answered_and_how_long_it_took_as_its_sentence_does() -> None:
    at = LOST + timedelta(seconds=60)
    body = {"who": "R. Haugen", "deed": "acknowledge", "why": "on my way"}
    said = (
        JournalLine(at, "taken_on", "b", "J. Dale has it.", incident="power-b-1"),
        JournalLine(at, "act", "x", "R. Haugen, acknowledge, x: on my way (here).", alarm="x", body=body),
        JournalLine(
            at, "act", "x", "R. Haugen, shelve, x (here).", alarm="x", body={**body, "deed": "shelve"}
        ),
        JournalLine(at, "act", "z", "R. Haugen, acknowledge, z (here).", alarm="z", body=body),
        JournalLine(at, "taken_on", "b", "K. Berg has it.", incident="power-b-2"),
    )
    (event,) = outages_of([incident(until=LOST + timedelta(seconds=40.6))], said, samples.estate())
    assert [line.text for line in event.lines] == ["J. Dale has it.", "R. Haugen acknowledged it: on my way"]
    assert event.took_s == 41.0  # "after 41 s" stands beside it


def test_what_was_not_put_to_its_end_proves_nothing() -> None:
    (event,) = outages_of([incident()], JOURNAL, samples.estate())
    assert event.foretold[0].inside is None
    (dropped,) = outages_of([incident(dropped=True)], JOURNAL, samples.estate())
    assert dropped.carried is False
    assert dropped.foretold[0].inside is False
    (on,) = outages_of([incident(until=None)], JOURNAL, samples.estate())
    assert (on.took_s, on.carried) == (None, None)


def test_each_system_of_an_outage_has_its_own_time_beside_its_own_words() -> None:
    """One incident of two systems closed after 3 min 42 s; that stood in the row of the one that was back after 3:20."""
    line = incident(until=LOST + timedelta(seconds=200))
    body = from_plain(Incident, line.body)
    fed_at = LOST + timedelta(seconds=900)
    later = IncidentPart("depot", LOST, LOST + timedelta(seconds=222), ("D1",), dropped=True, fed_at=fed_at)
    both = replace(line, body=to_plain(replace(body, parts={**body.parts, "depot": later})))
    one, other = sorted(outages_of([both], (), samples.estate()), key=lambda event: event.took_s or 0.0)
    assert (one.took_s, other.took_s) == (200.0, 222.0)
    assert one.text == "Back on supply after 3 min 20 s on battery; the load was carried throughout."
    assert other.text == "Over after 3 min 42 s on battery. Its load was dropped."


def test_the_story_of_an_outage_ends_where_the_next_begins_and_says_who_answered() -> None:
    """A minute after it was over the mains went once more; what belongs to that one stood in the story of the first."""

    def at(seconds: float, kind: str, about: str, text: str, **more: str) -> JournalLine:
        return JournalLine(LOST + timedelta(seconds=seconds), kind, about, text, **more)  # type: ignore[arg-type]

    lines = (
        at(-40, "unit_from_battery", "W1", "Unit W1 left its bank of the outage before."),
        at(30, "taken_on", "b", "R. Haugen has it.", incident="power-b-1"),
        at(300, "unit_from_battery", "W1", "Unit W1 left its bank after 5 min."),
        at(310, "unit_from_battery", "W2", "Unit W2 left its bank, read ten seconds on."),
        at(360, "mains_lost", "b", "Mains lost once more."),
        at(361, "unit_to_battery", "W1", "Unit W1 went once more."),
    )
    (event,) = outages_of([incident()], lines, samples.estate())
    assert [line.text for line in event.lines] == [one.text for one in lines[1:4]]


def test_an_outage_of_some_units_alone_is_told_as_theirs() -> None:
    line = incident()
    body = from_plain(Incident, line.body)
    works = replace(line, body=to_plain(replace(body, about="works")))
    (event,) = outages_of([works], (), samples.estate())
    assert event.text.startswith("Only W1 and W2 lost their input. Back on supply after 5 min")


def test_a_body_of_another_shape_is_left_out() -> None:
    odd = replace(incident(), body={"shape": "of tomorrow"})
    assert outages_of([odd], JOURNAL, samples.estate()) == ()


def test_where_no_card_says_what_fed_it_there_are_two_tracks() -> None:
    (event,) = outages_of([incident()], JOURNAL, samples.estate())
    html = render(track(event, CLOCK))
    assert "at-supply" in html
    assert "at-generator" not in html
    assert "at-generator" in render(track(samples.past_outage(), CLOCK))


def test_a_score_leaves_out_what_was_never_foretold() -> None:
    outcomes = [Outcome("works", LOST, 900.0), Outcome("works", LOST + timedelta(days=1), 800.0)]
    made = score([Prediction("works", LOST + timedelta(hours=1), 700.0, 850.0, 950.0)], outcomes)
    assert [(o.low_s, o.truth_s) for o in score_of(made).outages] == [(700.0, 800.0)]


def checked(overall: Overall, *rows: CheckRow, between: tuple[Between, ...] = ()) -> Isolation:
    return Isolation("works", "W3", LOST, LOST + timedelta(hours=4), overall, rows, between, LOST)


def test_an_isolation_is_answered_with_its_first_reason_and_when_it_would_be_met() -> None:
    row = CheckRow("load on every line", Result.NOT_MET, told("L2 would be 0.4 kW over."))
    asked = CheckRow("phase rotation", Result.PERSON, told("phase rotation"), decides=False)
    no = isolation_of(checked(Overall.NOT_MET, asked, row), CLOCK)
    assert no.answer == "No. L2 would be 0.4 kW over."
    assert no.not_met == ("L2 would be 0.4 kW over.",)
    assert no.person == ("Phase rotation",)
    slot = Between(samples.NOW, samples.NOW + timedelta(hours=1))
    later = isolation_of(checked(Overall.NOT_MET, row, between=(slot,)), CLOCK)
    assert later.answer.endswith("It would be met from 14:32:10 to 15:32:10.")
    assert isolation_of(checked(Overall.MET), CLOCK).answer == "As far as can be seen, yes."


def test_a_trace_grows_with_every_look_and_is_forgotten_when_it_is_over() -> None:
    traces = Traces()
    state = samples.outage().systems[1]
    assert state.on_battery is not None
    since = state.on_battery.since
    for second in range(0, 60, 5):
        shown = traces.look([state], since + timedelta(seconds=second))
    assert len(shown["works"].trace) == 12
    lefts = [left for _, left in shown["works"].trace]
    assert lefts[0] == 1.0
    assert lefts == sorted(lefts, reverse=True)
    assert traces.look([samples.works_state()], since) == {}
    again = traces.look([state], since + timedelta(seconds=90))
    assert len(again["works"].trace) == 1


def test_a_trace_adds_nothing_that_is_only_reckoned_and_stays_small() -> None:
    traces = Traces()
    state = samples.outage(heard=False).systems[1]
    assert state.on_battery is not None
    shown = traces.look([state], state.on_battery.since + timedelta(seconds=100))
    assert shown["works"].trace == ()
    heard = samples.outage().systems[1]
    for second in range(0, 1800, 2):
        shown = traces.look([heard], heard.on_battery.since + timedelta(seconds=second))  # type: ignore[union-attr]
    assert len(shown["works"].trace) <= 361
    assert with_unit_lost(shown["works"], heard).one_unit_lost_from_now == heard.hold_up.one_unit_lost


def test_what_keeps_a_unit_from_being_taken_out_has_a_few_words_of_its_own() -> None:
    source = Path(rows.__file__).read_text()
    named = set(re.findall(r'CheckRow\(\s*"(\w+)", Result\.NOT_MET|check = "(\w+)"', source))
    checks = {one or other for one, other in named} | {"load_fits_now", "load_fits_window"}
    assert len(checks) >= 9
    assert checks <= set(KEEPS), "a check that can be not met has no words"
    why = CheckRow("others_hold", Result.NOT_MET, told("It is so"))
    over = replace(why, because=reason(Code.OVERLOADS_ONE_LOST, "W1", line=2, share=1.2))
    asked = Isolation("works", "W1", LOST, LOST, Overall.NOT_MET, (), (), LOST)
    fine = CheckRow("no_alarms", Result.MET, told("None stands"))
    for first, said in ((why, "banks too short"), (over, "load too high")):
        assert isolation_of(replace(asked, rows=(fine, first)), CLOCK).why == said
    assert isolation_of(replace(asked, overall=Overall.MET, rows=(fine,)), CLOCK).why == ""
