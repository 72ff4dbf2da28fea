"""What the messages of an outage say of it: which systems, how long each holds, what to do now, what came of them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Final

from rules.alarms.catalogue import Cause
from rules.alarms.conditions.generators import see_it_runs
from rules.alarms.conditions.shedding import end_overloads, relieve
from rules.alarms.incidents.incident import IncidentPart
from rules.phrasing.figures import clause
from rules.phrasing.notice_case import (
    NoticeCase,
    NoticeWords,
    fed_again,
    names_of,
    not_read_since,
    of_before,
    part_line,
    place,
    taken_within_s,
    words_now,
)
from rules.phrasing.reasons import say
from rules.phrasing.text import at_most, capital, counted, lasted, listed
from rules.plant.topology import Thing

_LONG_AGO: Final = datetime.min.replace(tzinfo=UTC)


def power_opening(case: NoticeCase) -> NoticeWords:
    """Return the words of the message that an outage begins."""
    incident = case.incident
    topology = case.scene.topology
    parts = [incident.parts[s] for s in sorted(incident.parts)]
    on = [unit for part in parts for unit in part.on]
    about = incident.about
    where = place(topology, about)
    fed = fed_beside(case)
    lines = [part_line(case, part) for part in parts]
    lines += [words_now(case, a) for a in case.members() if a.kind != "on_battery" and not a.over]
    if len(incident.counted) > len(incident.members):
        lines.append(f"{counted(len(incident.counted), 'condition')} counted under this.")
    if not on:
        took = lasted(max(p.on_battery_s(case.at) for p in parts))
        many = sum(len(part.units) for part in parts)
        lost = "Supply" if fed else "Mains"
        what = f"{lost} lost at {where} for {took}: {counted(many, 'unit')} went on battery and {'is' if many == 1 else 'are'} fed again."
        return NoticeWords(what, "", tuple(lines), f"{lost.lower()} lost for {took}, back now")
    if fed_again(case) or taken_within_s(case) is not None:
        lost = "Supply" if fed else "Mains"
        still = f"{counted(len(on), 'unit')} still on battery"
        return NoticeWords(
            f"{lost} lost at {where}, and supply is there again: {still}.",
            power_do(case),
            tuple(lines),
            f"{lost.lower()} lost and there again, {still}",
        )
    have = f"{counted(len(fed), 'unit')} on the same supply still {'has' if len(fed) == 1 else 'have'} mains"
    unread = not_read_since(case)
    since = f", {len(unread)} not read since" if unread else ""
    if topology.kind(about) is Thing.UNIT and fed:
        briefly = "alone on its bank"
        what = f"{capital(where)} alone runs on its bank{since}; {have}.{_overloads(case, parts)}"
    elif fed:
        briefly = f"supply lost, {counted(len(on), 'unit')} on battery"
        what = f"Supply lost at {where}: {counted(len(on), 'unit')} on battery{since}; {have}.{_overloads(case, parts)}"
    else:
        briefly = f"mains lost, {counted(len(on), 'unit')} on battery"
        what = f"Mains lost at {where}: {counted(len(on), 'unit')} on battery{since}."
    return NoticeWords(what, power_do(case), tuple(lines), briefly)


def _overloads(case: NoticeCase, parts: Sequence[IncidentPart]) -> str:
    """Return what the end of the banks of one system overloads, as a further sentence; of several their own lines say it."""
    state = case.scene.systems.get(parts[0].system) if len(parts) == 1 else None
    if state is None or state.on_battery is None:
        return ""
    found = end_overloads(state.id, state.on_battery, len(parts[0].on))
    return "" if found is None else f" {say(found)}"


def fed_beside(case: NoticeCase) -> list[str]:
    """Return the units of the supply that are seen fed and were not on battery in this incident."""
    topology = case.scene.topology
    about = case.incident.about
    ever = {u for p in case.incident.parts.values() for u in p.units}
    known = case.scene.known(topology.units(topology.supply(about) or about))
    fed = [m for m in known if not m.on_battery and m.mains is not False and m.unit not in ever]
    return [m.unit for m in fed if not of_before(case, m)]


def power_do(case: NoticeCase) -> str:
    """Return what to do now about a supply: nothing once all is fed, no word of the generator once any unit is."""
    dropped = [p for _, p in sorted(case.incident.parts.items()) if p.dark]
    now = _of_what_holds(case)
    if not dropped:
        return now
    if not now and _wants_set(case, dropped):
        now = "Start the generator by hand."
    names, whose = names_of(case, dropped), "its units feed" if len(dropped) == 1 else "their units feed"
    keep = f"Keep the loads of {names} off until {whose} again, then switch them on in order."
    return f"{now} {keep}" if now else keep


def _wants_set(case: NoticeCase, dropped: Sequence[IncidentPart]) -> bool:
    """Return whether a generator stands behind a system that dropped its load, and no supply is seen at any unit."""
    topology, units = case.scene.topology, case.scene.units
    there = any(m.mains for p in dropped for u in topology.units(p.system) if (m := units.get(u)) is not None)
    behind = any(topology.estate.generator_of(p.system) is not None for p in dropped)
    return behind and not there and not fed_again(case) and not fed_beside(case)


def _of_what_holds(case: NoticeCase) -> str:
    """Return what to do now about the systems that are on their banks; "" where none is."""
    on = [p for p in case.incident.parts.values() if p.on]
    if not on:
        return ""
    urgent = first_action(case)
    wait_s = taken_within_s(case)
    if wait_s is not None:
        there = f"Supply is there: what still runs on its bank should take it within {at_most(wait_s)}; if it does not"
        return (
            f"{there}, look at its input breaker and display."
            if urgent is None or not _ends_before(case, wait_s)
            else f"{there}: {clause(urgent)}."
        )
    if urgent is not None:
        return urgent
    return _beside_fed(case, on) or _of_generators(case, on)


def _beside_fed(case: NoticeCase, on: Sequence[IncidentPart]) -> str:
    """Return what to do now where some units on the supply are fed; "" where none is."""
    relieved = _relieved(case, on)
    if relieved:
        return relieved
    if fed_again(case):
        return "Supply is there: see that what still runs on its bank takes it; if not, look at its input breaker and display."
    if fed_beside(case):
        return (
            "Look at this unit's own input breaker and its display; it is no mains failure."
            if sum(len(p.on) for p in on) == 1
            else "Look at the breakers that feed what runs on its bank; others on its supply have mains."
        )
    return ""


def _relieved(case: NoticeCase, on: Sequence[IncidentPart]) -> str:
    """Return what to take off the lines of systems whose fed units cannot carry them alone; "" where none is such."""
    states = [case.scene.systems.get(part.system) for part in on]
    found = [
        relieve(s.id, s.on_battery, case.at) for s in states if s is not None and s.on_battery is not None
    ]
    return " ".join(say(one) for one in found if one is not None)


def _of_generators(case: NoticeCase, on: Sequence[IncidentPart]) -> str:
    """Return what to do now about the generators of systems of which no supply is seen anywhere."""
    outages = [s.on_battery for p in on if (s := case.scene.systems.get(p.system)) is not None]
    advised = [(o, do) for o in outages if o is not None and (do := see_it_runs(o, case.at)) is not None]
    if advised:
        # the one for which somebody has to set out first; those of which the site says that it runs before all
        return say(min(advised, key=lambda one: one[0].set_out_before or _LONG_AGO)[1])
    sets = sorted({g.id for p in on if (g := case.scene.topology.estate.generator_of(p.system)) is not None})
    return (
        f"See that {listed(sets)} runs and carries; if not, start it by hand, and shed load where the banks do not hold so long."
        if sets
        else "There is no generator: shed what can be spared and prepare an orderly shutdown."
    )


def _ends_before(case: NoticeCase, wait_s: float) -> bool:
    """Return whether a system may come to its end before the supply that is there would have been taken."""
    on = [p for p in case.incident.parts.values() if p.on and p.ends_earliest is not None]
    return any(p.ends_earliest <= case.at + timedelta(seconds=wait_s) for p in on if p.ends_earliest)


def first_action(case: NoticeCase) -> str | None:
    """Return what to do from the worst alarm that is broken out, if one is so now.

    Of a system that is off its banks, fed or with its load dropped, nothing is asked: its alarms may stand a moment longer.
    """
    off = {p.system for p in case.incident.parts.values() if not p.on}
    for alarm in case.members():
        if alarm.over:  # it waits out its off-delay: what it asks for is over
            continue
        if case.scene.topology.system(alarm.about) in off:
            continue
        if case.catalogue[alarm.kind].breaks_out and case.catalogue[alarm.kind].cause is Cause.POWER:
            return say(alarm.do)
    return None


def dropped_their_load(case: NoticeCase, dark: Sequence[IncidentPart], lines: Sequence[str]) -> NoticeWords:
    """Say which systems came to the end of their banks."""
    names, whose = names_of(case, dark), "its" if len(dark) == 1 else "their"
    what = f"{names} dropped {whose} load: the banks are at their end."
    briefly = f"{names} dropped {whose} load"
    return NoticeWords(what, power_do(case), tuple(lines), briefly, _the_one(dark), left=False)


def change_of_systems(
    case: NoticeCase, parts: Sequence[IncidentPart], lines: Sequence[str]
) -> NoticeWords | None:
    """Say what is new of the systems of an outage, or how they stand; None where it is over for all of them."""
    incident, do = case.incident, power_do(case)
    lost = [p for p in parts if p.reckoned_since and p.system not in incident.told_reckoned]
    back = [p for p in parts if p.until is not None and not p.dark and p.system not in incident.told_back]
    ending = [p for p in parts if p.until is None and p.ends_earliest is not None]
    dark = [p for p in parts if p.dark]
    if lost:
        name = case.scene.topology.name(lost[0].system)
        what = f"{name} was last seen on battery and is silent now; its countdown goes on by reckoning."
        return NoticeWords(what, do, tuple(lines), "last seen on battery, silent now", lost[0].system)
    if back:
        briefly = f"back on supply: {names_of(case, back)}"
        return NoticeWords(f"{capital(briefly)}.", do, tuple(lines), briefly, left=len(back) == len(parts))
    if ending:
        soonest = min(ending, key=lambda p: p.ends_earliest or case.at)
        there = bool(fed_again(case)) or taken_within_s(case) is not None
        what = f"{'No longer soon: ' if incident.eased and not there else ''}{part_line(case, soonest)}"
        briefly = f"{counted(len(soonest.on), 'unit')} on battery"
        return NoticeWords(what, do, tuple(lines), briefly, soonest.system)
    if dark:
        verb, whose = ("feeds", "its load is") if len(dark) == 1 else ("feed", "their loads are")
        briefly = f"{'' if len(dark) == 1 else counted(len(dark), 'system') + ' '}{verb} nothing"
        what = f"{names_of(case, dark)} {verb} nothing: {whose} off."
        return NoticeWords(what, do, tuple(lines), briefly, _the_one(dark), left=False)
    return None


def _the_one(parts: Sequence[IncidentPart]) -> str | None:
    return parts[0].system if len(parts) == 1 else None
