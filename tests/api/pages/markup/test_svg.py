from itertools import combinations

from hypothesis import given, settings
from hypothesis import strategies as st

from api.pages.markup.elements import render
from api.pages.markup.svg import (
    CHARACTER_PX,
    NARROW_PX,
    WIDE_PX,
    Axis,
    AxisFigure,
    Label,
    dimension,
    letters,
    place,
)

MARKS = st.lists(
    st.tuples(st.floats(0, 1), st.integers(1, 30)).map(lambda t: Label(t[0], "x" * t[1], "x" * min(t[1], 5))),
    max_size=5,
)


@given(MARKS, st.sampled_from([WIDE_PX, NARROW_PX]))
@settings(max_examples=100, deadline=None)
def test_no_label_lies_on_another_or_on_another_ones_upright(marks: list[Label], width_px: float) -> None:
    placed = place(marks, width_px)
    for a, b in combinations(placed, 2):
        if a.row == b.row:
            assert a.right <= b.left or b.right <= a.left
        for upright, words in ((a, b), (b, a)):
            if upright.row >= words.row and upright.x != words.x:
                assert not words.left < upright.x < words.right


def test_a_crowd_loses_its_last_and_keeps_its_first() -> None:
    crowd = [Label(0.5 + n / 1000, "needs 12.5 to close down", "12.5") for n in range(8)]
    placed = place(crowd, NARROW_PX)
    assert 0 < len(placed) < 8
    assert placed[0].label is crowd[0]


def test_an_axis_is_in_whole_steps_and_holds_what_it_must() -> None:
    for minutes in (0.5, 5, 19.4, 45, 61, 130, 700):
        axis = Axis.over(minutes * 60)
        step, ruled = axis.steps_s
        assert axis.span_s >= minutes * 60
        assert axis.span_s % step == 0
        assert step % ruled == 0
        assert axis.span_s / step <= 10.01


def test_places_are_percent_and_never_beyond_the_drawing() -> None:
    axis = Axis(600.0)
    assert [axis.x(s) for s in (-5, 0, 150, 600, 9000)] == ["0%", "0%", "25%", "100%", "100%"]
    assert axis.width(150, 300) == "25%"


def test_a_dimension_too_narrow_for_its_words_has_them_beside_it() -> None:
    axis = Axis(2700.0)
    wide = "".join(render(part) for part in dimension(axis, (480, 2274), 37, "+29.9", "held"))
    narrow = "".join(render(part) for part in dimension(axis, (480, 600), 37, "+2.0", "held"))
    assert 'text-anchor="middle"' in wide
    assert 'text-anchor="middle"' not in narrow


@given(st.lists(st.floats(0, 1), min_size=1, max_size=30).map(sorted))
@settings(max_examples=60, deadline=None)
def test_letters_keep_clear_of_one_another_and_the_strong_one_stays(places: list[float]) -> None:
    marks = [AxisFigure(at, "2030") for at in places]
    html = render(letters([*marks, AxisFigure(0.63, "today", strong=True)]))
    assert html.count(">today<") == 2
    most = int(NARROW_PX / (4 * CHARACTER_PX)) + 1
    assert html.split("for-narrow")[1].count(">2030<") <= most
