"""The words of a notice: what happened, what to do, how long is left; in full and in 160 characters."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from rules.alarms.catalogue import CARD_ALARMS, AlarmKind, Cause, Explanation
from rules.alarms.conditions.outage import words_at
from rules.alarms.conditions.shedding import shed_reason
from rules.alarms.incidents.incident import Incident, IncidentPart, Notice, NoticeKind, NoticeNews
from rules.alarms.lifecycle.alarm import Alarm, Deadline
from rules.alarms.plant_memory import Scene, UnitMemory
from rules.phrasing.reasons import cause, say
from rules.phrasing.text import at_least, at_most, capital, counted, fed_words, lasted, listed, short_form
from rules.plant.topology import Thing, Topology
from rules.values.severity import Severity

ACCEPT_GRACE_S: Final = 10.0
"""How long past what is declared a unit may take to accept its supply before somebody is to look at it."""


@dataclass(frozen=True, slots=True)
class NoticeCase:
    """Everything a notice is written from."""

    incident: Incident
    kind: NoticeKind
    alarms: Mapping[str, Alarm]
    scene: Scene
    catalogue: Mapping[str, AlarmKind]
    at: datetime
    number: int

    def members(self) -> list[Alarm]:
        """Return the active alarms, worst first."""
        return _worst_first(self.alarms[m] for m in self.incident.members)

    def pending(self) -> list[Alarm]:
        """Return the alarms that were not told yet and are not gone again, worst first."""
        pending = [self.alarms[m] for m in self.incident.pending]
        there = _worst_first(a for a in pending if a.condition is not False)
        if self.incident.cause is not Cause.POWER:
            return there
        return sorted(there, key=lambda a: self.catalogue[a.kind].cause is not Cause.POWER)


def _worst_first(alarms: Iterable[Alarm]) -> list[Alarm]:
    return sorted(alarms, key=lambda a: (-a.severity.rank, a.id))


def notice_of(case: NoticeCase) -> Notice:
    """Return the notice for a case. The same case gives the same notice."""
    case = _counted(case)
    incident = case.incident
    if case.kind is NoticeKind.CLOSED:
        what, do, lines, briefly = _closing(case)
    elif case.kind is NoticeKind.OPENED:
        what, do, lines, briefly = _opening(case)
    else:
        what, do, lines, briefly = _change(case)
    if case.kind is NoticeKind.ESCALATED:
        waited = lasted((case.at - (incident.announced_at or case.at)).total_seconds())
        what = f"Acknowledged by nobody for {waited}: {what}"
    parts = tuple(incident.parts[s] for s in sorted(incident.parts))
    left = None if case.kind is NoticeKind.CLOSED else _left(parts, case.at)
    by_when, by_when_for = (None, None) if case.kind is NoticeKind.CLOSED else _by_when(case, parts)
    where = place(case.scene.topology, incident.about)
    severity = incident.severity
    news, news_of = _news(case)
    return Notice(
        id=f"{incident.id}.{case.number}",
        incident=incident.id,
        kind=case.kind,
        severity=severity,
        at=case.at,
        site=case.scene.topology.site(incident.about),
        about=incident.about,
        what=what,
        do=do,
        by_when=by_when,
        by_when_for=by_when_for,
        lines=lines,
        short=short_form(briefly, capital(where), left, do),
        urgent=case.kind is not NoticeKind.CLOSED and severity.rank >= Severity.MAJOR.rank,
        level=incident.level,
        alarms=incident.members,
        counted=len(incident.counted),
        opened_at=incident.opened_at,
        parts=parts,
        news=news,
        news_of=news_of,
        place=where,
        mains_lost=incident.cause is Cause.POWER and bool(parts) and not _fed_beside(case),
    )


def _counted(case: NoticeCase) -> NoticeCase:
    """Return the case with its alarms counted to the moment of the notice: they stand beside what is left of each system."""
    estate, systems = case.scene.topology.estate, case.scene.systems
    now: dict[str, Alarm] = {}
    for name in {*case.incident.members, *case.incident.pending} & set(case.alarms):
        alarm = case.alarms[name]
        system = estate.units[alarm.about].system if alarm.about in estate.units else alarm.about
        what, do = words_at(alarm, systems.get(system), estate, case.catalogue, case.at)
        now[name] = replace(alarm, what=what, do=do)
    return replace(case, alarms={**case.alarms, **now})


def _said(case: NoticeCase, alarm: Alarm) -> str:
    """Return the words of an alarm beside the time left: what is foretold for another outage says so."""
    text = say(alarm.what)
    ahead = case.incident.cause is Cause.POWER and alarm.kind == "requirement_not_met"
    return f"For the next outage: {text}" if ahead and text else text


def _news(case: NoticeCase) -> tuple[NoticeNews, tuple[str, ...]]:
    """Return what a notice is to whoever is told, and of what it is news."""
    incident = case.incident
    if case.kind is NoticeKind.CLOSED:
        ever = [case.alarms[a] for a in incident.ever if a in case.alarms]
        return NoticeNews.PLANNING if _plans_only(case, ever) else NoticeNews.OTHER, ()
    if case.kind is NoticeKind.OPENED and incident.cause is Cause.POWER:
        return NoticeNews.OUTAGE, (incident.key,)
    pending = tuple(a.id for a in case.pending() if a.severity is Severity.CRITICAL)
    told = incident.told_severity
    worse = incident.severity is Severity.CRITICAL and told is not None and told is not Severity.CRITICAL
    if pending or worse:
        return NoticeNews.GRAVER, pending or (incident.key,)
    return NoticeNews.PLANNING if _plans_only(
        case, case.pending() or case.members()
    ) else NoticeNews.OTHER, ()


def _plans_only(case: NoticeCase, alarms: Iterable[Alarm]) -> bool:
    kinds = [case.catalogue[a.kind] for a in alarms]
    return bool(kinds) and all(kind.planning for kind in kinds)


def _left(parts: tuple[IncidentPart, ...], at: datetime) -> str | None:
    ends = [p.ends_earliest for p in parts if p.until is None and p.ends_earliest is not None]
    if not ends:
        return None
    return f"{at_least(max((min(ends) - at).total_seconds(), 0.0))} left at least"


def _by_when(case: NoticeCase, parts: tuple[IncidentPart, ...]) -> tuple[datetime | None, Deadline | None]:
    """Return the earliest moment of its alarms: what the plant sets comes before a time to respond."""
    asked = [a for a in case.members() if a.condition is not False and a.by_when is not None]
    on_banks = [a for a in asked if a.by_when_for is not None]
    moments = [(a.by_when, a.by_when_for) for a in on_banks or asked if a.by_when is not None]
    if not on_banks:  # none of its alarms tells: what is known of its systems does
        known = [part for part in parts if part.until is None]
        ends = [(p.start_set_before, Deadline.START_SET) for p in known if p.start_set_before is not None]
        ends += [(p.ends_earliest, Deadline.BANKS_END) for p in known if p.ends_earliest is not None]
        moments = list(ends) or moments
    return min(moments, key=lambda one: one[0], default=(None, None))


def _part_line(case: NoticeCase, part: IncidentPart) -> str:
    name = case.scene.topology.name(part.system)
    if part.until is not None:
        return f"{name}: back on supply after {lasted((part.until - part.since).total_seconds())}."
    units = counted(len(part.on), "unit")
    state = case.scene.systems.get(part.system)
    outage = state.on_battery if state is not None else None
    fed = fed_words(outage.fed, case.scene.topology.units(part.system)) if outage is not None else ""
    fed = f", {fed}" if fed else ""
    load = state.load.power_w if state is not None else None
    carrying = f", {load / 1000:.1f} kW" if load is not None else ""
    if outage is not None and outage.carried:
        return f"{name}: {units} on battery{fed}; those that are fed can carry the load{carrying}."
    if outage is not None and outage.outlasted is not None:
        shed = f" {say(shed_reason(outage.shed, case.at, None))}" if outage.shed is not None else ""
        longer = "held longer than was foretold; how long it still holds cannot be told"
        return f"{name}: {units} on battery{carrying}{fed}; {longer}.{shed}"
    if part.ends_earliest is None:
        return f"{name}: {units} on battery{carrying}{fed}; how long it holds cannot be told."
    low = at_least(max((part.ends_earliest - case.at).total_seconds(), 0.0))
    high = (
        f", {at_most(max((part.ends_latest - case.at).total_seconds(), 0.0))} at the most"
        if part.ends_latest
        else ""
    )
    reckoned = ""
    if part.reckoned_since is not None:
        ago = lasted((case.at - part.reckoned_since).total_seconds())
        reckoned = f"; not seen for {ago}, reckoned since"
    shed = (
        f" {say(shed_reason(outage.shed, case.at, outage.ends_earliest))}"
        if outage is not None and outage.shed is not None
        else ""
    )
    return f"{name}: {units} on battery{carrying}{fed}; {low} left at the least{high}{reckoned}.{shed}"


def _opening(case: NoticeCase) -> tuple[str, str, tuple[str, ...], str]:
    incident = case.incident
    if incident.cause is Cause.POWER and incident.parts:
        return _power_opening(case)
    if incident.cause is Cause.NETWORK and len(incident.members) > 1:
        return _network_opening(case)
    members = case.members() or _worst_first(case.alarms[a] for a in incident.ever if a in case.alarms)
    if not members:
        title = say(incident.title)
        return title, say(incident.do), (), title
    first = members[0]
    alike = [a for a in members if (a.kind, a.qualifier) == (first.kind, first.qualifier)]
    if len(alike) > 1:
        return _many_opening(case, members, alike)
    what, do, lines = say(first.what), say(first.do), tuple(say(a.what) for a in members[1:])
    if all(a.condition is False for a in members):
        return f"It was so and is over again: {what}", do, lines, _cause_of(case, first)
    return what, do, lines, _cause_of(case, first)


def _many_opening(
    case: NoticeCase, members: list[Alarm], alike: list[Alarm]
) -> tuple[str, str, tuple[str, ...], str]:
    """Say the same of several things in one sentence, and each thing's own words below."""
    first = alike[0]
    kind = case.catalogue[first.kind]
    card = CARD_ALARMS.get(first.qualifier)
    says = f"each {card.says}" if card is not None else kind.meaning[0].lower() + kind.meaning[1:].rstrip(".")
    number = counted(len(alike), kind.about.value)
    what = f"{number} at {place(case.scene.topology, case.incident.about)}: {says} ({listed([a.about for a in alike])})."
    if len({say(a.do) for a in alike}) == 1:
        return what, say(first.do), tuple(say(a.what) for a in members), f"{number}: {says}"
    lines = tuple(f"{say(a.what)} {say(a.do)}" if a in alike else say(a.what) for a in members)
    return what, str(kind.do), lines, f"{number}: {says}"


