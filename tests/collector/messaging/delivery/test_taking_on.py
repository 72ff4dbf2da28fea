"""Who is told that somebody has an incident: whoever was told of it, once, in the words they were told last."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path

from collector.messaging.delivery.letter import Letter
from collector.messaging.delivery.office import PostOffice
from collector.messaging.delivery.taking_on import TakingOn
from collector.process.clock import TurnedClock
from collector.storage.ledger import Ledger
from collector.storage.ledger.whence import Whence, asking
from rules.alarms.catalogue import CATALOGUE
from rules.alarms.incidents.incident import Incident
from rules.alarms.lifecycle.alarm import Alarm, new_alarm
from rules.alarms.lifecycle.states import State
from rules.monitor.inputs import OperatorAction
from tests.collector.messaging.cases import AT, Scripted, change, notice, office, person, put


@dataclass
class Stands:
    """One incident, of which nothing waits to be acknowledged."""

    incidents: dict[str, Incident] = field(
        default_factory=lambda: {"power-north-1": change(notice()).incident}
    )
    alarms: dict[str, Alarm] = field(default_factory=dict)


@dataclass
class Asked:
    """The people, their post office and who takes on."""

    post: Scripted
    where: PostOffice
    taking: TakingOn
    ledger: Ledger

    async def deliver(self) -> None:
        while await self.where.outbox.send_due("post"):
            pass

    def to(self, name: str) -> list[str]:
        letters = [Letter.of(one.body) for one in self.post.taken]
        return [one.notice.what for one in letters if one.person == name]


@asynccontextmanager
async def asked(folder: Path) -> AsyncIterator[Asked]:
    clock, post = TurnedClock(AT), Scripted()
    ways = {name: [{"channel": "post", "address": f"{name}@x.example"}] for name in ("Ada", "Ben", "Cleo")}
    late = person("Cleo", reach=ways["Cleo"], tell=[{"unanswered_s": 600}])
    people = (person("Ada", reach=ways["Ada"]), person("Ben", reach=ways["Ben"]), late)

    async def done(_word: OperatorAction) -> None:
        return None

    async with Ledger(folder / "ledger.db") as ledger:
        where = office(ledger, clock, {"post": post}, people)
        taking = TakingOn(ledger, clock, where.dispatch, standing=Stands, ask=done, sent=lambda: None)
        await put(ledger, where, notice())
        here = Asked(post, where, taking, ledger)
        await here.deliver()
        yield here
        await clock.advance(700.0)
        await here.deliver()
        assert here.to("Cleo") == [], "she was not told that it began: there is nothing to tell her of it"


async def test_the_others_are_told_once_who_has_it_however_often_it_is_taken_on(tmp_path: Path) -> None:
    async with asked(tmp_path) as here:
        for _ in range(3):
            await here.taking.take_on("power-north-1", by="Ada", note="on my way")
            await here.deliver()
        assert here.to("Ben")[1:] == [f"Ada has it, on my way: {notice().what}"]
        assert len(here.to("Ada")) == 1


async def test_who_has_it_too_is_told_of_what_stands_and_not_of_who_had_it_before(tmp_path: Path) -> None:
    async with asked(tmp_path) as here:
        await here.taking.take_on("power-north-1", by="Ada")
        await here.deliver()
        await here.taking.take_on("power-north-1", by="Ben", note="at the panel")
        await here.deliver()
        assert here.to("Ada")[1:] == [f"Ben has it, at the panel: {notice().what}"]


async def test_an_act_of_a_centre_is_done_once_who_has_it_is_kept_and_not_with_the_first_alarm(
    tmp_path: Path,
) -> None:
    kind = CATALOGUE["on_battery"]
    alarms = [
        replace(new_alarm(kind, unit, "", 0.0), state=State.ACTIVE_UNACKNOWLEDGED, incident="power-north-1")
        for unit in ("A1", "A2")
    ]
    stands, acts = Stands(alarms={one.id: one for one in alarms}), []

    async def done(_word: OperatorAction) -> None:
        whence = asking.get()
        acts.append(None if whence is None else (whence.who, whence.act))

    act, since = "f" * 32, AT - timedelta(hours=1)
    async with asked(tmp_path) as here:
        taking = TakingOn(
            here.ledger,
            TurnedClock(AT),
            here.where.dispatch,
            standing=lambda: stands,
            ask=done,
            sent=lambda: None,
        )
        assert not await here.ledger.act_done(act, since)
        noted = asking.set(Whence("Ada", "at the centre, signed in", "10.1.2.3", act))
        try:
            await taking.take_on("power-north-1", by="Ada")
        finally:
            asking.reset(noted)
        assert acts == [("Ada", None), ("Ada", None)], "killed here, all of it comes again"
        assert await here.ledger.act_done(act, since)
        assert not await here.ledger.act_done("e" * 32, since)
        assert not await here.ledger.act_done(act, AT + timedelta(hours=1))
