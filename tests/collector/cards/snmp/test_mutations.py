"""Damaged messages end in the documented error, or in a reading, and in nothing else."""

from itertools import islice

from tests.collector.cards.mutations import mutations, seeds, take, trap_v1


def test_true_messages_are_taken() -> None:
    assert all(take(seed) for seed in seeds())
    assert not take(trap_v1()), "nobody asked for it"


def test_some_thousands_of_damaged_messages_surprise_nobody() -> None:
    cases = list(islice(mutations(seed=20260301), 4000))
    taken = sum(bool(take(case)) for case in cases)
    assert 0 < taken < len(cases)
