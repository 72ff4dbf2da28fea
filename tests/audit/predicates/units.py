"""What is said of units beside one another: sources, returns, shares; what a line carries; how warm a bank is; who is not read."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Final, cast

from collector.simulation.plant.unit import CARRYING, Mode
from tests.audit.predicates.load import METERS, OF_AMPERES_VA, spare_gone
from tests.audit.sight import ON, SEEN_WITHIN_S, TRUE, UNDECIDED, UNNOTICED_S, Finding, Sight, false
from tests.audit.statements import Statement
from tests.audit.world import PlantAt

POLLS_S: Final = 14.0
"""Two returns, each met by a poll."""
FED: Final = frozenset({Mode.NORMAL, Mode.WALKING_IN})
NORMAL_S: Final = 13.0
"""A unit that a call passed by stayed fed for at least so long of it: 20 s as they are read, less a poll."""
KEPT_S: Final = 30.0
"""Words of an alarm are those of its last look."""


def beside(mine: frozenset[Mode], theirs: frozenset[Mode], why: str) -> Callable[[Sight, Statement], Finding]:
    """Return a predicate: a unit does one thing while all that are named beside it do another."""

    def predicate(sight: Sight, said: Statement) -> Finding:
        others = cast("tuple[str, ...]", said.value["beside"]) if hasattr(said.value, "args") else ()  # type: ignore[index]
        found = sight.held(
            said,
            lambda now: now.mode(said.about) in mine,
            within_s=SEEN_WITHIN_S + KEPT_S,
            why=f"it did not, {why}",
        )
        for other in others:
            if found is not TRUE:
                break
            found = sight.held(
                said, lambda now, o=other: now.mode(o) in theirs,  # type: ignore[misc]
                within_s=SEEN_WITHIN_S + KEPT_S, units=(other,), why=f"{other} did not, {why}",
            )  # fmt: skip
        return found

    return predicate


def two_sources(sight: Sight, said: Statement) -> Finding:
    """A system that is said to be fed from two sources has a unit past its inverter, and one by it."""

    def so(now: PlantAt) -> bool:
        modes = now.modes(said.about)
        return Mode.BYPASS in modes and not CARRYING.isdisjoint(modes)

    return (
        TRUE
        if not said.value
        else sight.held(said, so, within_s=SEEN_WITHIN_S + KEPT_S, why="one source fed all")
    )


def back_at(sight: Sight, unit: str, until_s: float) -> list[int]:
    """Return the seconds up to one at which a unit left its bank for its supply."""
    seconds = sight.world.span(0.0, until_s)
    pairs = enumerate(pairwise(seconds), 1)
    return [at for at, (was, now) in pairs if was.mode(unit) is Mode.BATTERY and now.mode(unit) in FED]


def came_back_late(sight: Sight, said: Statement) -> Finding:
    """A unit that is said to have come back late came so much later than the first."""
    first = str(said.value["first"])  # type: ignore[index]
    told = float(said.value["late_s"])  # type: ignore[index]
    truths = [
        a - b for a in back_at(sight, said.about, said.until_s) for b in back_at(sight, first, said.until_s)
    ]
    if any(abs(told - truth) <= POLLS_S for truth in truths):
        return TRUE
    blind = sight.blind((said.about, first), 0.0, said.at_s)
    return UNDECIDED if blind else false(f"{told:.0f} s after {first}, truly {truths}")


def late_back(sight: Sight, said: Statement) -> Finding:
    """A system of which that stands has two units that came back apart."""
    if not said.value:
        return TRUE
    units = sight.units_of(said.about)
    returns = [at for unit in units for at in back_at(sight, unit, said.until_s)]
    if returns and max(returns) - min(returns) >= 4:
        return TRUE
    return UNDECIDED if sight.blind(units, 0.0, said.at_s) else false("all came back together")


def unit_late(sight: Sight, said: Statement) -> Finding:
    """The same of one unit: another of its system came back before it."""
    peers = [u for u in sight.units_of(sight.system_of(said.about)) if u != said.about]
    mine = back_at(sight, said.about, said.until_s + POLLS_S)
    theirs = [at for peer in peers for at in back_at(sight, peer, said.until_s + POLLS_S)]
    if any(a - b >= 4 for a in mine for b in theirs):
        return TRUE
    return (
        UNDECIDED if sight.blind((said.about, *peers), 0.0, said.at_s) else false("none came back before it")
    )


def stayed(sight: Sight, unit: str, until_s: float) -> bool:
    """Return whether a unit was fed for a while in which another of its system ran on its bank."""
    peers = [u for u in sight.units_of(sight.system_of(unit)) if u != unit]
    alone_s = 0
    for now in sight.world.span(0.0, until_s):
        passed_by = now.mode(unit) in FED and any(now.mode(p) is Mode.BATTERY for p in peers)
        alone_s = alone_s + 1 if passed_by else 0
        if alone_s >= NORMAL_S:
            return True
    return False


def stayed_on_mains(sight: Sight, said: Statement) -> Finding:
    """A unit that is said not to have gone with its siblings stayed fed while they ran on their banks."""
    if not said.value:
        return TRUE
    units = sight.units_of(said.about)
    if any(stayed(sight, u, said.until_s) for u in units):
        return TRUE
    peers = sight.units_of(sight.system_of(said.about))
    return UNDECIDED if sight.blind(peers, 0.0, said.at_s) else false("all went")


# ---- figures of one unit, one line ---------------------------------------------------------------------------------


def _line(now: PlantAt, unit: str, own: int) -> tuple[float, float]:
    state = now.state.unit(now.plant.place_of[unit])
    return (state.watts[own - 1], state.va[own - 1]) if state.watts else (0.0, 0.0)


def line_loaded(sight: Sight, said: Statement) -> Finding:
    """A line of a unit carries what is said, of the rating that it has."""
    own, place = int(said.value["line"]), 0 if said.value["limit"] == "w" else 1  # type: ignore[index]
    figure, rating = float(said.value["figure"]), float(said.value["rating"])  # type: ignore[index]
    system, at = sight.world.at(0).plant.place_of[said.about]
    unit = sight.world.at(0).plant.systems[system].units[at]
    true_rating = (unit.rating_w, unit.rating_va)[place] / unit.lines
    if abs(rating - true_rating) > 1.0:
        return false(f"of {rating:.0f}, truly {true_rating:.0f}")
    return _as_lately(
        sight, said, figure, lambda now: _line(now, said.about, own)[place], OF_AMPERES_VA + 1.0
    )


def line_loaded_by_card(sight: Sight, said: Statement) -> Finding:
    """The same by the card's per cent."""
    own, pct = int(said.value["line"]), float(said.value["pct"])  # type: ignore[index]
    system, at = sight.world.at(0).plant.place_of[said.about]
    unit = sight.world.at(0).plant.systems[system].units[at]

    def share(now: PlantAt) -> float:
        watts, va = _line(now, said.about, own)
        return 100.0 * unit.lines * max(watts / unit.rating_w, va / unit.rating_va)

    return _as_lately(sight, said, pct, share, 1.0)


