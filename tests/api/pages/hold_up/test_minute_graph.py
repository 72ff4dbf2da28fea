"""The minute graph: what stands where follows from the figures."""

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from api.pages.hold_up.minute_graph import Lost, Need, Picture, answer, attempts, graph, span_s, work_s
from api.pages.hold_up.outage import by_the_clock
from api.pages.hold_up.outage_graph import LivePicture, live_answer, live_graph
from api.pages.markup.elements import render
from api.pages.markup.svg import Axis
from collector.read_model.sheet import ShownOutage
from collector.read_model.wall_clock import WallClock
from rules.plant.estate import Generator, Purpose, Unit
from rules.system.hold_up.judgement import BankEnds
from rules.system.state import UNKNOWN_HOLD_UP, HoldUp, OnBattery
from rules.values.verdict import Basis

SET = Generator(
    "set", 80_000, detect_s=5, attempts=3, crank_s=15, rest_s=15, start_s=12, transfer_s=3, hand_start_s=375
)
UNITS = (
    Unit("A", "s", 3, (1, 2, 3), (), accept_s=20, hold_off_s=0, walk_in_s=20),
    Unit("B", "s", 3, (1, 2, 3), (), accept_s=20, hold_off_s=60, walk_in_s=20),
)
NEED = Need(570.0, Purpose.MANUAL_GENERATOR_START, SET, 115.0)
HELD = HoldUp(1026.0, 1086.0, 1140.0, None, Basis.TESTED)
SHORT = HoldUp(468.0, 528.0, 588.0, None, Basis.TESTED)


def picture(**more: object) -> Picture:
    base = Picture("p", "Works", Axis(1200.0), NEED, HELD, [Lost("any one lost", SHORT)])
    return replace(base, **more)  # type: ignore[arg-type]


def test_cranks_and_rests_alternate_as_declared() -> None:
    assert attempts(SET) == [(5, 20), (35, 50), (65, 80)]


def test_the_last_unit_walked_in_ends_the_work() -> None:
    assert work_s(SET, UNITS) == 12 + 3 + 20 + 60 + 20
    assert work_s(SET, ()) == 15


def test_what_is_not_held_is_hatched_from_where_it_ends_to_where_it_was_needed() -> None:
    html = render(graph(picture()))
    hatch = html[html.index('class="notheld"') - 120 :].split(">")[0] + html
    assert 'x="39%"' in hatch  # 468 of 1200 s
    assert 'width="8.5%"' in hatch  # to 570 s
    assert "short 1.7" in html
    assert "+7.6" in html


def test_an_unknown_hold_up_has_no_fan_and_no_margin_but_its_need() -> None:
    html = render(graph(picture(held=UNKNOWN_HOLD_UP, lost=[], claimed_s=2460.0)))
    assert 'class="fan"' not in html
    assert "cannot tell" in html
    assert "needs 9.5" in html
    assert "card claims 41, unproven" in html
    assert 'class="dimline' not in html


def test_what_is_only_reckoned_is_faint_and_promises_no_margin() -> None:
    html = render(graph(picture(proven=False)))
    assert "held faint" in html
    assert "+7.6" not in html
    assert "short" not in html
    assert "cannot tell" in answer(picture(proven=False))


def test_a_least_without_a_median_is_drawn_without_a_fan() -> None:
    html = render(graph(picture(held=HoldUp(1026.0, None, None, None, Basis.TABLE), lost=[])))
    assert 'class="fan"' not in html
    assert "17.1" in html
    assert "17.1 minutes or more" in answer(picture(held=HoldUp(1026.0, None, None, None, Basis.TABLE)))


def test_a_bank_that_ends_early_bends_the_run() -> None:
    html = render(graph(picture(fan=(BankEnds("bank 3", 900.0, 950.4, 1000.0, 1.0, 0.157),))))
    assert "M0 0L950.4 84.3L1086 100" in html
    assert "bank 3 ends first, at 15.8" in html


def test_the_name_of_the_drawing_says_all_of_it() -> None:
    said = answer(picture())
    assert (
        said == "Works: needs 9.5 min; all units hold 17.1 to 19.0 minutes; any one lost, 7.8 to 9.8 minutes"
    )


def test_the_axis_reaches_the_ends_but_never_hides_the_need() -> None:
    assert span_s([570.0], [HELD]) == 1140.0
    assert span_s([570.0], [HoldUp(9e4, 9e4, 9e4, None, Basis.TABLE)]) == 8 * 570.0
    assert span_s([], []) == 300.0


LOST_AT = datetime(2026, 11, 24, 15, 7, 41, tzinfo=UTC)


def live(after_s: float, on: OnBattery, outage: ShownOutage | None = None) -> LivePicture:
    now = LOST_AT + timedelta(seconds=after_s)
    return LivePicture("w", "Works", on, outage or ShownOutage(), WallClock("Europe/London", now), now, 115.0)


def on_battery(**more: object) -> OnBattery:
    base = OnBattery(
        LOST_AT,
        LOST_AT + timedelta(seconds=1038),
        LOST_AT + timedelta(seconds=1134),
        LOST_AT + timedelta(seconds=908),
        3,
    )
    return replace(base, **more)  # type: ignore[arg-type]


def test_the_time_left_is_dimensioned_to_the_last_moment() -> None:
    ticking = render(live_graph(live(165, on_battery())))
    until = (LOST_AT + timedelta(seconds=908)).isoformat().replace("+00:00", "")
    assert ticking.count(f'<tspan data-until="{until}') == 2, "as the figure beside it, wide and narrow"
    html = re.sub(r"</?tspan[^>]*>", "", ticking)
    assert "12:23 left to start the generator" in html
    assert "last moment to start: 15:22:49" in html
    assert "ends 15:24:59 at the earliest" in html
    assert "now, 2 min 45 s" in html


def test_an_end_that_is_not_known_is_hatched_and_counts_nothing_down() -> None:
    html = render(
        live_graph(live(165, on_battery(ends_earliest=None, ends_latest=None, start_set_before=None)))
    )
    assert "cannot tell" in html
    assert "left" not in html
    assert "cannot be told" in live_answer(live(165, on_battery(ends_earliest=None)))


def test_what_was_not_read_is_dotted_from_the_last_reading() -> None:
    trace = tuple((LOST_AT + timedelta(seconds=10 * n), 1 - n / 100) for n in range(9))
    unread = live(165, on_battery(reckoned_since=LOST_AT + timedelta(seconds=80)), ShownOutage(trace, 0.84))
    assert 'class="l-reckoned"' in render(live_graph(unread))
    assert 'class="l-reckoned"' not in render(live_graph(live(85, on_battery(), ShownOutage(trace, 0.92))))


@pytest.mark.parametrize(("after_s", "made", "failed"), [(3, 0, 0), (10, 1, 0), (40, 2, 1), (300, 3, 3)])
def test_attempts_by_the_clock_are_failed_only_when_the_rules_say_so(
    after_s: float, made: int, failed: int
) -> None:
    starts = by_the_clock(SET, on_battery(starts_failed=failed), LOST_AT + timedelta(seconds=after_s))
    assert len(starts) == made
    assert sum(start.worked is False for start in starts) == failed
    assert all(
        start.until is not None and start.until <= LOST_AT + timedelta(seconds=after_s) for start in starts
    )
