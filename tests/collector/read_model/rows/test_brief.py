"""The words of a row's cells: by when to act, the size of units bought now, the first load to shed."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from collector.read_model.rows.brief import by_when_words, shed_words, size_words
from rules.plant.estate import LoadGroup
from rules.system.state import OnBattery, ShedFirst, ShedStep
from rules.values.reason import told
from tests.api.pages import samples
from tests.rules.sample_plant import system_state

BERLIN = ZoneInfo("Europe/Berlin")
AT = datetime(2026, 12, 30, 22, 30, tzinfo=UTC)
"""Half past eleven at night in Berlin."""
PUMPS = LoadGroup("pumps", "works", (700.0, 700.0, 700.0), 2)
HEATERS = LoadGroup("heaters", "works", (0.0, 900.0, 0.0), 3)
EQUALS = (replace(HEATERS, id="east"), replace(HEATERS, id="west", watts=(900.0, 0.0, 0.0)))


@pytest.mark.parametrize(
    ("when", "said"),
    [
        (None, ""),
        (AT - timedelta(hours=1), "now"),
        (AT, "now"),
        (AT + timedelta(minutes=20), "before 23:50"),  # of today by the site's clock
        (AT + timedelta(hours=2), "before 31 Dec"),  # tomorrow there, though it is still today in UTC
        (AT + timedelta(days=9), "before 8 Jan 2027"),
        (date(2026, 12, 30), "now"),
        (date(2026, 12, 31), "before 31 Dec"),
    ],
)
def test_a_deadline_is_said_by_the_clock_of_the_site_and_never_later_than_it_is(
    when: datetime | date | None, said: str
) -> None:
    assert by_when_words(when, AT, BERLIN) == said


def test_a_size_is_one_rating_or_a_range_or_more_units() -> None:
    found = samples.sizes(years=1)["works"]
    of = found.units
    assert size_words(None) == ""
    for low, high, said in (
        (15_000.0, 15_000.0, "15"),
        (15_000.0, 20_000.0, "15 to 20"),
        (15_000.0, None, "15"),
        (None, None, "more units"),
    ):
        units = replace(of, advised_from_va=low, advised_to_va=high)
        assert size_words(replace(found, units=units)) == said


def test_the_least_important_load_goes_first_and_of_equals_what_relieves_the_line_that_asks_most() -> None:
    state = system_state("works", 10.0)
    lines = tuple(replace(line, power_w=9000.0 if line.line == 2 else 4000.0) for line in state.load.lines)
    assert {line.line for line in lines} == {1, 2, 3}
    state = replace(state, load=replace(state.load, lines=lines))
    assert shed_words(state, ()) == ""
    assert shed_words(state, (PUMPS, HEATERS)) == "heaters, 0.9\u00a0kW"
    assert shed_words(None, (PUMPS,)) == "pumps, 2.1\u00a0kW"
    assert shed_words(state, EQUALS) == "east, 0.9\u00a0kW"


def test_on_its_banks_it_is_what_was_reckoned_for_this_outage() -> None:
    state = system_state("works", 10.0)
    shed = ShedFirst(AT, 600.0, told("the generator's start"), (ShedStep("pumps", 2100.0),), reached=True)
    on = OnBattery(AT, AT + timedelta(minutes=10), None, shed=shed)
    assert shed_words(replace(state, on_battery=on), (PUMPS, HEATERS)) == "pumps, 2.1\u00a0kW"
    held = replace(on, shed=replace(shed, steps=()))
    assert shed_words(replace(state, on_battery=held), (PUMPS, HEATERS)) == "nothing yet"
    untold = replace(on, shed=replace(shed, steps=(), reached=None))
    assert shed_words(replace(state, on_battery=untold), (PUMPS, HEATERS)) == "heaters, 0.9\u00a0kW"