def _cause_of(case: NoticeCase, alarm: Alarm) -> str:
    """Return the alarm's sentence without what the short form says beside it."""
    name = case.scene.topology.name(alarm.about)
    told = cause(alarm.what, name, left_beside=_tells_left(case))
    return told or case.catalogue[alarm.kind].meaning


def _tells_left(case: NoticeCase) -> bool:
    """Return whether the short form says the time left."""
    return _left(tuple(case.incident.parts.values()), case.at) is not None


def _power_opening(case: NoticeCase) -> tuple[str, str, tuple[str, ...], str]:
    incident = case.incident
    topology = case.scene.topology
    parts = [incident.parts[s] for s in sorted(incident.parts)]
    on = [unit for part in parts for unit in part.on]
    about = incident.about
    where = place(topology, about)
    fed = _fed_beside(case)
    lines = [_part_line(case, part) for part in parts]
    lines += [_said(case, a) for a in case.members() if a.kind != "on_battery" and a.condition is not False]
    if len(incident.counted) > len(incident.members):
        lines.append(f"{counted(len(incident.counted), 'condition')} counted under this.")
    if not on:
        took = lasted(max(((p.until or case.at) - p.since).total_seconds() for p in parts))
        many = sum(len(part.units) for part in parts)
        what = f"Mains lost at {where} for {took}: {counted(many, 'unit')} went on battery and {'is' if many == 1 else 'are'} fed again."
        return what, "", tuple(lines), f"mains lost for {took}, back now"
    have = f"{counted(len(fed), 'unit')} on the same supply still {'has' if len(fed) == 1 else 'have'} mains"
    unread = _not_read_since(case)
    since = f", {len(unread)} not read since" if unread else ""
    if topology.kind(about) is Thing.UNIT and fed:
        briefly = "alone on its bank"
        what = f"{capital(where)} alone runs on its bank{since}; {have}."
    elif fed:
        briefly = f"supply lost, {counted(len(on), 'unit')} on battery"
        what = f"Supply lost at {where}: {counted(len(on), 'unit')} on battery{since}; {have}."
    else:
        briefly = f"mains lost, {counted(len(on), 'unit')} on battery"
        what = f"Mains lost at {where}: {counted(len(on), 'unit')} on battery{since}."
    return what, _power_do(case), tuple(lines), briefly


