"""What is learnt of cards lives in the ledger, and repairs what was kept before it was known."""

from datetime import date, timedelta
from pathlib import Path

from collector.cards.corrections.learning import Learning
from collector.cards.mib.interpretation import CardMeaning
from collector.cards.mib.upsmib import TablePart
from collector.cards.mib.wire_values import CardRead, WireState, as_kept
from collector.storage.history.store import WireReading
from collector.storage.ledger import Ledger
from rules.plant.estate import Card, Estate, FittedUnit, Site, Supply, System, Unit
from rules.plant.reading import Reading, Stamp
from tests.collector.cards.corrections.spoilt import Spoil, both, column, constant, moving, near
from tests.collector.cards.sample_cards import AT

UNIT = Unit("A1", "A", 3, (1, 2, 3), (FittedUnit(date(2020, 1, 1), None, "FW 30", 30000.0, 27000.0),))
ESTATE = Estate(
    sites={"S": Site("S", "Site", "UTC")},
    supplies={"M": Supply("M", "S")},
    generators={},
    systems={"A": System("A", "A", "S", "M")},
    units={"A1": UNIT},
    cards={"card-A1": Card("card-A1", ("A1",))},
    banks={},
)


def _poll(learning: Learning, poll: int, spoil: Spoil) -> tuple[Reading, WireReading]:
    at = AT + timedelta(seconds=5 * poll)
    raw = spoil(moving()(poll).raw() | {"sysUpTime": 1000 + 500 * poll})
    stamp = Stamp(at, 5.0 * poll, "start")
    state = WireState(raw, alarms=(), part_at=dict.fromkeys(TablePart, at))
    reading = learning.interpret("card-A1", "A1", stamp, state)
    kept = as_kept(CardRead(frozenset(TablePart), raw, alarms=()))
    return reading, WireReading("A1", stamp, 5.0, learning.corrections_id("card-A1"), kept)


AMPERES = column("upsOutputCurrent", lambda v: v / 10)


def test_readings_kept_before_a_scale_was_known_are_read_by_it_afterwards() -> None:
    learning = Learning(ESTATE)
    meaning = CardMeaning(learning.lookup)
    reading, first = _poll(learning, 0, AMPERES)
    assert reading.output.lines[0].current_a is None
    assert meaning.value("upsOutputCurrent.1", 25, first.corrections) is None
    for poll in range(1, 10):
        _poll(learning, poll, AMPERES)
    again = meaning.reading(first)
    assert isinstance(again, Reading)
    assert near(again.output.lines[0].current_a, moving()(0).watts[0] / 0.9 / 230, 0.56)
    assert meaning.value("upsOutputCurrent.1", 25, first.corrections) == 25.0


def test_new_firmware_begins_an_epoch_and_leaves_the_past_as_it_was() -> None:
    learning = Learning(ESTATE)
    meaning = CardMeaning(learning.lookup)
    for poll in range(10):
        _, old = _poll(learning, poll, AMPERES)
    mended = constant({"upsIdentAgentSoftwareVersion": "8.00"})
    for poll in range(10, 20):
        reading, new = _poll(learning, poll, mended)
    assert learning.identity_changes["card-A1"][0].after == "8.00"
    assert near(reading.output.lines[0].power_w, moving()(19).watts[0], 0.5)
    assert meaning.value("upsOutputCurrent.1", 25, old.corrections) == 25.0
    assert meaning.value("upsOutputCurrent.1", 250, new.corrections) == 25.0


async def test_the_ledger_remembers_over_a_restart(tmp_path: Path) -> None:
    learning = Learning(ESTATE)
    spoil = both(AMPERES, column("upsOutputPercentLoad", lambda v: v / 3))
    for poll in range(10):
        _, kept = _poll(learning, poll, spoil)
    async with Ledger(tmp_path / "ledger") as ledger:
        assert learning.pending
        async with ledger.transaction() as tx:
            learning.save(tx, AT)
        assert [line.name for line in await ledger.facts("card-A1")] == ["knowledge"]
        fresh = Learning(ESTATE)
        await fresh.restore(ledger)
    assert CardMeaning(fresh.lookup).value("upsOutputCurrent.1", 25, kept.corrections) == 25.0
    reading, _ = _poll(fresh, 11, spoil)
    assert near(reading.output.lines[0].current_a, moving()(11).watts[0] / 0.9 / 230, 0.56)
    assert fresh.corrections("card-A1").by_object["upsOutputCurrent"].factor == 10.0


def test_a_set_lost_in_a_power_cut_is_read_as_its_epoch_came_to_be() -> None:
    learning = Learning(ESTATE)
    for poll in range(10):
        _poll(learning, poll, AMPERES)
    assert CardMeaning(learning.lookup).value("upsOutputCurrent.1", 25, "card-A1/0/lost") == 25.0
    assert CardMeaning(learning.lookup).value("upsOutputCurrent.1", 25, "card-A1/7/lost") == 2.5


def test_forgetting_at_a_persons_wish_goes_back_to_the_standard() -> None:
    learning = Learning(ESTATE)
    for poll in range(10):
        _, kept = _poll(learning, poll, AMPERES)
    learning.forget("card-A1")
    assert CardMeaning(learning.lookup).value("upsOutputCurrent.1", 25, kept.corrections) == 2.5
