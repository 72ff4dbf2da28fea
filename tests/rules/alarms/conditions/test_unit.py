"""Overload: by the worst of watts, volt-amperes and the card's per cent, on every line.

A unit of the plant is rated 30 kVA and 27 kW on three lines: 10 kVA and 9 kW each.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from rules.alarms.catalogue import CATALOGUE
from rules.alarms.conditions.condition import Condition
from rules.alarms.conditions.unit import Peers, unit_conditions
from rules.phrasing.reasons import say
from rules.plant.reading import OutputLine
from tests.rules.sample_plant import estate, reading

UNIT = estate().units["W1"]


def overload(lines: Sequence[OutputLine], *, was: bool = False) -> Condition:
    seen = reading("W1", 0.0)
    seen = replace(seen, output=replace(seen.output, lines=tuple(lines)))
    conditions = unit_conditions(
        seen,
        UNIT,
        "Treatment works",
        CATALOGUE,
        was=lambda _kind, _qualifier: was,
        peers=Peers(),
        outage=None,
        at=seen.at,
        shares_known=True,
    )
    return next(c for c in conditions if c.kind == "overload")


def line(n: int, *, kw: float | None = 4.0, kva: float | None = 4.5, pct: float | None = 45.0) -> OutputLine:
    amperes = None if kva is None else 1000.0 * kva / 230.0
    return OutputLine(n, 230.0, amperes, None if kw is None else 1000.0 * kw, pct)


@pytest.mark.parametrize(
    ("worst", "pct"),
    [
        (line(2, kw=10.98, kva=11.0, pct=None), 122.0),  # 22 % over in watts, and the card gives no per cent
        (line(2, kw=10.98, kva=11.0, pct=61.0), 122.0),  # or a low one
        (line(2, kw=8.0, kva=11.5, pct=80.0), 115.0),  # over in volt-amperes alone
        (line(2, kw=None, kva=11.5, pct=None), 115.0),
        (line(2, kw=10.98, kva=None, pct=None), 122.0),
        (line(2, kw=None, kva=None, pct=130.0), 130.0),
    ],
)
def test_the_worst_figure_of_a_line_decides(worst: OutputLine, pct: float) -> None:
    found = overload([line(1), worst, line(3)]).seen
    assert found.present is True
    assert found.facts is not None
    assert found.facts["load_pct"] == pytest.approx(pct)
    assert f"{pct:.0f} % of its rating on line 2" in say(found.what)


def test_every_line_that_is_over_is_named() -> None:
    what = say(overload([line(1, kw=9.9, kva=10.2), line(2), line(3, kva=11.0, pct=None)]).seen.what)
    assert "on line 1" in what
    assert "on line 3" in what
    assert "line 2" not in what


def test_a_line_that_gives_nothing_hides_no_other() -> None:
    silent = line(1, kw=None, kva=None, pct=None)
    assert overload([silent, line(2, kw=10.98), line(3)]).seen.present is True
    assert overload([silent, line(2), line(3)]).seen.present is False


def test_no_figure_at_all_leaves_it_open() -> None:
    nothing = [line(n, kw=None, kva=None, pct=None) for n in (1, 2, 3)]
    assert overload(nothing).seen.present is None


def test_it_clears_at_four_points_under_the_limit() -> None:
    at_98 = [line(1, kw=8.82, kva=None, pct=None)]
    assert overload(at_98).seen.present is False
    assert overload(at_98, was=True).seen.present is True
    assert overload([line(1, kw=8.6, kva=None, pct=None)], was=True).seen.present is False