def place(topology: Topology, about: str) -> str:
    """Return what people call a thing, with its site where there are several and the name does not tell which."""
    site = topology.site(about)
    name = topology.name(about)
    if site is None or len(topology.estate.sites) < 2 or topology.name(site) in name:
        return name
    return f"{topology.name(site)}, {name}"


def _fed_beside(case: NoticeCase) -> list[str]:
    """Return the units of the supply that are seen fed and were not on battery in this incident."""
    topology = case.scene.topology
    about = case.incident.about
    ever = {u for p in case.incident.parts.values() for u in p.units}
    known = case.scene.known(topology.units(topology.supply(about) or about))
    fed = [m for m in known if not m.on_battery and m.mains is not False and m.unit not in ever]
    return [m.unit for m in fed if not _of_before(case, m)]


def _of_before(case: NoticeCase, unit: UnitMemory) -> bool:
    """Return whether what was last read of a unit is of before the incident began."""
    return unit.seen_s is None or unit.seen_s < case.incident.opened_s


def _not_read_since(case: NoticeCase) -> list[str]:
    """Return the units of the supply that answer and were not read since the incident began."""
    topology, about = case.scene.topology, case.incident.about
    ever = {u for p in case.incident.parts.values() for u in p.units}
    known = case.scene.known(topology.units(topology.supply(about) or about))
    return [m.unit for m in known if m.unit not in ever and _of_before(case, m)]


