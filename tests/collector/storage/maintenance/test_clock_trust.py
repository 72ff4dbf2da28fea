"""A clock that stands years ahead for a while costs nothing that is stored; one that runs on so is believed."""

from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import WireReading
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import Outgoing
from collector.storage.ledger.retention import LET_GO, let_go
from collector.storage.maintenance.clock_trust import Belief, LettingGo, looked
from collector.storage.maintenance.exact_retention import ExactSpans
from collector.storage.maintenance.housekeeping import Tidying
from rules.plant.reading import Stamp
from tests.bench.store_against_influxdb import Plain
from tests.collector.restarting import Turned
from tests.rules.sample_plants import NOON, estate

MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
YEARS = 1096 * DAY


@pytest.mark.parametrize(
    ("before", "now", "passed", "after"),
    [
        (Belief(NOON), NOON + MINUTE, MINUTE, Belief(NOON + MINUTE)),
        (Belief(NOON), NOON + 2 * DAY, 0 * DAY, Belief(NOON + 2 * DAY)),  # a stop of two days
        (Belief(NOON), NOON - YEARS, MINUTE, Belief(NOON - YEARS)),
        (Belief(NOON), NOON + 9 * DAY, 9 * DAY, Belief(NOON + 9 * DAY)),  # no jump at all
        (Belief(NOON), NOON + 3 * DAY, MINUTE, Belief(NOON + MINUTE, NOON + 3 * DAY)),
        (Belief(), NOON, 0 * DAY, Belief(None, NOON)),
        (
            Belief(NOON, NOON + YEARS, 5 * HOUR),
            NOON + YEARS + HOUR,
            HOUR,
            Belief(NOON + HOUR, NOON + YEARS + HOUR, 6 * HOUR),
        ),
        (Belief(NOON, NOON + YEARS, 23 * HOUR), NOON + YEARS + HOUR, HOUR, Belief(NOON + YEARS + HOUR)),
        (Belief(NOON, NOON + YEARS, 23 * HOUR), NOON + 2 * HOUR, HOUR, Belief(NOON + 2 * HOUR)),
        (
            Belief(NOON, NOON + YEARS, 23 * HOUR),  # it jumped again
            NOON + 2 * YEARS,
            HOUR,
            Belief(NOON + HOUR, NOON + 2 * YEARS),
        ),
    ],
    ids=[
        "runs_on", "short_stop", "set_back", "long_step", "jumps", "never_seen", "doubt_lasts", "steady", "set_right",
        "jumps_again",
    ],
)  # fmt: skip
def test_what_is_believed_after_a_look(
    before: Belief, now: datetime, passed: timedelta, after: Belief
) -> None:
    assert looked(before, now, passed) == after


@dataclass
class Stores:
    """Both stores with a past, and their housekeeping, on a clock that can be set and over restarts."""

    folder: Path
    clock: Turned = field(default_factory=Turned)
    stack: AsyncExitStack = field(default_factory=AsyncExitStack)

    async def start(self) -> None:
        self.stack = AsyncExitStack()
        self.history = await self.stack.enter_async_context(
            SqliteHistory(self.folder / "history.sqlite", Plain(), exact_days=31)
        )
        self.ledger = await self.stack.enter_async_context(Ledger(self.folder / "ledger.sqlite"))
        self.tidying = Tidying(
            self.history,
            self.clock,
            ExactSpans(estate(2), self.history, self.ledger, self.clock),
            LettingGo(self.ledger, self.clock),
            lambda now: let_go(self.ledger, now, message_days=31),
        )

    async def begin(self) -> None:
        """Read A1 for an hour of each of ten days, send a message on each, and tend it all once."""
        await self.start()
        for age in range(10):
            at = NOON - (age + 1) * DAY
            await self.history.append(
                [
                    WireReading(
                        "A1", Stamp(at + timedelta(seconds=10 * n), 10.0 * n, "s"), 10.0, "", {"x": n}
                    )
                    for n in range(360)
                ]
            )
            async with self.ledger.transaction() as tx:
                tx.enqueue(Outgoing(f"m{age}", "mail", "x", "i", at, at, body={"text": "hello"}))
                tx.sent(f"m{age}", "250 ok")
        await self.tend(
            2 * DAY, every=HOUR
        )  # a day until the clock of a new ledger is believed, and one more

    async def restart(self, at: datetime) -> None:
        await self.stack.aclose()
        self.clock.at = at
        self.clock.restart()
        await self.start()

    async def tend(self, lasts: timedelta, *, every: timedelta = MINUTE) -> None:
        for _ in range(lasts // every):
            self.clock.at += every
            await self.tidying.once()
            assert self.tidying.trouble is None

    def jump(self, by: timedelta) -> None:
        """Set the time of day; the monotonic seconds know nothing of it."""
        self.clock.at += by
        self.clock.began += by

    async def left(self) -> tuple[int, int]:
        """Return how many exact readings are left, and how many messages with their words."""
        span = (NOON - 20 * DAY, NOON + DAY)
        readings = len([r async for r in self.history.readings("A1", *span)])
        return readings, sum(m.schema != LET_GO for m in (await self.ledger.messages()).items)


async def test_a_start_with_the_clock_years_ahead_lets_go_of_nothing_until_the_time_service_mends_it(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    stores = Stores(tmp_path)
    await stores.begin()
    await stores.restart(stores.clock.at + YEARS)
    await stores.tend(20 * MINUTE)
    assert await stores.left() == (3600, 10)
    assert [r.message for r in caplog.records if r.levelname == "WARNING"] == [
        "clock: it shows 2029-11-26T12:01:00+00:00, 1096 d beyond the last moment known; until it has run steadily "
        "for a day, or is set back, nothing stored is let go. See that the time service runs"
    ]
    stores.jump(-YEARS)
    await stores.tend(2 * DAY, every=HOUR)
    assert await stores.left() == (3600, 10)
    await stores.stack.aclose()


async def test_a_clock_that_jumps_while_the_service_runs_lets_go_of_nothing(tmp_path: Path) -> None:
    stores = Stores(tmp_path)
    await stores.begin()
    stores.jump(YEARS)
    await stores.tend(20 * MINUTE)
    await stores.restart(stores.clock.at + MINUTE)
    await stores.tend(20 * MINUTE)
    assert await stores.left() == (3600, 10)
    await stores.stack.aclose()


async def test_a_machine_that_stood_for_years_lets_go_after_a_day_be_it_started_anew_every_few_hours(
    tmp_path: Path,
) -> None:
    stores = Stores(tmp_path)
    await stores.begin()
    await stores.restart(stores.clock.at + YEARS)
    for _ in range(4):
        await stores.tend(5 * HOUR, every=HOUR)
        await stores.restart(stores.clock.at + MINUTE)
    assert await stores.left() == (3600, 10)
    await stores.tend(10 * HOUR, every=HOUR)
    assert await stores.left() == (0, 0)
    await stores.stack.aclose()


async def test_what_grows_old_is_let_go_while_nothing_is_wrong_with_the_clock(tmp_path: Path) -> None:
    stores = Stores(tmp_path)
    await stores.begin()
    await stores.tend(32 * DAY, every=DAY)
    readings, words = await stores.left()
    assert (readings, words) == (0, 0)
    await stores.stack.aclose()
