"""What the recorder hands to the judgement of a system."""

from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import cast

from collector.clock import TurnedClock, stamp
from collector.history.store import HistoryStore
from collector.judging import Judging
from collector.ledger import Ledger
from collector.polling import Answer
from collector.present import Present
from collector.recording import Recorder
from rules.alarms.catalogue import Explanation
from rules.alarms.inputs import PlannedWork, Window
from rules.assess import Glance, SystemView
from rules.verdicts import Standing
from rules.watch import Book
from tests.rules.plants import NOON, estate


class Forgetful:
    """A history that takes everything in and keeps nothing."""

    async def append(self, _records: object) -> None:
        return None


@dataclass
class Looks:
    """Judging that remembers the last view it was shown."""

    views: list[SystemView] = field(default_factory=list)

    def look(self, view: SystemView, _seen: Glance) -> None:
        self.views.append(view)


async def test_a_system_is_judged_with_its_planned_isolation_and_its_coldest_month(tmp_path: Path) -> None:
    plant = estate(2)
    clock, looks = TurnedClock(NOON), Looks()
    now = stamp(clock)
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        history = cast("HistoryStore", Forgetful())
        recorder = Recorder(Book(plant), clock, history, ledger, Present(plant))
        recorder.judging = cast("Judging", looks)
        bank = plant.banks_of_system("A")[0].id
        recorder.coldest_c = {bank: 17.5, "of another system": 3.0}
        hour = timedelta(hours=1)
        work = Window("w", Explanation.ISOLATION, "A1", NOON - hour, NOON + hour)
        card = plant.card_of("A1")
        assert card is not None
        silent = Answer(card.id, now, 5.0, 0.0, 0.1, silence="no answer")
        await recorder.process([PlannedWork(now, (work,)), silent])
        shown = recorder._present.systems["A"]
    assert looks.views[-1].isolated == {"A1"}
    assert looks.views[-1].coldest_c == {bank: 17.5}
    assert next(u.standing for u in shown.units if u.id == "A1") is Standing.ISOLATED