def _as_lately(
    sight: Sight, said: Statement, told: float, truth: Callable[[PlantAt], float], room: float
) -> Finding:
    truths = [truth(now) for now in sight.world.span(said.as_of_s - SEEN_WITHIN_S - KEPT_S, said.as_of_s)]
    if min(truths) * (1.0 - METERS) - room <= told <= max(truths) * (1.0 + METERS) + room:
        return TRUE
    if sight.blind(sight.units_of(said.about), said.as_of_s - 2.0 * SEEN_WITHIN_S - KEPT_S, said.at_s):
        return UNDECIDED
    return false(f"{told:.0f}, truly {min(truths):.0f} to {max(truths):.0f}")


def load_share(sight: Sight, said: Statement) -> Finding:
    """What a unit carries of its rating, and the mean of its system."""
    told = float(said.value["fraction"])  # type: ignore[index]
    system, at = sight.world.at(0).plant.place_of[said.about]
    unit = sight.world.at(0).plant.systems[system].units[at]

    def share(now: PlantAt) -> float:
        return sum(now.state.unit((system, at)).watts) / unit.rating_w

    return _as_lately(sight, said, told, share, 0.02)


def phases_apart(sight: Sight, said: Statement) -> Finding:
    """The fullest line carries what is said, and so much over the mean of the lines."""
    line, told = int(said.value["line"]), float(said.value["power_w"])  # type: ignore[index]
    system = sight.system_of(said.about)
    room = OF_AMPERES_VA * len(sight.units_of(system)) + 1.0
    return _as_lately(sight, said, told, lambda now: now.line_loads(system)[line - 1][0], room)


def lines_apart(sight: Sight, said: Statement) -> Finding:
    """A board's lines differ by so much of their mean."""
    system, told = sight.system_of(said.about), float(said.value["apart_fraction"])  # type: ignore[index]

    def apart(now: PlantAt) -> float:
        watts = [w for w, _ in now.line_loads(system)]
        mean = sum(watts) / len(watts)
        return max(abs(w - mean) for w in watts) / mean if mean > 0.0 else 0.0

    return _as_lately(sight, said, told, apart, 0.05)


