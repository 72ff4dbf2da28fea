"""Who may be heard, and how often."""

from collector.cards.traps.rate_limit import LARGEST, Gate


def test_strangers_and_long_datagrams_are_refused() -> None:
    gate = Gate({"192.0.2.1"})
    assert gate.admits("192.0.2.1", 100, 0.0)
    assert not gate.admits("192.0.2.2", 100, 0.0)
    assert not gate.admits("192.0.2.1", LARGEST + 1, 0.0)
    assert gate.refused == {"unknown source": 1, "too long": 1}


def test_a_source_may_speak_at_once_and_then_at_its_rate() -> None:
    gate = Gate({"192.0.2.1"}, source_per_s=2.0, source_most=5.0)
    assert sum(gate.admits("192.0.2.1", 100, 0.0) for _ in range(50)) == 5
    assert sum(gate.admits("192.0.2.1", 100, 10.0) for _ in range(50)) == 5
    assert sum(gate.admits("192.0.2.1", 100, 10.0 + n / 10) for n in range(1, 21)) == 4


def test_all_sources_together_are_bounded() -> None:
    sources = {f"192.0.2.{n}" for n in range(100)}
    gate = Gate(sources, total_per_s=10.0, total_most=30.0)
    assert sum(gate.admits(source, 100, 0.0) for source in sources) == 30
    assert gate.refused == {"too many in all": 70}


def test_a_flood_of_strangers_takes_no_token_and_no_memory() -> None:
    gate = Gate({"192.0.2.1"})
    for n in range(5000):
        gate.admits(f"198.51.{n // 250}.{n % 250}", 100, 0.0)
    assert gate.admits("192.0.2.1", 100, 0.0)
    assert len(gate._buckets) == 1