def _fed_again(case: NoticeCase) -> list[str]:
    """Return the units that were on battery in this incident and are seen fed; a unit whose bank ended is not."""
    parts = case.incident.parts.values()
    off = sorted(unit for part in parts for unit in set(part.units) - set(part.on))
    return [m.unit for m in case.scene.known(off) if not m.on_battery and m.mains is not False and m.carrying]


def _taken_within_s(case: NoticeCase) -> float | None:
    """Return how long the units still on battery may yet take to accept a supply that is at all their inputs.

    None where one has none at its input, or has had it for longer than it takes. One that was not read since the supply
    was first seen is taken to have it.
    """
    units, declared = case.scene.units, case.scene.topology.estate.units
    on = [unit for part in case.incident.parts.values() if part.until is None for unit in part.on]
    came = [at for unit in on if unit in units and (at := units[unit].volts_since) is not None]
    came += [at for unit in _fed_again(case) if (at := units[unit].at) is not None]
    left: list[float] = []
    for unit in on:
        seen = units.get(unit)
        if seen is None or seen.silent or seen.at is None or not came:
            return None
        since = seen.volts_since or (seen.at if seen.at < min(came) else None)
        if since is None:
            return None
        allowed_s = declared[unit].accept_s + declared[unit].hold_off_s + ACCEPT_GRACE_S
        left.append(allowed_s - (case.at - max(since, min(came))).total_seconds())
    return max(left) if left and min(left) > 0.0 else None


