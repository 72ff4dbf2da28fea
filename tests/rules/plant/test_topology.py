"""What stands above what."""

from rules.plant.topology import Thing, Topology
from tests.rules.sample_plant import estate

TREE = Topology(estate())


def test_a_bank_stands_below_its_unit_up_to_the_site() -> None:
    assert TREE.path("bank-W1") == ("fellbeck", "north", "north/main board B", "works", "W1", "bank-W1")


def test_two_units_of_one_system_share_it_and_of_two_boards_their_supply() -> None:
    assert TREE.common(["W1", "W2"]) == "works"
    assert TREE.common(["W1", "C1"]) == "north"
    assert TREE.common(["W1", "D1"]) == "fellbeck"
    assert TREE.common(["W1", "post"]) is None
    assert TREE.common([]) is None


def test_a_switchboard_stands_on_its_supply_and_site() -> None:
    board = "north/main board B"
    assert TREE.path(board) == ("fellbeck", "north", board)
    assert (TREE.supply(board), TREE.site(board)) == ("north", "fellbeck")
    assert TREE.siblings("C1") == (*TREE.units("works"), "C2", "C3", "C4")


def test_look_ups_upwards_and_downwards() -> None:
    assert TREE.supply("bank-C1") == "north"
    assert TREE.system("C1") == "control"
    assert TREE.site("C1") == "fellbeck"
    assert TREE.site("ridethrough") is None
    assert TREE.units("control") == ("C1", "C2", "C3", "C4")
    assert TREE.covers("north", "bank-W1")
    assert not TREE.covers("south", "bank-W1")
    assert TREE.kind("bank-W1") is Thing.BANK
    assert TREE.kind("fellbeck") is None


def test_names_are_those_people_use() -> None:
    assert TREE.name("W1") == "unit W1 (Treatment works)"
    assert TREE.name("north/main board B") == "main board B"
    assert TREE.name("south") == "supply south"
