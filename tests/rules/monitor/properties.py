"""What holds of the watch whatever happens: checks for generated stories, a few in the suite, many in the backtest."""

from __future__ import annotations

from hypothesis import strategies as st

from rules.alarms.catalogue import Explanation
from rules.alarms.incidents.incident import Incident, IncidentChange, Notice, NoticeKind
from rules.alarms.lifecycle.alarm import Happened
from rules.alarms.lifecycle.states import Effect
from rules.monitor.inputs import Input, OperatorCommand, PlannedWork, SystemJudged, Tick
from rules.plant.reading import OutputSource
from rules.values.verdict import Verdict
from tests.rules.day import on_battery_since
from tests.rules.monitor.watching import EVERY, Watch, act, window
from tests.rules.sample_plant import UNITS, fault, on_bank, reading, silence, stamp, system_state

ORDERS = st.permutations(range(len(EVERY) + 2))


def faces(incidents: dict[str, Incident]) -> object:
    return {i.id: (i.about, i.members, i.severity, i.counted, i.opened_at) for i in incidents.values()}


def order_does_not_matter(order: list[int]) -> None:
    """Check that readings of one moment give the same incidents and the same notices in any order."""
    simultaneous: list[Input] = [on_bank(u, 10.0) for u in EVERY]
    simultaneous[2] = reading("W3", 10.0, source=OutputSource.NONE, input_v=0.0, power_w=0.0)
    simultaneous.append(
        reading("C4", 10.0, source=OutputSource.BYPASS, input_v=0.0, alarms=("upsAlarmBypassBad",))
    )
    simultaneous.append(
        SystemJudged(stamp(10), system_state("works", 10, on_battery=on_battery_since(10, lasts_s=900)))
    )
    simultaneous[9] = reading("C3", 10.0, power_w=9900.0, load_pct=110.0)

    def run(inputs: list[Input]) -> tuple[object, list[Notice]]:
        watch = Watch()
        watch.calm(5)
        watch.give(*inputs)
        watch.pass_time(11, 40)
        return faces(dict(watch.state.incidents)), sorted(watch.notices(), key=lambda n: n.id)

    # two readings of one unit at one moment keep their order: the later one counts
    first = [i for i in order if i != 8]
    straight = [simultaneous[i] for i in range(len(simultaneous)) if i != 8]
    assert run([simultaneous[i] for i in first]) == run(straight)


DOES = "mains battery bypass off silent fault fan unknown ack shelve return remove judged poor window".split()
SCENES = st.lists(
    st.tuples(st.sampled_from(EVERY), st.sampled_from(DOES), st.sampled_from([0.5, 3.0, 20.0, 200.0])),
    max_size=40,
)


def _done(watch: Watch, unit: str, what: str, at: float) -> None:
    deeds = {
        "ack": OperatorCommand.ACKNOWLEDGE,
        "shelve": OperatorCommand.SHELVE,
        "remove": OperatorCommand.TAKE_OUT_OF_SERVICE,
        "return": OperatorCommand.RETURN_TO_SERVICE,
    }
    if what in deeds:
        for alarm_id in sorted(watch.state.alarms):
            act(watch, deeds[what], alarm_id, at, hours=0.1)
        return
    system = next(name for name, units in UNITS.items() if unit in units)
    poor = system_state(
        system,
        at,
        verdict=Verdict.INADEQUATE,
        margin_s=-60.0,
        spare=Verdict.INADEQUATE,
        spare_margin_w=-500.0,
    )
    inputs: dict[str, Input] = {
        "mains": reading(unit, at),
        "battery": on_bank(unit, at),
        "bypass": reading(unit, at, source=OutputSource.BYPASS),
        "off": reading(unit, at, source=OutputSource.NONE, power_w=0.0),
        "silent": silence(unit, at),
        "fault": fault(unit, at),
        "fan": reading(unit, at, alarms=("upsAlarmFanFailure",)),
        "unknown": reading(unit, at, source=None, alarms=None),
        "judged": SystemJudged(stamp(at), system_state(system, at)),
        "poor": SystemJudged(stamp(at), poor),
        "window": PlannedWork(stamp(at), (window(Explanation.ISOLATION, unit, at + 1.0, at + 100.0),)),
    }
    watch.give(inputs[what])


def _untold(watch: Watch) -> list[str]:
    """Return the active alarms that no notice has named since they last had to be told."""
    named: dict[str, int] = {}
    raised: dict[str, int] = {}
    for n, change in enumerate(watch.changes):
        if isinstance(change, Happened) and Effect.TELL in change.effects:
            raised[change.alarm.id] = n
        if isinstance(change, IncidentChange) and change.notice is not None:
            named |= dict.fromkeys(change.notice.alarms, n)
    return [
        a.id for a in watch.state.alarms.values() if a.state.active and named.get(a.id, -1) <= raised[a.id]
    ]


def everything_is_told(scene: list[tuple[str, str, float]]) -> None:
    """Check that an active alarm is told, or waits in an open incident to be told, and within minutes is told."""
    watch = Watch()
    watch.calm(0)
    seconds = 1.0
    for unit, what, wait in scene:
        seconds += wait
        _done(watch, unit, what, seconds)
        watch.give(Tick(stamp(seconds)))
        for alarm_id in _untold(watch):
            incident = watch.state.incidents[watch.state.alarms[alarm_id].incident or ""]
            assert alarm_id in incident.pending, alarm_id
    watch.pass_time(seconds, seconds + 800, every=50)
    assert _untold(watch) == []
    for alarm in watch.state.alarms.values():
        if alarm.standing:
            assert alarm.state.active or alarm.state.held
    notices = watch.notices()
    assert len({n.id for n in notices}) == len(notices)
    assert all(len(n.short) <= 160 and n.short.isascii() for n in notices)
    opened = {n.incident for n in notices if n.kind is NoticeKind.OPENED}
    closed = {n.incident for n in notices if n.kind is NoticeKind.CLOSED}
    # what outlives its incident was told of in that one; it opens none
    handed_over = {n.incident for n in notices if n.incident.startswith(("own-", "card_alarm"))}
    assert closed - opened <= handed_over