def _power_do(case: NoticeCase) -> str:
    """Return what to do now about a supply: nothing once all is fed, no word of the generator once any unit is."""
    topology = case.scene.topology
    parts = case.incident.parts.values()
    on = [p for p in parts if p.on]
    if not on:
        return ""
    urgent = _first_action(case)
    if urgent is not None:
        return urgent
    wait_s = _taken_within_s(case)
    if wait_s is not None:
        return (
            f"Supply is there: what still runs on its bank should take it within {at_most(wait_s)}; if it does not, look at "
            "its input breaker and display."
        )
    if _fed_again(case):
        return "Supply is there: see that what still runs on its bank takes it; if not, look at its input breaker and display."
    if _fed_beside(case):
        return (
            "Look at this unit's own input breaker and its display; it is no mains failure."
            if sum(len(p.on) for p in on) == 1
            else "Look at the breakers that feed what runs on its bank; others on its supply have mains."
        )
    sets = sorted({g.id for p in on if (g := topology.estate.generator_of(p.system)) is not None})
    return (
        f"See that {listed(sets)} runs and carries; if not, start it by hand, and shed load where the banks do not hold so long."
        if sets
        else "There is no generator: shed load in the agreed order and prepare an orderly shutdown."
    )


def _first_action(case: NoticeCase) -> str | None:
    """Return what to do from the worst alarm that is broken out, if one is so now."""
    for alarm in case.members():
        if alarm.condition is False:  # it waits out its off-delay: what it asks for is over
            continue
        if case.catalogue[alarm.kind].breaks_out and case.catalogue[alarm.kind].cause is Cause.POWER:
            return say(alarm.do)
    return None


def _network_opening(case: NoticeCase) -> tuple[str, str, tuple[str, ...], str]:
    incident = case.incident
    topology = case.scene.topology
    silent = sorted(a.about for a in case.members() if a.kind == "card_silent")
    number = counted(len(silent), "card")
    briefly = f"{number} silent, state not known"
    what = f"{number} at {topology.name(incident.about)} do not answer: what their units do is not known."
    lines = [f"Silent: {listed(silent)}."]
    lines += [
        f"{topology.name(state.id)} was last seen on battery; its countdown goes on by reckoning."
        for state in sorted(case.scene.systems.values(), key=lambda s: s.id)
        if state.on_battery is not None and state.id in {topology.system(u) for u in silent}
    ]
    return (
        what,
        "Look at the network between here and there first; then send somebody to look at the units.",
        tuple(lines),
        briefly,
    )


def _change(case: NoticeCase) -> tuple[str, str, tuple[str, ...], str]:
    incident = case.incident
    told_at = incident.told_at or incident.opened_at
    # units that were told of already are no news when their end came nearer: that is said by their system
    newly = [a for a in case.pending() if a.kind == "on_battery" and (a.since or case.at) > told_at]
    pending = [a for a in case.pending() if a.kind != "on_battery"] or newly
    parts = [incident.parts[s] for s in sorted(incident.parts)]
    lines = [_part_line(case, part) for part in parts]
    if pending:
        return _found_besides(case, pending, parts, lines)
    lost = [p for p in parts if p.reckoned_since and p.system not in incident.told_reckoned]
    if lost:
        name = case.scene.topology.name(lost[0].system)
        what = f"{name} was last seen on battery and is silent now; its countdown goes on by reckoning."
        return what, _power_do(case), tuple(lines), "last seen on battery, silent now"
    back = [p for p in parts if p.until is not None and p.system not in incident.told_back]
    if back:
        names = _names(case, back)
        return f"Back on supply: {names}.", _power_do(case), tuple(lines), f"back on supply: {names}"
    ending = [p for p in parts if p.until is None and p.ends_earliest is not None]
    if ending:
        soonest = min(ending, key=lambda p: p.ends_earliest or case.at)
        what = _part_line(case, soonest)
        return (
            what,
            _power_do(case),
            tuple(lines),
            f"{counted(len(soonest.on), 'unit')} on battery",
        )
    members = case.members()
    standing, asked = (members[0].what, members[0].do) if members else (incident.title, incident.do)
    briefly = cause(standing, "", left_beside=_tells_left(case))
    return say(standing), say(asked), tuple(lines), briefly


