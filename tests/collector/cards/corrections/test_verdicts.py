"""From the wire to the verdict: what is put right counts, what is undecided makes the verdict "cannot tell"."""

from collections.abc import Callable
from datetime import date, timedelta

import pytest

from collector.cards.corrections.sample import declared_for
from rules.phrasing.reasons import said
from rules.plant.estate import Card, Estate, FittedUnit, Site, Supply, System, Unit
from rules.plant.reading import Stamp
from rules.system.assessment import system_state
from rules.system.observation import SystemView, glance
from rules.system.state import Redundancy
from rules.values.verdict import Verdict
from tests.collector.cards.corrections.spoilt import (
    Spoil,
    Truth,
    both,
    column,
    constant,
    moving,
    play,
    without,
)
from tests.collector.cards.sample_cards import AT

FITTED = (FittedUnit(date(2020, 1, 1), None, "FW 30", 30000.0, 27000.0),)
ESTATE = Estate(
    sites={"S": Site("S", "Site", "UTC")},
    supplies={"M": Supply("M", "S")},
    generators={},
    systems={"A": System("A", "A", "S", "M", spare_units=1)},
    units={name: Unit(name, "A", 3, (1, 2, 3), FITTED) for name in ("A1", "A2")},
    cards={f"card-{name}": Card(f"card-{name}", (name,)) for name in ("A1", "A2")},
    banks={},
)
POLLS = 20


def _light(poll: int) -> Truth:
    """Return a quarter of a unit's rating: two such units leave one of them spare on every line."""
    return moving(watts=(2300.0, 2200.0, 2400.0))(poll)


def _close(poll: int) -> Truth:
    """Return so much that two such units ask 98 % of what one of them may carry on every line: 9 kW, or 10 kVA."""
    return moving(watts=(4400.0, 4400.0, 4400.0))(poll)


def _redundancy(spoil: Spoil, truth: Callable[[int], Truth] = _light) -> Redundancy:
    """Return the verdict with one card honest and one spoilt."""
    declared = declared_for(ESTATE, "card-A1", AT.date())
    honest, spoilt = play(truth, declared=declared), play(truth, spoil, declared=declared)
    at = AT + timedelta(seconds=5 * (POLLS - 1))
    view = SystemView(ESTATE, "A", {"A1": honest.last, "A2": spoilt.last}, {}, Stamp(at, 95.0, "start"))
    verdict = system_state(view, glance(view), None).redundancy
    assert verdict is not None
    return verdict


@pytest.mark.parametrize(
    "spoil",
    [
        lambda raw: raw,
        column("upsOutputCurrent", lambda v: v / 10),
        column("upsOutputPower", lambda v: v / 10),
        column("upsOutputVoltage", lambda v: v * 10),
        column("upsOutputVoltage", lambda v: v * 3**0.5),
        column("upsOutputPercentLoad", lambda v: v / 3),
        both(
            column("upsConfigOutputVA", lambda v: v / 1000),
            column("upsConfigOutputPower", lambda v: v / 1000),
        ),
    ],
    ids=["honest", "amperes", "tens of watts", "tenths of volts", "line to line", "share of the unit", "kVA"],
)
def test_what_is_put_right_counts(spoil: Spoil) -> None:
    verdict = _redundancy(spoil)
    assert verdict.verdict is Verdict.ADEQUATE
    # Two units at 2.3 kW on line 1: half of what the one left over may carry there, which is 9 kW.
    assert verdict.lines[0].now_w == pytest.approx(4600.0, rel=0.03)


@pytest.mark.parametrize(
    "spoil",
    [
        constant({"upsOutputPower.2": -1}),
        both(column("upsOutputVoltage", lambda v: v * 3**0.5), without("upsOutputPercentLoad")),
        without("upsOutputPower"),
        column("upsOutputPower", lambda _: 0),
        constant({"upsOutputVoltage.1": 0}),
    ],
    ids=["sentinel", "line to line or not", "no watts", "zeros for watts", "no volts under load"],
)
def test_what_is_not_known_is_never_counted_as_spare(spoil: Spoil) -> None:
    """What one card leaves out counts at the most that its peer allows: enough where that is enough, else not known."""
    light, honest = _redundancy(spoil), _redundancy(lambda raw: raw)
    assert light.verdict is Verdict.ADEQUATE
    assert any("A2 gives no" in why for why in said(light.because)), said(light.because)
    for reckoned, known in zip(light.lines, honest.lines, strict=True):
        assert reckoned.peak_w is not None
        assert known.now_w is not None
        assert reckoned.peak_w >= 0.99 * known.now_w  # by meters alike; never less than there is
        assert reckoned.peak_va is not None
        assert known.now_va is not None
        assert reckoned.peak_va >= 0.99 * known.now_va
    assert _redundancy(lambda raw: raw, _close).verdict is Verdict.ADEQUATE
    close = _redundancy(spoil, _close)
    assert close.verdict is Verdict.CANNOT_TELL
    assert close.because
