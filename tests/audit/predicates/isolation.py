"""What is answered to "may a unit be taken out for work": each row as it was when it was judged.

An answer stands for minutes and names its moment, so it is held against the plant of that moment alone.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, cast

from collector.simulation.plant.battery import charge_fraction
from collector.simulation.plant.unit import CARRYING, Mode
from rules.planning.isolation.check import Overall
from rules.system.state import Standing
from rules.values.reason import Reason
from tests.audit.predicates import alarms
from tests.audit.predicates.holding import GROSS, JUDGED_S, foretold, moving, surprised
from tests.audit.predicates.load import METERS, OF_AMPERES_VA, SHARED_UNEVENLY
from tests.audit.predicates.needs import asked_without, needs_of
from tests.audit.predicates.power import STANDINGS
from tests.audit.sight import ON, SEEN_WITHIN_S, TRUE, UNDECIDED, Finding, Sight, So, false
from tests.audit.statements import Statement
from tests.audit.world import PlantAt

FED: Final = (Mode.NORMAL, Mode.WALKING_IN)
FULL: Final = 0.93
"""What is said is 95 %; what was taken from a bank is reckoned, and its capacity known to a few points."""
LINES: Final = 0.007
"""How far the lines of a supply stand apart."""


def _at(said: Statement) -> Statement:
    """Return a statement as of the moment that it names."""
    return Statement(said.kind, said.about, said.where, said.value, said.as_of_s, said.as_of_s, said.as_of_s)


def _held(
    sight: Sight,
    said: Statement,
    so: Callable[[PlantAt], bool],
    why: str,
    units: tuple[str, ...] | None = None,
) -> Finding:
    return sight.held(
        _at(said), so, why=why, units=sight.units_of(sight.system_of(said.about)) if units is None else units
    )


def _units(said: Statement, name: str = "units") -> tuple[str, ...]:
    return cast("tuple[str, ...]", said.value[name])  # type: ignore[index]


def may_be_taken_out(sight: Sight, said: Statement) -> Finding:
    """A unit that may be taken out leaves others that carry the load, and hold it as long as is needed."""
    if said.value is not Overall.MET:
        return UNDECIDED
    system = sight.system_of(said.about)
    others = tuple(u for u in sight.units_of(system) if u != said.about)
    if not others:
        return false("there is no other unit")
    found = _held(
        sight, said, lambda now: all(now.mode(u) in FED for u in others), "another did not carry", others
    )
    lines = range(1, len(sight.world.at(0).line_loads(system)) + 1)
    if found is TRUE:
        found = _held(
            sight, said, lambda now: max(asked_without(now, said.about, n) for n in lines) <= 1.0 + SHARED_UNEVENLY,
            "the others could not carry it",
        )  # fmt: skip
    since_s = said.as_of_s - JUDGED_S
    if (
        found is not TRUE
        or surprised(sight, system, said.at_s)
        or moving(sight, system, since_s, said.as_of_s)
    ):
        return found
    truth_s = sight.world.hold_up_s(system, said.as_of_s, said.about)
    wanted_s = max(needs_of(sight, system), default=0.0)
    return (
        TRUE if GROSS * truth_s >= wanted_s else false(f"the others hold {truth_s:.0f} of {wanted_s:.0f} s")
    )


def not_fresh(sight: Sight, said: Statement) -> Finding:
    """Units without a fresh reading were not read as they should be."""
    so = (
        all(sight.blind((u,), said.as_of_s - 40.0, said.as_of_s) for u in _units(said))
        or said.as_of_s < SEEN_WITHIN_S
    )
    return TRUE if so else false("their cards answered")


def all_fresh(sight: Sight, said: Statement) -> Finding:
    """Where every unit is said to have been read, no card had been dumb for longer."""
    age_s = float(said.value["age_s"])  # type: ignore[index]
    dumb = [
        u
        for u in sight.units_of(sight.system_of(said.about))
        if sight.dumb_for_s(u, said.as_of_s) > age_s + SEEN_WITHIN_S
    ]
    return false(f"{dumb} did not answer") if dumb else TRUE


def no_other_unit(sight: Sight, said: Statement) -> Finding:
    """There is one unit."""
    return TRUE if len(sight.units_of(sight.system_of(said.about))) == 1 else false("there are others")


def unit_stands(sight: Sight, said: Statement) -> Finding:
    """A unit did what is said."""
    standing = Standing(cast("str", said.value["standing"]))  # type: ignore[index]
    modes = STANDINGS.get(standing)
    if modes is None:
        blind = sight.blind((said.about,), said.as_of_s - 40.0, said.as_of_s)
        return TRUE if blind else UNDECIDED
    return _held(
        sight, said, lambda now: now.mode(said.about) in modes, f"it was not {standing.value}", (said.about,)
    )


def others_carrying(sight: Sight, said: Statement) -> Finding:
    """The others carry by their inverters, fed."""
    units = _units(said)
    return _held(
        sight,
        said,
        lambda now: all(now.mode(u) in FED for u in units),
        "one was not in normal operation",
        units,
    )


def named(name: str) -> Callable[[Sight, Statement], Finding]:
    """Return a predicate: something is named, each a statement of its own."""
    return lambda _sight, said: TRUE if said.value[name] else false("it names none")  # type: ignore[index]


def tests_run(sight: Sight, said: Statement) -> Finding:
    """A test runs on the units named."""
    units = _units(said)
    return _held(
        sight, said, lambda now: all(now.mode(u) is Mode.TESTING for u in units), "no test ran", units
    )


def no_test(sight: Sight, said: Statement) -> Finding:
    """No test runs."""
    units = sight.units_of(sight.system_of(said.about))
    return _held(sight, said, lambda now: not any(now.mode(u) is Mode.TESTING for u in units), "a test ran")


def room(sight: Sight, said: Statement) -> Finding:
    """What is left on a line with the unit out is left, or lacks."""
    value, system = cast("Reason", said.value), sight.system_of(said.about)
    if value["window"]:
        return UNDECIDED  # a load to come
    args = dict(value.args)
    told = float(cast("float", args["left"])) if "left" in args else -float(cast("float", args["over"]))
    line, place = int(cast("int", value["line"])) - 1, 0 if value["limit"] == "w" else 1
    truths, most = [], 0.0
    for now in sight.world.span(said.as_of_s - SEEN_WITHIN_S, said.as_of_s):
        may = sum(
            (u.rating_w, u.rating_va)[place] / u.lines
            for u, m in zip(now.plant.systems[system].units, now.modes(system), strict=True)
            if u.id != said.about and (m in CARRYING or m is Mode.BYPASS)
        )
        asked = now.line_loads(system)[line][place]
        truths.append(may - asked)
        most = max(most, asked)
    slack = METERS * most + OF_AMPERES_VA * len(sight.units_of(system)) + 1.0
    if min(truths) - slack <= told <= max(truths) + slack:
        return TRUE
    if sight.blind(sight.units_of(system), said.as_of_s - 2.0 * SEEN_WITHIN_S, said.as_of_s):
        return UNDECIDED
    return false(f"{told:.0f} left, truly {min(truths):.0f} to {max(truths):.0f}")


def others_hold(sight: Sight, said: Statement) -> Finding:
    """The others hold at the least what is said, beside the longest time that is asked."""
    system, low_s = sight.system_of(said.about), float(said.value["low_s"])  # type: ignore[index]
    needed_s = float(said.value["needed_s"])  # type: ignore[index]
    if abs(needed_s - max(needs_of(sight, system), default=0.0)) > 1.5:
        return false(f"needs {needed_s:.0f} s, asked are {needs_of(sight, system)}")
    since_s = said.as_of_s - JUDGED_S - SEEN_WITHIN_S
    hidden = surprised(sight, system, said.until_s) or moving(sight, system, since_s, said.until_s)
    if said.value["window"] or hidden or sight.blind(sight.units_of(system), since_s, said.until_s):  # type: ignore[index]
        return UNDECIDED
    if any(m in ON for m in sight.world.at(said.as_of_s).modes(system)):
        return UNDECIDED
    found = foretold(low_s, None, sight.world.hold_up_s(system, said.as_of_s, said.about))
    return found if found.so is So.FALSE else TRUE


def banks_full(sight: Sight, said: Statement) -> Finding:
    """Every bank is charged to 95 % or more."""
    now = sight.world.at(said.as_of_s)
    for unit in sight.units_of(sight.system_of(said.about)):
        system, place = now.plant.place_of[unit]
        charge = charge_fraction(
            now.plant.systems[system].units[place].bank, now.state.systems[system].units[place].bank
        )
        if charge < FULL:
            return false(f"{unit} is at {100 * charge:.0f} %")
    return TRUE


def banks_not_full(sight: Sight, said: Statement) -> Finding:
    """A bank carried before."""
    system = sight.system_of(said.about)
    carried = any(m in ON for now in sight.world.span(0.0, said.as_of_s) for m in now.modes(system))
    return TRUE if carried else false("no bank carried")


# ---- what stands at inputs and bypasses ------------------------------------------------------------------------------


def in_band(sight: Sight, said: Statement) -> Finding:
    """What stands at the inputs is what a unit would run from."""
    supply = sight.estate.systems[sight.system_of(said.about)].supply
    return _held(sight, said, lambda now: now.state.feeds[supply].acceptable, "it was out of its band")


def out_of_band(sight: Sight, said: Statement) -> Finding:
    """What stands there is not, or a breaker is open."""
    system = sight.system_of(said.about)
    supply, units = sight.estate.systems[system].supply, sight.units_of(system)
    return _held(
        sight, said,
        lambda now: not now.state.feeds[supply].acceptable or any(not now.fed_at(u) for u in units), "it was within its band",
    )  # fmt: skip


def _stands(sight: Sight, said: Statement, told: float, truths: list[float], room_of: float) -> Finding:
    if min(truths) * (1.0 - LINES) - room_of <= told <= max(truths) * (1.0 + LINES) + room_of:
        return TRUE
    if sight.blind(sight.units_of(said.about), said.as_of_s - 2.0 * SEEN_WITHIN_S, said.as_of_s):
        return UNDECIDED
    return false(f"{told:g}, truly {min(truths):.1f} to {max(truths):.1f}")


def _supply_lately(sight: Sight, said: Statement) -> list[tuple[float, float]]:
    supply = sight.estate.systems[sight.system_of(said.about)].supply
    found = []
    for now in sight.world.span(said.as_of_s - SEEN_WITHIN_S, said.as_of_s):
        feed = now.state.feeds[supply]
        found += [(feed.voltage_v, feed.frequency_hz)] + ([(0.0, 0.0)] if not now.fed_at(said.about) else [])
    return found


def at_frequency(sight: Sight, said: Statement) -> Finding:
    """That frequency stood there."""
    told = float(said.value["frequency_hz"])  # type: ignore[index]
    return _stands(sight, said, told, [f for _, f in _supply_lately(sight, said)], 0.2)


def at_voltage(sight: Sight, said: Statement) -> Finding:
    """That voltage stood there."""
    told = float(said.value["voltage_v"])  # type: ignore[index]
    return _stands(sight, said, told, [v for v, _ in _supply_lately(sight, said)], 2.0)


def on_battery_now(sight: Sight, said: Statement) -> Finding:
    """A unit runs on its bank."""
    return _held(sight, said, lambda now: now.mode(said.about) in ON, "it was not on its bank", (said.about,))


def went_bad(sight: Sight, said: Statement) -> Finding:
    """The input of each unit named went bad no more often than it did."""
    now = sight.world.at(said.as_of_s)
    for unit, times in zip(_units(said), cast("tuple[int, ...]", said.value["times"]), strict=True):  # type: ignore[index]
        if times > now.state.unit(now.plant.place_of[unit]).bads:
            return false(f"{unit}: {times} times, truly {now.state.unit(now.plant.place_of[unit]).bads}")
    return TRUE


def card_says(sight: Sight, said: Statement) -> Finding:
    """See `alarms.card_alarm`."""
    return alarms.card_alarm(sight, _at(said))


def no_alarm(sight: Sight, said: Statement) -> Finding:
    """Where no alarm stands every unit of the system is fed and feeds its output."""
    units = sight.units_of(sight.system_of(said.about))
    return _held(
        sight,
        said,
        lambda now: all(now.mode(u) in (*FED, Mode.TESTING) for u in units),
        "a unit did otherwise",
    )