def _found_besides(
    case: NoticeCase, pending: Sequence[Alarm], parts: Sequence[IncidentPart], lines: list[str]
) -> tuple[str, str, tuple[str, ...], str]:
    """Say what came to an incident after it was told. `lines`: its systems as they stand."""
    incident = case.incident
    first = pending[0]
    briefly = _cause_of(case, first)
    what, do = _said(case, first), say(first.do)
    lines += [_said(case, a) for a in pending[1:] if a.kind != "on_battery"]
    if first.kind == "on_battery":
        units = sum(len(p.on) for p in parts)
        what = f"Now {counted(units, 'unit')} on battery at {place(case.scene.topology, incident.about)}."
        return what, _power_do(case), tuple(lines), what
    leads = incident.cause is not Cause.POWER or case.catalogue[first.kind].cause is not Cause.CONSEQUENCE
    if parts and all(part.until is not None for part in parts):
        # what stands besides is news of a system that is fed again: whoever reads on must know that first
        back = f"Back on supply: {_names(case, parts)}."
        return f"{back} {what}", do, tuple(lines), f"back on supply; {briefly}"
    return what, do if leads else _power_do(case) or do, tuple(lines), briefly


def _names(case: NoticeCase, parts: Iterable[IncidentPart]) -> str:
    return listed([case.scene.topology.name(part.system) for part in parts])


def _closing(case: NoticeCase) -> tuple[str, str, tuple[str, ...], str]:
    incident = case.incident
    took_s = (case.at - incident.opened_at).total_seconds()
    topology = case.scene.topology
    parts = [incident.parts[s] for s in sorted(incident.parts)]
    if incident.cause is Cause.POWER and parts:
        longest_s = max(((p.until or case.at) - p.since).total_seconds() for p in parts)
        dropped = [topology.name(p.system) for p in parts if p.dropped]
        if dropped:
            briefly = f"over after {lasted(longest_s)}; load dropped: {listed(dropped)}"
            what = f"Over after {lasted(longest_s)} on battery. Load was dropped: {listed(dropped)}."
        else:
            briefly = f"back on supply after {lasted(longest_s)}, load carried"
            seen = "as far as it was seen" if any(p.unseen for p in parts) else "throughout"
            what = f"Back on supply after {lasted(longest_s)} on battery; the load was carried {seen}."
        lines = [_summary_line(case, part) for part in parts]
        left = [_said(case, a) for a in case.members() if a.kind != "on_battery" and a.condition is not False]
        lines += [f"Still stands: {text}" for text in left]
        lines.append(
            f"{counted(len(incident.counted), 'condition')} counted, {counted(case.number, 'message')}."
        )
        return what, "", tuple(lines), briefly
    held = [a for a in incident.ever if a in case.alarms and case.alarms[a].state.held]
    if held:
        alarm = case.alarms[held[0]]
        why = alarm.state.value.replace("_", " ")
        if Explanation.SAID_ALREADY.value in alarm.explained:
            why = "another alarm says it"
        return f"No longer told ({why}): {say(alarm.what)}", "", (), f"no longer told ({why})"
    title = say(incident.title)
    return f"Over after {lasted(took_s)}: {title}", "", (), f"over after {lasted(took_s)}: {title}"


def _summary_line(case: NoticeCase, part: IncidentPart) -> str:
    name = case.scene.topology.name(part.system)
    took = lasted(((part.until or case.at) - part.since).total_seconds())
    outcome = "dropped its load" if part.dropped else "held"
    text = f"{name} {outcome}, {took} on battery, {counted(len(part.units), 'unit')}."
    if part.predicted_low_s is not None:
        high = f" to {at_most(part.predicted_high_s)}" if part.predicted_high_s is not None else " or more"
        text += f" Predicted as it began: {at_least(part.predicted_low_s)}{high}."
    if part.lowest_left_s is not None and not part.dropped:
        text += f" Never less than {at_least(part.lowest_left_s)} left."
    return text
