from dataclasses import replace

from collector.read_model.counting import counted_by, with_counts
from collector.read_model.sheet import ShownAlarm
from tests.api.pages import samples
from tests.collector.read_model.test_sources import incident


def test_what_an_incident_explains_is_counted_once_under_its_first_alarm_that_stands() -> None:
    first = ShownAlarm(
        "a1", "W1", "Told.", "Do.", "major", "active_unacknowledged", samples.NOW, incident="i1"
    )
    beside = replace(first, id="a2")
    held = replace(first, id="a3", state="suppressed_by_design")
    made = with_counts((held, first, beside), {"i1": frozenset({"a1", "a2", "a3", "a4"})})
    assert [alarm.counted for alarm in made] == [0, 2, 0]


def test_an_incident_that_a_later_program_wrote_is_left_out() -> None:
    line = incident()
    strange = replace(line, id="i9", body={"what": "this"})
    assert list(counted_by([line, strange])) == [line.id]
