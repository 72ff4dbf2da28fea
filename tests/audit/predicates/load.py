"""What the board asks, what is left with a unit gone, and what a unit carries beyond its rating."""

from __future__ import annotations

from typing import Final, cast

from collector.simulation.plant.unit import CARRYING, Mode
from rules.system.state import LineLoad, LoadBasis, RedundancyAt
from rules.values.verdict import Verdict
from tests.audit.sight import SEEN_WITHIN_S, TRUE, UNDECIDED, Finding, Sight, false
from tests.audit.statements import Statement
from tests.audit.world import PlantAt

METERS: Final = 0.025
"""Five standard errors of a card's watts (0.5 %), its whole watts, and a load that moves between two units' readings."""
OF_AMPERES_VA: Final = 12.0
"""Per unit and line: half of a tenth of an ampere, which is all a card shows, at 230 V."""
SHARED_UNEVENLY: Final = 0.04
"""Units take up to 3 % more than their part: so near its limit a line may be judged either way."""


def _between(value: float, truths: list[float], room: float) -> bool:
    return min(truths) * (1.0 - METERS) - room <= value <= max(truths) * (1.0 + METERS) + room


def _settled(sight: Sight, said: Statement) -> bool:
    """Return whether no unit changed what it does in the seconds that were read: a card's figures of such a second disagree."""
    system = sight.system_of(said.about)
    return len({now.modes(system) for now in sight.world.span(said.as_of_s - 3.0, said.as_of_s)}) == 1


def _as_read(sight: Sight, said: Statement) -> list[PlantAt]:
    return list(sight.world.span(said.as_of_s - SEEN_WITHIN_S, said.as_of_s))


def load(sight: Sight, said: Statement) -> Finding:
    """A system's watts and volt-amperes are those of its load in the seconds before."""
    power_w, apparent_va = cast("tuple[float | None, float | None]", said.value)
    seconds = _as_read(sight, said)
    units = sight.units_of(said.about)
    for value, place in ((power_w, 0), (apparent_va, 1)):
        truths = [sum(line[place] for line in now.line_loads(said.about)) for now in seconds]
        room = 3.0 * OF_AMPERES_VA * len(units) + 3.0
        if value is not None and not _between(value, truths, room):
            if sight.blind(units, said.as_of_s - SEEN_WITHIN_S, said.at_s) or not _settled(sight, said):
                return UNDECIDED
            return false(f"{value:.0f}, truly {min(truths):.0f} to {max(truths):.0f}")
    return TRUE


def line_load(sight: Sight, said: Statement) -> Finding:
    """A board line's watts and volt-amperes are those of its load in the seconds before."""
    line = cast("LineLoad", said.value)
    units = sight.units_of(said.about)
    for value, doubt, place in ((line.power_w, line.doubt_w, 0), (line.apparent_va, line.doubt_va, 1)):
        truths = [now.line_loads(said.about)[line.line - 1][place] for now in _as_read(sight, said)]
        if value is not None and not _between(value, truths, doubt + OF_AMPERES_VA * len(units) + 1.0):
            if sight.blind(units, said.as_of_s - SEEN_WITHIN_S, said.at_s) or not _settled(sight, said):
                return UNDECIDED
            return false(f"line {line.line}: {value:.0f}, truly {min(truths):.0f} to {max(truths):.0f}")
    return TRUE


def fullest(now: PlantAt, system: str) -> float:
    """Return what the fullest line would carry of its limit with the worst of the carrying units gone; inf: nothing left."""
    plant, state = now.plant.systems[system], now.state.systems[system]
    carrying = [u for u, s in zip(plant.units, state.units, strict=True) if s.mode in CARRYING]
    worst = 0.0
    if len(carrying) < 2:
        return float("inf")
    for gone in carrying:
        left = [u for u in carrying if u is not gone]
        for watts, va in now.line_loads(system):
            most = max(
                watts / sum(u.rating_w / u.lines for u in left), va / sum(u.rating_va / u.lines for u in left)
            )
            worst = max(worst, most)
    return worst


