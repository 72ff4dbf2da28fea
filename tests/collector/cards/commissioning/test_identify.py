"""Which cabinet a card belongs to: by what moves, and by what is read."""

import json
from datetime import datetime, timedelta

import pytest

from collector.cards.commissioning.identify import (
    Match,
    PanelValue,
    Proof,
    compare,
    conclude,
    movements,
    teach,
    the_one_that_moved,
)
from collector.cards.corrections.knowledge import CardKnowledge
from collector.cards.corrections.learning import CONFIRMATION, Learning
from collector.cards.mib.decode import decode
from collector.storage.ledger.records import LearntFact
from rules.plant.reading import Reading
from tests.collector.cards.corrections.spoilt import UNDECLARED, both, column, moving, near, play, without
from tests.collector.cards.sample_cards import AT, STAMP, state
from tests.rules.sample_plants import estate


def _reading(**changes: int) -> Reading:
    return decode("A1", STAMP, state(**changes))


def test_the_card_that_goes_on_battery_is_the_one_whose_test_was_started() -> None:
    before = {"a": _reading(), "b": _reading(), "c": _reading()}
    after = {
        "a": _reading(),
        "b": _reading(upsOutputSource=5, upsBatteryVoltage=5012),
        "c": _reading(upsOutputPower_1=5180),
    }
    moved = movements(before, after)
    assert the_one_that_moved(moved) == "b"
    assert "source normal -> battery" in moved[0].what
    assert conclude("A2", "b", "K. Osei", AT, moved=moved).proof is Proof.CONFIRMED
    swapped = conclude("A1", "a", "K. Osei", AT, moved=moved)
    assert swapped.proof is Proof.REFUTED
    assert "card b moved when A1 was touched, not a" in swapped.because


def test_when_the_mains_fail_all_cards_move_and_none_is_proved() -> None:
    before = {"a": _reading(), "b": _reading()}
    after = dict.fromkeys(before, _reading(upsOutputSource=5, upsBatteryVoltage=5012))
    assert the_one_that_moved(movements(before, after)) is None
    assert the_one_that_moved(movements(before, before)) is None
    assert conclude("A1", "a", "K. Osei", AT, moved=movements(before, after)).proof is Proof.CANNOT_TELL


def test_panel_values_are_compared_one_by_one() -> None:
    panel = [
        PanelValue("output_power_w", 15100.0),
        PanelValue("output_voltage_v", 231.0, 1),
        PanelValue("output_current_a", 246.0, 1),
        PanelValue("battery_voltage_v", 545.0),
        PanelValue("bypass_voltage_v", 229.0, 3),
    ]
    found = compare(_reading(), panel)
    assert [c.match for c in found] == [Match.AGREES, Match.AGREES, Match.DIFFERS, Match.AGREES, Match.AGREES]
    assert found[2].ratio == pytest.approx(0.1)  # tenths taken for amperes, says the ratio
    whole = conclude("A1", "a", "K. Osei", AT, comparisons=found)
    assert whole.proof is Proof.CANNOT_TELL  # one value differs
    assert "output_current_a line 1: panel 246, card 24.6" in whole.because
    assert json.loads(json.dumps(whole.as_json()))["who"] == "K. Osei"


def test_values_that_agree_confirm_with_a_word_of_caution() -> None:
    panel = [PanelValue("output_power_w", 5100.0, line) for line in (1, 2)] + [
        PanelValue("battery_voltage_v", 545.0)
    ]
    found = conclude("A1", "a", "K. Osei", AT, comparisons=compare(_reading(), panel))
    assert found.proof is Proof.CONFIRMED
    assert "a neighbour with the same load would agree too" in found.because[-1]


def test_what_the_card_does_not_show_cannot_be_compared() -> None:
    (found,) = compare(_reading(upsBatteryVoltage=-1), [PanelValue("battery_voltage_v", 545.0)])
    assert found.match is Match.CANNOT_TELL
    with pytest.raises(ValueError, match="no reading holds"):
        compare(_reading(), [PanelValue("kitchen_temperature_c", 21.0)])
    with pytest.raises(ValueError, match="no reading holds"):
        compare(_reading(), [PanelValue("output_wobble_v", 21.0)])


def test_watts_read_at_the_cabinet_decide_between_scales() -> None:
    spoil = both(
        column("upsOutputCurrent", lambda v: v / 10),
        without("upsOutputPercentLoad", "upsConfigOutputVA", "upsConfigOutputPower"),
    )
    played = play(moving(), spoil, declared=UNDECLARED)
    assert played.last.output.power_w is None
    assert teach(
        played.known, [PanelValue("output_power_w", w, n) for n, w in ((1, 5100.0), (2, 4700.0), (3, 5600.0))]
    )
    later = play(moving(), spoil, polls=1, declared=UNDECLARED, known=played.known, begin=20)
    assert near(later.last.output.lines[0].power_w, moving()(20).watts[0], 0.5)
    assert not teach(played.known, [PanelValue("battery_voltage_v", 545.0)])


def test_a_ratio_read_at_the_cabinet_decides_whatever_the_load_does_afterwards() -> None:
    spoil = both(
        column("upsOutputCurrent", lambda v: v / 10),
        without("upsOutputPercentLoad", "upsConfigOutputVA", "upsConfigOutputPower"),
    )
    played = play(moving(), spoil, declared=UNDECLARED)
    assert not played.known.told_ratio(0.4, UNDECLARED)  # no power of ten: a person read something else
    assert played.known.told_ratio(1.04, UNDECLARED)  # the card's watts are watts
    again = CardKnowledge.from_json(json.loads(json.dumps(played.known.as_json())), UNDECLARED)
    later = play(moving(), spoil, polls=1, declared=UNDECLARED, known=again, begin=20)
    assert near(later.last.output.lines[0].power_w, moving()(20).watts[0], 0.5)


@pytest.mark.parametrize(
    ("since", "taught"), [(None, True), (AT - timedelta(days=1), True), (AT + timedelta(days=1), False)]
)
def test_a_kept_confirmation_teaches_its_card_unless_the_equipment_changed_since(
    since: datetime | None, taught: bool
) -> None:
    plant = estate()
    card = next(iter(plant.cards))
    learning = Learning(plant)
    body = {"epoch": 0, "id": "standard", "known": CardKnowledge.fresh().as_json()}
    if since is not None:
        body["since"] = since.isoformat()
    told = {"comparisons": [{"quantity": "output_power_w", "line": 1, "ratio": 0.1}]}
    learning.go_on_from(
        [
            LearntFact(card, "knowledge", AT, body=body),
            LearntFact(card, "confirmed:A1", AT, CONFIRMATION, told),
        ],
        {},
    )
    assert learning.knowledge(card).load.told_factor == (pytest.approx(10.0) if taught else None)
