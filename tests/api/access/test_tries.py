"""How often somebody may be wrong, and that who is right is not kept out by it."""

from api.access.tries import PLACES, TRIES_ALLOWED, WINDOW_S, Tries


class Seconds:
    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def test_a_try_after_too_many_waits_until_the_first_of_them_is_over() -> None:
    clock = Seconds()
    tries = Tries(clock)
    for _ in range(TRIES_ALLOWED.together):
        assert tries.begin("amir", "192.0.2.1") == 0.0
        clock.now_s += 10.0
    assert tries.begin("amir", "192.0.2.1") == WINDOW_S - 10.0 * TRIES_ALLOWED.together
    assert tries.begin("amir", "192.0.2.2") == 0.0, "from elsewhere it is another matter"
    clock.now_s = WINDOW_S
    assert tries.begin("amir", "192.0.2.1") == 0.0


def test_who_was_right_may_be_wrong_again() -> None:
    tries = Tries(Seconds())
    for _ in range(100):
        for _ in range(TRIES_ALLOWED.together - 1):
            assert tries.begin("amir", "192.0.2.1") == 0.0
            tries.take_back("amir", "192.0.2.1")
        assert tries.begin("amir", "192.0.2.1") == 0.0
        tries.right("amir", "192.0.2.1")


def test_a_name_that_is_tried_from_everywhere_is_shut_only_where_it_never_signed_in() -> None:
    tries = Tries(Seconds())
    tries.begin("amir", "192.0.2.1")
    tries.right("amir", "192.0.2.1")
    refused = [tries.begin("amir", f"2001:db8:{n:x}::1") > 0.0 for n in range(100)]
    assert refused == [False] * TRIES_ALLOWED.user + [True] * (100 - TRIES_ALLOWED.user)
    assert tries.begin("amir", "192.0.2.1") == 0.0


def test_one_network_of_ipv6_is_one_address() -> None:
    tries = Tries(Seconds())
    refused = [tries.begin(f"name {n}", f"2001:db8::{n:x}") > 0.0 for n in range(40)]
    assert refused == [False] * TRIES_ALLOWED.address + [True] * (40 - TRIES_ALLOWED.address)
    assert Tries(Seconds()).begin("amir", "::ffff:192.0.2.1") == 0.0


def test_the_tables_cannot_grow_without_end() -> None:
    tries = Tries(Seconds())
    for number in range(20_000):
        tries.begin(f"name {number}", f"10.{number >> 16}.{number >> 8 & 255}.{number & 255}")
    assert len(tries) <= 3 * PLACES