def _spare(sight: Sight, said: Statement, verdict: Verdict, *, ever: bool) -> Finding:
    if verdict is Verdict.CANNOT_TELL:
        return UNDECIDED
    units = sight.units_of(said.about)
    lately = [fullest(now, said.about) for now in _as_read(sight, said)]
    before = (
        [fullest(now, said.about) for now in sight.world.span(0.0, said.as_of_s)[::5]] if ever else lately
    )
    if verdict is Verdict.ADEQUATE and min(lately) > 1.0 + SHARED_UNEVENLY:
        found = false(f"with a unit gone a line asks {100 * min(lately):.0f} % of what is left")
    elif verdict is Verdict.INADEQUATE and max(*before, *lately) < 1.0 - SHARED_UNEVENLY:
        found = false(f"with a unit gone a line asks {100 * max(lately):.0f} % of what is left at the most")
    else:
        return TRUE
    return UNDECIDED if sight.blind(units, said.as_of_s - SEEN_WITHIN_S, said.at_s) else found


def redundancy(sight: Sight, said: Statement) -> Finding:
    """The spare unit is one: by the load of the moment, or by the highest there was."""
    return _spare(sight, said, cast("Verdict", said.value), ever=True)


def redundancy_at(sight: Sight, said: Statement) -> Finding:
    """The same at the load of the moment alone."""
    one = cast("RedundancyAt", said.value)
    return _spare(sight, said, one.verdict, ever=False) if one.basis is LoadBasis.NOW else UNDECIDED


def spare_gone(sight: Sight, said: Statement) -> Finding:
    """An alarm that the spare is gone stands while it is, or was with the highest load there was."""
    if len(sight.units_of(said.about)) < 2:
        return false("it has one unit")
    highest: list[float] = [0.0]

    def so(now: PlantAt) -> bool:
        return fullest(now, said.about) > 1.0 - SHARED_UNEVENLY

    ever = any(so(now) for now in sight.world.span(0.0, said.at_s)[::5])
    del highest
    return TRUE if ever else sight.held(said, so, why="with a unit gone every line passed")


def every_line_passes(sight: Sight, said: Statement) -> Finding:
    """What the tightest line is said to ask, it asks."""
    system = sight.system_of(said.about)
    asked, place = float(said.value["asked"]), 0 if said.value["limit"] == "w" else 1  # type: ignore[index]
    line = int(said.value["line"])  # type: ignore[index]
    if not said.value["now"]:  # type: ignore[index]
        seconds = sight.world.span(0.0, said.at_s)[::3]
    else:
        seconds = sight.world.span(said.as_of_s - SEEN_WITHIN_S, said.as_of_s)
    truths = [now.line_loads(system)[line - 1][place] for now in seconds]
    units = sight.units_of(system)
    if _between(asked, truths, OF_AMPERES_VA * len(units) + 1.0):
        return TRUE
    if sight.blind(units, said.as_of_s - SEEN_WITHIN_S, said.at_s) or not _settled(sight, said):
        return UNDECIDED
    return false(f"line {line} asks {asked:.0f}, truly {min(truths):.0f} to {max(truths):.0f}")


def overload(sight: Sight, said: Statement) -> Finding:
    """A unit that is said to be overloaded carries more than its rating on a line."""

    def so(now: PlantAt) -> bool:
        system, place = now.plant.place_of[said.about]
        plant, state = now.plant.systems[system].units[place], now.state.systems[system].units[place]
        return any(
            w > (1.0 - METERS) * plant.rating_w / plant.lines or va > (1.0 - METERS) * plant.rating_va / plant.lines
            for w, va in zip(state.watts, state.va, strict=True)
        )  # fmt: skip

    return sight.held(said, so, within_s=SEEN_WITHIN_S + 10.0, why="it carried no more than its rating")


def line_over(sight: Sight, said: Statement) -> Finding:
    """A line asks so much more than the units that are fed can carry alone."""
    system = sight.system_of(said.about)
    line, over, limit = (said.value[name] for name in ("line", "over", "limit"))  # type: ignore[index]
    place = 0 if limit == "w" else 1
    truths: list[float] = []
    loads: list[float] = []
    for now in _as_read(sight, said):
        plant = now.plant.systems[system].units
        fed = [u for u in plant if now.mode(u.id) in (Mode.NORMAL, Mode.WALKING_IN)]
        rated = sum((u.rating_w if place == 0 else u.rating_va) / u.lines for u in fed)
        loads.append(now.line_loads(system)[line - 1][place])
        if fed:
            truths.append(loads[-1] - rated)
    if not truths or sight.blind(sight.units_of(system), said.as_of_s - SEEN_WITHIN_S, said.at_s):
        return UNDECIDED
    room = max(loads) * METERS + OF_AMPERES_VA * len(sight.units_of(system))
    if min(truths) - room <= over <= max(truths) + room:
        return TRUE
    return false(f"{over:.0f}, truly {min(truths):.0f} to {max(truths):.0f}")