def bank_hot(sight: Sight, said: Statement) -> Finding:
    """A bank is about as warm as is said: its probe sits in a cabinet, some kelvin warmer."""
    told = float(said.value["temperature_c"])  # type: ignore[index]
    truths = [
        now.state.unit(now.plant.place_of[said.about]).bank.temperature_c
        for now in sight.world.span(said.as_of_s - 300.0, said.as_of_s)
    ]
    so = min(truths) - 3.0 <= told <= max(truths) + 6.0
    return TRUE if so else false(f"{told:.0f} degC, truly {min(truths):.0f} to {max(truths):.0f}")


# ---- spare units ---------------------------------------------------------------------------------------------------


def spare_gone_on_line(sight: Sight, said: Statement) -> Finding:
    """A line asks so much more than is left with the spare gone."""
    system, value = sight.system_of(said.about), said.value
    line, place = int(value["line"]) - 1, 0 if value["limit"] == "w" else 1  # type: ignore[index]
    told = float(value["over"])  # type: ignore[index]
    since_s = 0.0 if value["peak"] else said.as_of_s - SEEN_WITHIN_S - KEPT_S  # type: ignore[index]
    units = sight.units_of(system)
    truths = []
    for now in sight.world.span(since_s, said.as_of_s):
        plant = now.plant.systems[system]
        ratings = [
            (u.rating_w, u.rating_va)[place] / u.lines
            for u, m in zip(plant.units, now.modes(system), strict=True)
            if m in CARRYING
        ]
        left = sum(ratings) - max(ratings, default=0.0)
        truths.append((now.line_loads(system)[line][place] - left, now.line_loads(system)[line][place]))
    room = METERS * max(asked for _, asked in truths) + OF_AMPERES_VA * len(units) + 1.0
    if min(over for over, _ in truths) - room <= told <= max(over for over, _ in truths) + room:
        return TRUE
    if sight.blind(units, since_s, said.at_s):
        return UNDECIDED
    return false(f"{told:.0f} over, truly {min(truths)[0]:.0f} to {max(truths)[0]:.0f}")


def no_spare(sight: Sight, said: Statement) -> Finding:
    """A unit that is said to be no spare carries nothing by its inverter, or nobody sees what it does."""
    if sight.blind((said.about,), said.as_of_s - 2.0 * SEEN_WITHIN_S, said.at_s):
        return UNDECIDED
    return sight.held(said, lambda now: now.mode(said.about) not in FED, why="it carried")


def spare_gone_told(sight: Sight, said: Statement) -> Finding:
    """See `load.spare_gone`."""
    one = Statement(
        said.kind, sight.system_of(said.about), said.where, True, said.at_s, said.until_s, said.as_of_s
    )
    return spare_gone(sight, one)


# ---- who is not read -----------------------------------------------------------------------------------------------


def unread(sight: Sight, said: Statement) -> Finding:
    """A unit of which there is said to be no fresh reading was not read as it should be, or the service has just started."""
    unit = sight.units_of(said.about)[0]
    blind = sight.blind((unit,), said.at_s - 30.0, said.at_s) or said.at_s < SEEN_WITHIN_S
    return TRUE if blind else false("its card answered")


def vouched_for(sight: Sight, said: Statement) -> Finding:
    """A unit that is said to carry by what its peers carry, while it is not read, carries."""
    if unread(sight, said) is not TRUE:
        return unread(sight, said)
    return sight.held(
        said,
        lambda now: now.mode(said.about) in CARRYING,
        within_s=SEEN_WITHIN_S + UNNOTICED_S,
        units=(),
        why="it carried nothing",
    )


def answers(sight: Sight, said: Statement) -> Finding:
    """A card that is said to answer again did not for a while before."""
    unit = sight.units_of(said.about)[0]
    return TRUE if sight.blind((unit,), said.at_s - 30.0, said.at_s) else false("it had answered")


def alone(now: PlantAt, unit: str) -> bool:
    """Return whether a unit runs on its bank while another of its system is fed."""
    system, _ = now.plant.place_of[unit]
    return now.mode(unit) in ON and any(m in FED for m in now.modes(system))


def normal_alone(now: PlantAt, unit: str) -> bool:
    """Return whether a unit is fed while another of its system runs on its bank."""
    system, _ = now.plant.place_of[unit]
    return now.mode(unit) in FED and any(m in ON for m in now.modes(system))


def found(so: Callable[[PlantAt, str], bool], why: str) -> Callable[[Sight, Statement], Finding]:
    """Return a predicate of a finding about one unit that is so now."""
    return lambda sight, said: sight.held(
        said, lambda now: so(now, said.about), within_s=SEEN_WITHIN_S + KEPT_S, why=why
    )
