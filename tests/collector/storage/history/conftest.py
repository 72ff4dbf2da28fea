"""A meaning of wire values for stores under test: volts in tenths, power as it comes, one sentinel."""

import itertools
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.storage.history.influx.access import InfluxPlace
from collector.storage.history.influx.store import InfluxHistory
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import Meaning, Wire, WireReading
from rules.plant.reading import BatteryReading, Reading, Silence, Stamp
from tests.collector.storage.history.influx_server import INFLUXD, InfluxServer, PathMapping
from tests.collector.storage.history.influx_stub import StubServer
from tests.servers import missing

OBJECTS = {
    ("battery_voltage_v", None): "upsBatteryVoltage",
    ("battery_temperature_c", None): "upsBatteryTemperature",
    ("output_power_w", 1): "upsOutputPower.1",
    ("output_power_w", 2): "upsOutputPower.2",
}
START = datetime(2026, 3, 1, tzinfo=UTC)


class PlainMeaning:
    """Correction set "halved" halves power; "plain" takes it as it comes."""

    def object_of(self, quantity: str, line: int | None) -> str | None:
        return OBJECTS.get((quantity, line))

    def value(self, object_name: str, raw: Wire, corrections: str) -> float | None:
        if isinstance(raw, str):
            try:
                raw = int(raw)
            except ValueError:
                return None
        if not isinstance(raw, int) or raw == -1:
            return None
        if object_name == "upsBatteryVoltage":
            return raw / 10
        return raw / 2 if corrections == "halved" and object_name.startswith("upsOutputPower") else float(raw)

    def reading(self, record: WireReading) -> Reading | Silence:
        if record.silence is not None:
            return Silence(record.unit, record.stamp, record.silence)
        volts = self.value("upsBatteryVoltage", record.wire.get("upsBatteryVoltage"), record.corrections)
        return Reading(record.unit, record.stamp, battery=BatteryReading(voltage_v=volts))


class WatchfulMeaning(PlainMeaning):
    """Notes the threads it is asked on."""

    def __init__(self) -> None:
        self.threads: set[threading.Thread] = set()

    def value(self, object_name: str, raw: Wire, corrections: str) -> float | None:
        self.threads.add(threading.current_thread())
        return super().value(object_name, raw, corrections)


def one(
    seconds: float,
    wire: dict[str, Wire] | None = None,
    *,
    unit: str = "A1",
    corrections: str = "plain",
    silence: str | None = None,
    period_s: float = 10.0,
) -> WireReading:
    """Return one reading so many seconds after the start."""
    return WireReading(
        unit=unit,
        stamp=Stamp(START + timedelta(seconds=seconds), round(1000.0 + seconds, 3), "start-1"),
        period_s=period_s,
        corrections=corrections,
        wire={} if silence is not None else (wire if wire is not None else {"upsOutputPower.1": 5000}),
        silence=silence,
    )


@pytest.fixture
def meaning() -> Meaning:
    return PlainMeaning()


@pytest.fixture
def start() -> datetime:
    return START


@pytest.fixture
def reading() -> Callable[..., WireReading]:
    return one


@pytest.fixture
async def store(tmp_path: Path, meaning: Meaning) -> AsyncIterator[SqliteHistory]:
    async with SqliteHistory(tmp_path / "data" / "history.sqlite", meaning) as history:
        yield history


@pytest.fixture(scope="session")
def influx(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[InfluxServer, PathMapping]]:
    """A real engine and the mapping before it."""
    if INFLUXD is None:
        missing("influxd is not installed")
    server = InfluxServer(tmp_path_factory.mktemp("influx"))
    server.start()
    mapping = PathMapping(server.port)
    yield server, mapping
    mapping.end()
    server.end()


_numbers = itertools.count(1)


@pytest.fixture
def place(influx: tuple[InfluxServer, PathMapping]) -> InfluxPlace:
    """A fresh database in the engine."""
    server, mapping = influx
    name = f"test{next(_numbers)}"
    server.make(name)
    return InfluxPlace(mapping.url, name, token="a-token", org="site", timeout_s=20.0)


@pytest.fixture
def stub() -> Iterator[StubServer]:
    server = StubServer()
    yield server
    server.end()


@pytest.fixture
def stub_place(stub: StubServer) -> InfluxPlace:
    """Where the stand-in is, with every setting filled in."""
    return InfluxPlace(stub.url, "mill", token="s3cret", org="site", database="mill_db", policy="ten")


@pytest.fixture
async def unsent(stub_place: InfluxPlace, tmp_path: Path, meaning: Meaning) -> AsyncIterator[InfluxHistory]:
    """A store before a stub of a server, that sends only when the test says so."""
    opened = InfluxHistory(tmp_path / "spool.sqlite", stub_place, meaning)
    yield opened
    await opened.close()
