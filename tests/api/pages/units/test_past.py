"""How a unit went: what is drawn is what was read, a gap is a gap, and the extremes are not lost in means."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from api.pages.markup.course_plot import DrawnCourse, Plot, PlotDot, PlotLimit, answer, plot
from api.pages.markup.elements import render
from api.pages.markup.frame import document
from api.pages.units.past import _between, past_page
from collector.read_model.history.imported import ImportedReadings
from collector.read_model.history.unit_past import (
    LENGTH,
    POINTS,
    Course,
    PastSpan,
    UnitPast,
    shares,
    unit_past,
)
from collector.read_model.wall_clock import WallClock
from collector.storage.history.store import Bucket
from rules.plant.estate import Estate
from tests.api.pages import samples
from tests.api.pages.samples import NOW
from tests.api.pages.sheets.test_registry import check

END = datetime(2026, 11, 24, 14, 0, tzinfo=UTC)
DAY = timedelta(days=1)
CLOCK = WallClock("Europe/London", END)


def drawn(*values: float | None, dots: tuple[PlotDot, ...] = (), limits: tuple[PlotLimit, ...] = ()) -> Plot:
    figure = "{:.1f}".format
    return Plot("Load", "kW", END, DAY, (DrawnCourse("L1", values),), figure, CLOCK, limits, dots=dots)


def test_a_gap_is_hatched_and_no_line_runs_through_it() -> None:
    html = render(plot(drawn(1.0, 2.0, None, None, 3.0, 4.0)))
    assert html.count("M") == 2  # two runs
    assert 'fill="url(#h-loose)"' in html
    assert "not read" in html
    assert "not read for 34 % of the time" in html
    whole = render(plot(drawn(1.0, 2.0, 3.0)))
    assert whole.count("M") == 1
    assert "h-loose" not in whole


def test_without_a_reading_it_says_so_and_draws_nothing() -> None:
    html = render(plot(drawn(None, None)))
    assert "Nothing was read in this time." in html
    assert "<svg" not in html


def test_limits_and_what_happened_are_drawn_and_said() -> None:
    dot = PlotDot(END - timedelta(hours=6), 2.0, "9 Oct: judged 68 %", href="/banks/3")
    picture = drawn(1.0, 2.0, 3.0, limits=(PlotLimit(5.0, "one line carries 5.0"),), dots=(dot,))
    html = render(plot(picture))
    assert 'cx="75%"' in html
    assert 'href="/banks/3"' in html
    said = answer(picture)
    assert "L1: 1.0 to 3.0" in said
    assert "one line carries 5.0" in said
    assert "judged 68 %" in said


@given(st.lists(st.none() | st.floats(-1e6, 1e6), min_size=1, max_size=40))
def test_whatever_was_read_every_point_lies_in_the_plot(values: list[float | None]) -> None:
    html = render(plot(drawn(*values)))
    known = [v for v in values if v is not None]
    assert ("<svg" in html) is bool(known)
    paths = html.split(' d="')[1:]
    for drawn_path in (part.split('"')[0] for part in paths):
        for run in drawn_path.split("M")[1:]:
            x = y = 0.0
            for point in run.split("l"):
                by_x, by_y = map(float, point.split())
                x, y = x + by_x, y + by_y
                assert -0.01 <= x <= 1000.01
                assert -0.01 <= y <= 150.01


def bucket(start: datetime, mean: float | None, peak: float | None = None) -> Bucket:
    least = None if mean is None else mean - 1.0
    return Bucket(start, least, mean, mean if peak is None else peak, 0 if mean is None else 60, 60)


def course(line: int | None, span: PastSpan, values: list[float | None]) -> Course:
    each = LENGTH[span] / len(values)
    return Course(line, tuple(bucket(END - LENGTH[span] + n * each, v) for n, v in enumerate(values)))


def test_a_share_is_of_all_units_and_unknown_where_one_was_not_read() -> None:
    mine = [course(1, PastSpan.DAY, [1000.0, 1000.0, None, 0.0])]
    other = [course(1, PastSpan.DAY, [3000.0, None, 1000.0, 0.0])]
    assert shares(mine, [mine, other]) == (0.25, None, None, None)


class Scripted:
    """A history in which a unit carries more by day than by night, and was not read for two hours."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, str, int | None]] = []

    @property
    def estate(self) -> Estate:
        return samples.estate()

    async def series(
        self, unit: str, quantity: str, line: int | None, *, start: datetime, end: datetime, points: int
    ) -> tuple[Bucket, ...]:
        self.asked.append((unit, quantity, line))
        each = (end - start) / points
        found = []
        for n in range(points):
            at = start + n * each
            level = {"output_power_w": 2600.0 + 300.0 * (line or 0), "battery_voltage_v": 429.0}.get(
                quantity, 24.0
            )
            value = level * (1.0 + 0.1 * math.sin(at.timestamp() / 86_400.0 * 2.0 * math.pi))
            silent = timedelta(hours=9) < end - at < timedelta(hours=11)
            found.append(bucket(at, None if silent else value, 4321.0 if n == 7 and line == 2 else None))
        return tuple(found)


def test_a_reading_is_said_to_be_of_the_time_that_is_kept_of_it_and_never_of_one_to_come() -> None:
    start = datetime(2026, 11, 24, 12, 0, tzinfo=UTC)
    assert _between(start, start + timedelta(hours=2), CLOCK) == "24 Nov 2026, 12:00 to 14:00"
    assert (
        _between(start, start + timedelta(days=2), CLOCK) == "24 Nov 2026, 12:00 to 14:00"
    )  # it is 14:00 now
    early = start - timedelta(days=1)
    assert _between(early, early + timedelta(days=2), CLOCK) == "23 Nov 2026 to 24 Nov 2026"


async def gathered() -> tuple[UnitPast, Scripted]:
    source = Scripted()
    return await unit_past(source, "W3", NOW), source


async def test_what_was_imported_is_said_to_be_so_with_whose_it_was() -> None:
    past, _ = await gathered()
    first, last = NOW - timedelta(days=400), NOW - timedelta(days=30)
    brought = ImportedReadings("<logger>.csv", "R. Haugen", NOW - timedelta(days=3), first, last)
    sheet = samples.short()
    assert "Imported" not in document(sheet, past_page(sheet, past))
    html = document(sheet, past_page(sheet, replace(past, imported=(brought,))))
    assert "from &lt;logger&gt;.csv, by R. Haugen on" in html
    assert check(html).faults == []


async def test_the_sheet_is_well_formed_small_and_says_the_highest_reading() -> None:
    past, source = await gathered()
    assert len(past.loads[PastSpan.DAY]) == 3
    assert all(len(c.buckets) == POINTS[span] for span, found in past.loads.items() for c in found)
    assert {unit for unit, quantity, _ in source.asked if quantity == "output_power_w"} == {"W1", "W2", "W3"}
    html = document(samples.short(), past_page(samples.short(), past))
    found = check(html)
    assert (found.faults, found.open, found.unnamed) == ([], [], [])
    text = " ".join("".join(found.text).split())
    assert "the highest reading, L2: 4.32" in text
    assert "4.32, 2" in text  # the days of its bucket, which may begin before anything was read
    assert "one line carries" in text
    assert "share: 33 % to 33 %" in html  # three alike carry a third each
    assert len(html.encode()) < 60_000
