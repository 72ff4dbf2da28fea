from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, cast

import pytest

from api.pages.view import shown
from collector.read_model import snapshot as showing
from collector.read_model.sheet import Sheet
from collector.read_model.snapshot import Showing
from collector.service.service import Service
from collector.storage.ledger.records import IncidentLine, JournalLine, Outgoing, Page, Sending
from tests.api.pages import samples
from tests.collector.read_model.test_sources import JOURNAL, incident


@dataclass
class Turned:
    at: datetime = samples.NOW

    def now(self) -> datetime:
        return self.at


@dataclass
class Now:
    version: int = 1


@dataclass(eq=False)
class Quiet:
    """Stands for the service: a clock the test turns, a version, and a ledger that counts who asks."""

    clock: Turned = field(default_factory=Turned)
    present: Now = field(default_factory=Now)
    estate: Any = field(default_factory=samples.estate)
    asked: int = 0

    async def incidents(self, *, after: int = 0, limit: int = 200) -> Page[IncidentLine]:
        self.asked += 1
        return Page((incident(),), None)

    async def events(self, *, kinds: tuple[str, ...] = (), limit: int = 200) -> Page[JournalLine]:
        return Page(() if kinds else JOURNAL, None)

    async def messages(self, *, sending: Sending, limit: int = 200) -> Page[Outgoing]:
        return Page((), None)


@pytest.fixture
def quiet(monkeypatch: pytest.MonkeyPatch) -> Quiet:
    service = Quiet()

    def made(_: object) -> Sheet:
        after_s = (service.clock.at - samples.NOW).total_seconds()
        return samples.outage(max(after_s, 1.0))

    monkeypatch.setattr(showing, "sheet_of", made)
    monkeypatch.setattr(showing, "beginning", lambda *_: None)
    monkeypatch.setattr(showing, "whom_to_call", lambda *_: ("R. Haugen, 01632 960114",))
    return service


async def test_who_asks_within_a_second_gets_the_same_sheet_until_there_is_news(quiet: Quiet) -> None:
    memory, service = Showing(), cast("Service", quiet)
    quiet.clock.at += timedelta(seconds=10)
    first = await memory.sheet(service)
    quiet.clock.at += timedelta(seconds=0.5)
    assert await memory.sheet(service) is first
    quiet.present.version += 1
    assert await memory.sheet(service) is not first


async def test_the_journal_is_read_every_ten_seconds_however_many_ask(quiet: Quiet) -> None:
    memory, service = Showing(), cast("Service", quiet)
    for _ in range(18):
        quiet.clock.at += timedelta(seconds=1)
        sheet = await memory.sheet(service)
    assert quiet.asked == 2
    assert [event.system for event in sheet.events] == ["works"]


async def test_an_outage_leaves_its_trace(quiet: Quiet) -> None:
    memory, service = Showing(), cast("Service", quiet)
    for _ in range(10):
        quiet.clock.at += timedelta(seconds=3)
        sheet = await memory.sheet(service)
    assert len(sheet.outages["works"].trace) == 10
    assert sheet.outages["works"].one_unit_lost_from_now is not None


async def test_each_service_is_remembered_by_itself(quiet: Quiet) -> None:
    quiet.clock.at += timedelta(seconds=10)
    assert await shown(cast("Service", quiet)) is await shown(cast("Service", quiet))
    assert await shown(cast("Service", Quiet(clock=quiet.clock))) is not await shown(cast("Service", quiet))
