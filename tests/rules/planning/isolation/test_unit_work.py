"""Work on a unit, followed: how far it has come, what it does not explain, and what is not seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta

import pytest

from rules.phrasing.reasons import say
from rules.planning.isolation.unit_work import Followed, begun, follow, news, over
from rules.plant.estate import Estate
from rules.plant.reading import OutputSource, Reading, Silence
from rules.system.assessment import task_of
from rules.system.hold_up.judgement import HoldUpJudgement, hold_ups
from rules.system.observation import SystemObservation, SystemView, glance
from rules.system.work import UnitWork, Unplanned, WorkStage
from tests.rules.sample_plants import NOON, NOW, estate, known_banks, reading, view

HOUR = timedelta(hours=1)
BOTH = [reading(n, (2000.0,) * 3) for n in ("A1", "A2")]
A1_OUT = [reading("A1", (0.0,) * 3, source=OutputSource.NONE), reading("A2", (4000.0,) * 3)]
UNEVEN = [reading("A1", (1000.0,) * 3), reading("A2", (7000.0,) * 3)]
AWAY = frozenset({"A1"})


def seen(readings: Sequence[Reading], plant: Estate | None = None, **more: object) -> SystemView:
    quiet = [replace(r, card_alarms=r.card_alarms or ()) for r in readings]
    return view(plant or estate(2), quiet, **more)


def look(readings: Sequence[Reading], plant: Estate | None = None, **more: object) -> SystemObservation:
    return glance(seen(readings, plant, **more))


@dataclass
class Work:
    """Work on A1 from noon to four, followed look by look."""

    followed: Followed = field(
        default_factory=lambda: begun("A1", NOON, NOON + 4 * HOUR, by="R. Haugen", window="w")
    )
    journal: list[str] = field(default_factory=list)

    def see(
        self,
        readings: Sequence[Reading],
        after_s: float = 0.0,
        judged: HoldUpJudgement | None = None,
        **more: object,
    ) -> UnitWork:
        before = self.followed.work
        plant = estate(len({r.unit for r in readings}) if len(readings) > 2 else 2)
        self.followed = follow(
            self.followed, look(readings, plant, **more), judged, NOON + timedelta(seconds=after_s)
        )
        self.journal += [kind for kind, _ in news(before, self.followed.work)]
        return self.followed.work

    def kinds(self) -> list[Unplanned]:
        return [u.kind for u in self.followed.work.unexpected]


def full() -> HoldUpJudgement:
    whole = seen(BOTH)
    return hold_ups(task_of(whole, glance(whole)), known_banks(estate(2)), seed=1)


def test_the_work_is_followed_to_its_end() -> None:
    work = Work()
    assert work.see(BOTH).stage is WorkStage.BEFORE
    out = work.see(A1_OUT, 600.0, isolated=AWAY)
    assert (out.stage, out.unexpected) == (WorkStage.OUT, ())
    assert say(out.because) == "Unit A1 is isolated; the others carry 12.0 kW."
    assert work.see(UNEVEN, 5000.0).stage is WorkStage.BACK
    assert work.see(BOTH, 5100.0).stage is WorkStage.SHARING
    done = work.see(BOTH, 9000.0, full())
    assert done.stage is WorkStage.CHARGED
    assert [s.stage for s in done.steps] == list(WorkStage)
    assert work.journal == ["work_out", "work_back", "work_sharing", "work_charged"]


def test_a_judgement_that_is_missing_takes_a_full_bank_not_back() -> None:
    work = Work()
    work.see(BOTH)
    work.see(A1_OUT, 10.0, isolated=AWAY)
    work.see(BOTH, 20.0, full())
    assert work.see(BOTH, 30.0, None).stage is WorkStage.CHARGED


def test_sharing_has_a_deadband() -> None:
    work = Work()
    work.see(BOTH)
    work.see(A1_OUT, 10.0, isolated=AWAY)
    work.see(BOTH, 20.0)
    # of 27 kW, each off the mean by half the difference: 11.1 points, then 13.3
    nearly = [reading("A1", (3000.0,) * 3), reading("A2", (5000.0,) * 3)]
    assert work.see(nearly, 30.0).stage is WorkStage.SHARING
    beyond = [reading("A1", (3000.0,) * 3), reading("A2", (5400.0,) * 3)]
    assert work.see(beyond, 40.0).stage is WorkStage.BACK


def test_a_peer_on_bypass_and_a_load_that_fell_are_not_explained() -> None:
    work = Work()
    work.see([reading("A1"), reading("A2")])
    bad = [A1_OUT[0], reading("A2", (2000.0,) * 3, source=OutputSource.BYPASS)]
    work.see(bad, 60.0, isolated=AWAY)
    assert work.kinds() == [Unplanned.LEFT], "the sum of readings seconds apart may be wrong for a moment"
    found = work.see(bad, 76.0, isolated=AWAY)
    assert [say(u.because) for u in found.unexpected] == [
        "Unit A2 was carrying and is on bypass.",
        "The load fell from 18.0 to 6.0 kW: was something dropped?",
    ]
    work.see([A1_OUT[0], reading("A2", (6000.0,) * 3)], 90.0, isolated=AWAY)
    assert work.journal[-1] == "work_as_planned"


def test_a_mains_failure_during_work_is_told_and_a_bank_test_is_not() -> None:
    work = Work()
    work.see(BOTH)
    lost = [A1_OUT[0], reading("A2", (4000.0,) * 3, source=OutputSource.BATTERY)]
    work.see(lost, 60.0, isolated=AWAY)
    assert work.kinds() == [Unplanned.ON_BATTERY]
    test = [
        A1_OUT[0],
        reading("A2", (4000.0,) * 3, source=OutputSource.BATTERY, alarms=("upsAlarmTestInProgress",)),
    ]
    work.see(test, 70.0, isolated=AWAY)
    assert work.kinds() == []


def test_the_worked_unit_on_bypass_is_told() -> None:
    work = Work()
    work.see(BOTH)
    work.see([reading("A1", (2000.0,) * 3, source=OutputSource.BYPASS), BOTH[1]], 60.0)
    assert work.kinds() == [Unplanned.ON_BYPASS]


def test_other_planned_work_explains_its_own_unit() -> None:
    work = Work()
    three = [reading(n, (2000.0,) * 3) for n in ("A1", "A2", "A3")]
    work.see(three)
    out = [reading(n, (0.0,) * 3, source=OutputSource.NONE) for n in ("A1", "A2")]
    work.see([*out, reading("A3", (6000.0,) * 3)], 60.0, isolated=frozenset({"A1", "A2"}))
    assert work.kinds() == []


def silence(unit: str) -> Silence:
    return Silence(unit, NOW, "no answer")


def test_a_card_that_dies_with_its_unit_is_out_once_the_peers_took_its_part() -> None:
    work = Work()
    work.see(BOTH)
    lonely = seen([BOTH[1]], isolated=AWAY, silences={"A1": silence("A1")})
    work.followed = follow(work.followed, glance(lonely), None, NOON + HOUR)
    assert work.followed.work.stage is WorkStage.BEFORE
    assert say(work.followed.work.because) == "Unit A1 is not heard: whether it is out cannot be seen."
    taken = seen([A1_OUT[1]], isolated=AWAY, silences={"A1": silence("A1")})
    work.followed = follow(work.followed, glance(taken), None, NOON + HOUR)
    assert work.followed.work.stage is WorkStage.OUT


def test_after_a_start_nothing_moves_until_the_cards_are_read() -> None:
    work = Work()
    work.see(BOTH)
    lost = [A1_OUT[0], reading("A2", (4000.0,) * 3, source=OutputSource.BATTERY)]
    before = work.see(lost, 60.0, isolated=AWAY)
    work.followed = follow(work.followed, glance(seen([], isolated=AWAY)), None, NOON + HOUR)
    assert work.followed.work == before


def test_how_it_stood_is_taken_only_when_every_unit_was_asked() -> None:
    first = begun("A1", NOON, NOON + HOUR, window="w")
    assert follow(first, look([BOTH[0]]), None, NOON) == first
    heard = seen([BOTH[0]], silences={"A2": silence("A2")})
    assert follow(first, glance(heard), None, NOON).before is not None


@pytest.mark.parametrize(
    ("looks", "overdue", "says"),
    [
        ([BOTH], False, "never seen out"),
        ([BOTH, A1_OUT], True, None),
        ([BOTH, A1_OUT, UNEVEN], True, None),
        ([BOTH, A1_OUT, BOTH], False, "shares the load again"),
    ],
)
def test_when_its_time_has_passed(looks: list[list[Reading]], overdue: bool, says: str | None) -> None:
    work = Work()
    for n, readings in enumerate(looks):
        work.see(readings, 10.0 * n, isolated=AWAY)
    end = (4 * HOUR).total_seconds()
    assert not work.see(looks[-1], end - 1.0, isolated=AWAY).overdue
    assert over(work.followed.work, NOON + timedelta(seconds=end - 1.0)) is None
    after = work.see(looks[-1], end)
    assert after.overdue is overdue
    ended = over(after, NOON + timedelta(seconds=end))
    assert ended is None if says is None else ended is not None and says in say(ended)
    assert ("work_overdue" in work.journal) is overdue


def test_a_single_units_load_goes_where_no_card_sees_it() -> None:
    first = begun("A1", NOON, NOON + HOUR, window="w")
    alone = estate(1, spare_units=0)
    followed = follow(first, look([BOTH[0]], alone), None, NOON)
    for seconds in (10.0, 60.0):
        followed = follow(
            followed, look([A1_OUT[0]], alone, isolated=AWAY), None, NOON + timedelta(seconds=seconds)
        )
    assert followed.work.unexpected == ()
    assert followed.work.stage is WorkStage.OUT
