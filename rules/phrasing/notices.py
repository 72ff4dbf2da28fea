"""The words of a notice: what happened, what to do, how long is left; in full and in 160 characters."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime

from rules.alarms.catalogue import CARD_ALARMS, Cause, Explanation
from rules.alarms.conditions.deadline import deadline
from rules.alarms.conditions.outage import words_at
from rules.alarms.incidents.incident import IncidentPart, Notice, NoticeKind, NoticeNews
from rules.alarms.lifecycle.alarm import Alarm, Deadline
from rules.alarms.lifecycle.course import ran_s
from rules.phrasing.notice_case import (
    NoticeCase,
    NoticeWords,
    cause_of,
    left_words,
    names_of,
    on_times,
    part_line,
    parts_of,
    place,
    rhythm,
    taken_within_s,
    words_now,
    worst_first,
)
from rules.phrasing.outage_notices import (
    change_of_systems,
    dropped_their_load,
    fed_beside,
    power_do,
    power_opening,
)
from rules.phrasing.reasons import say
from rules.phrasing.text import at_least, at_most, capital, counted, lasted, listed, short_form
from rules.values.severity import Severity

__all__ = ["NoticeCase", "notice_of"]


def notice_of(case: NoticeCase) -> Notice:
    """Return the notice for a case. The same case gives the same notice."""
    case = _counted(case)
    incident = case.incident
    words = _closing(case) if case.kind is NoticeKind.CLOSED else _standing(case)
    what, briefly = words.what, words.briefly
    if case.kind is NoticeKind.ESCALATED:
        waited = lasted((case.at - (incident.announced_at or case.at)).total_seconds())
        what = f"Acknowledged by nobody for {waited}: {what}"
        briefly = f"nobody has it for {waited}, {briefly}"
    parts = tuple(incident.parts[s] for s in sorted(incident.parts))
    tells = words.left and case.kind is not NoticeKind.CLOSED
    left = left_words(parts_of(case, words.about), case.at) if tells else None
    by_when, by_when_for = (None, None) if case.kind is NoticeKind.CLOSED else _by_when(case, parts)
    topology = case.scene.topology
    where = place(topology, incident.about)
    severity = incident.severity
    news, news_of = _news(case)
    return Notice(
        id=f"{incident.id}.{case.number}",
        incident=incident.id,
        kind=case.kind,
        severity=severity,
        at=case.at,
        site=topology.site(incident.about),
        about=incident.about,
        what=what,
        do=words.do,
        by_when=by_when,
        by_when_for=by_when_for,
        lines=tuple(line for line in words.lines if not words.what.endswith(line)),
        short=short_form(briefly, capital(place(topology, words.about or incident.about)), left, words.do),
        urgent=case.kind is not NoticeKind.CLOSED
        and severity.rank >= Severity.MAJOR.rank
        and not _all_back(case),
        level=incident.level,
        alarms=incident.members,
        counted=len(incident.counted),
        opened_at=incident.opened_at,
        parts=parts,
        news=news,
        news_of=news_of,
        place=where,
        mains_lost=incident.cause is Cause.POWER and bool(parts) and not fed_beside(case),
    )


def _all_back(case: NoticeCase) -> bool:
    """Return whether every system of an outage is fed again, and nothing that somebody must act on at once came to it."""
    parts = case.incident.parts.values()
    fed = bool(parts) and all(part.until is not None and not part.dark for part in parts)
    return fed and not any(
        a.severity is Severity.CRITICAL or case.catalogue[a.kind].breaks_out for a in case.pending()
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


def _by_when(case: NoticeCase, parts: tuple[IncidentPart, ...]) -> tuple[datetime | None, Deadline | None]:
    """Return the earliest moment of its alarms: what the plant sets comes before a time to respond."""
    asked = [a for a in case.members() if not a.over and a.by_when is not None]
    on_banks = [a for a in asked if a.by_when_for is not None]
    moments = [(a.by_when, a.by_when_for) for a in on_banks or asked if a.by_when is not None]
    if not on_banks:  # none of its alarms tells: what is known of its systems does
        known = [part for part in parts if part.until is None]
        states = case.scene.systems
        told = [deadline(s.on_battery, case.at) for p in known if (s := states.get(p.system)) is not None]
        ends = [one for one in told if one is not None and one[1] is not Deadline.SHED]
        ends += [(p.ends_earliest, Deadline.BANKS_END) for p in known if p.ends_earliest is not None]
        moments = list(ends) or moments
    return min(moments, key=lambda one: one[0], default=(None, None))


def _standing(case: NoticeCase) -> NoticeWords:
    if case.kind is NoticeKind.OPENED:
        return _opening(case)
    words = _change(case)
    power = case.incident.cause is Cause.POWER and any(part.on for part in case.incident.parts.values())
    if power and not words.what.startswith("Back") and taken_within_s(case) is not None:
        # what it asks for is asked for the case that this supply is not taken
        return replace(
            words, what=f"Supply is there again: {words.what}", briefly=f"supply is there; {words.briefly}"
        )
    return words


def _opening(case: NoticeCase) -> NoticeWords:
    incident = case.incident
    if incident.cause is Cause.POWER and incident.parts:
        return _with_rhythm(case, power_opening(case))
    if incident.cause is Cause.NETWORK and len(incident.members) > 1:
        return _network_opening(case)
    members = case.members() or worst_first(case.alarms[a] for a in incident.ever if a in case.alarms)
    if not members:
        title = say(incident.title)
        return NoticeWords(title, say(incident.do), (), title)
    first = members[0]
    alike = [a for a in members if (a.kind, a.qualifier) == (first.kind, first.qualifier)]
    if len(alike) > 1:
        return _many_opening(case, members, alike)
    what, do = words_now(case, first), say(first.do)
    lines = tuple(words_now(case, a) for a in members[1:])
    if all(a.over for a in members):
        briefly = f"over again: {cause_of(case, first)}"
        return NoticeWords(f"It was so and is over again: {what}", do, lines, briefly, first.about)
    return NoticeWords(what, do, lines, cause_of(case, first), first.about)


def _with_rhythm(case: NoticeCase, words: NoticeWords) -> NoticeWords:
    """Return words with how often it came, and that no time more is told until it stays or rests.

    What they name is counted: a supply only as often as all its units that are told of went, else each unit by itself.
    """
    restless, all_of_them = rhythm(case)
    if not restless:
        return words
    again = "told again when it stays or has rested."
    if all_of_them:
        least = restless[-1]
        times, within = least.came, lasted(least.came_within_s)
        what = f"{words.what} It comes and goes: {times} times within {within}; {again}"
        return replace(words, what=what, briefly=f"{words.briefly}, {times} times in {within}")
    each = listed([f"{a.about} ({a.came} times within {lasted(a.came_within_s)})" for a in restless])
    verb = "unit {} comes and goes" if len(restless) == 1 else "units {} come and go"
    return replace(words, what=f"{words.what} Of these {verb.format(each)}; {again}")


def _many_opening(case: NoticeCase, members: list[Alarm], alike: list[Alarm]) -> NoticeWords:
    """Say the same of several things in one sentence, and each thing's own words below."""
    first = alike[0]
    kind = case.catalogue[first.kind]
    card = CARD_ALARMS.get(first.qualifier)
    says = f"each {card.says}" if card is not None else kind.meaning[0].lower() + kind.meaning[1:].rstrip(".")
    number = counted(len(alike), kind.about.value)
    what = f"{number} at {place(case.scene.topology, case.incident.about)}: {says} ({listed([a.about for a in alike])})."
    if len({say(a.do) for a in alike}) == 1:
        return NoticeWords(
            what, say(first.do), tuple(words_now(case, a) for a in members), f"{number}: {says}"
        )
    lines = tuple(f"{words_now(case, a)} {say(a.do)}" if a in alike else words_now(case, a) for a in members)
    return NoticeWords(what, str(kind.do), lines, f"{number}: {says}")


def _network_opening(case: NoticeCase) -> NoticeWords:
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
    return NoticeWords(
        what,
        "Look at the network between here and there first; then send somebody to look at the units.",
        tuple(lines),
        briefly,
    )


def _change(case: NoticeCase) -> NoticeWords:
    incident = case.incident
    told_at = incident.told_at or incident.opened_at
    # units that were told of already are no news when their end came nearer: that is said by their system
    newly = [a for a in case.pending() if a.kind == "on_battery" and (a.since or case.at) > told_at]
    pending = [a for a in case.pending() if a.kind != "on_battery"] or newly
    parts = [incident.parts[s] for s in sorted(incident.parts)]
    lines = [part_line(case, part) for part in parts]
    newly_dark = [p for p in parts if p.dark and p.system not in incident.told_dark]
    if newly_dark:
        besides = [words_now(case, a) for a in pending if a.kind not in ("on_battery", "output_off")]
        return dropped_their_load(case, newly_dark, [*lines, *besides])
    if pending:
        return _found_besides(case, pending, parts, lines)
    said = change_of_systems(case, parts, lines)
    if said is not None:
        return said
    members = case.members()
    if members:
        first = members[0]
        gone = first.standing and first.condition is False
        what, briefly = words_now(case, first), cause_of(case, first)
        if gone:
            what, briefly = f"Gone at the moment: {what}", f"gone at the moment: {briefly}"
        return NoticeWords(what, say(first.do), tuple(lines), briefly, first.about)
    return NoticeWords(say(incident.title), say(incident.do), tuple(lines), say(incident.title))


def _found_besides(
    case: NoticeCase, pending: Sequence[Alarm], parts: Sequence[IncidentPart], lines: list[str]
) -> NoticeWords:
    """Say what came to an incident after it was told. `lines`: its systems as they stand."""
    incident = case.incident
    first = pending[0]
    briefly = cause_of(case, first)
    what, do = words_now(case, first), say(first.do)
    lines += [words_now(case, a) for a in pending[1:] if a.kind != "on_battery"]
    if first.kind == "on_battery":
        units = sum(len(p.on) for p in parts)
        what = f"Now {counted(units, 'unit')} on battery at {place(case.scene.topology, incident.about)}."
        return NoticeWords(what, power_do(case), tuple(lines), f"now {counted(units, 'unit')} on battery")
    of_outage = case.catalogue[first.kind].cause is Cause.CONSEQUENCE or any(
        first.about in p.units for p in parts
    )
    leads = incident.cause is not Cause.POWER or not of_outage
    if parts and all(part.until is not None and not part.dark for part in parts):
        # what stands besides is news of a system that is fed again: whoever reads on must know that first
        back = f"Back on supply: {names_of(case, parts)}."
        return NoticeWords(f"{back} {what}", do, tuple(lines), f"back on supply; {briefly}", first.about)
    comes = incident.cause is Cause.POWER and taken_within_s(case) is not None
    return NoticeWords(
        what, do if leads and not comes else power_do(case) or do, tuple(lines), briefly, first.about
    )


def _closing(case: NoticeCase) -> NoticeWords:
    incident = case.incident
    took_s = (case.at - incident.opened_at).total_seconds() - _gone_s(case)
    topology = case.scene.topology
    parts = [incident.parts[s] for s in sorted(incident.parts)]
    if incident.cause is Cause.POWER and parts:
        longest = max(parts, key=lambda p: p.on_battery_s(case.at))
        longest_s, times = longest.on_battery_s(case.at), on_times(longest)
        dropped = [topology.name(p.system) for p in parts if p.dropped]
        if dropped:
            briefly = f"over after {lasted(longest_s)}{times}; load dropped: {listed(dropped)}"
            what = f"Over after {lasted(longest_s)} on battery{times}. Load was dropped: {listed(dropped)}."
        else:
            briefly = f"back on supply after {lasted(longest_s)}{times}, load carried"
            seen = "as far as it was seen" if any(p.unseen for p in parts) else "throughout"
            what = f"Back on supply after {lasted(longest_s)} on battery{times}; the load was carried {seen}."
        lines = [_summary_line(case, part) for part in parts]
        left = [words_now(case, a) for a in case.members() if a.kind != "on_battery" and not a.over]
        lines += [f"Still stands: {text}" for text in left]
        lines.append(
            f"{counted(len(incident.counted), 'condition')} counted, {counted(case.number, 'message')}."
        )
        return NoticeWords(what, "", tuple(lines), briefly)
    held = [a for a in incident.ever if a in case.alarms and case.alarms[a].state.held]
    if held:
        alarm = case.alarms[held[0]]
        why = alarm.state.value.replace("_", " ")
        if Explanation.SAID_ALREADY.value in alarm.explained:
            why = "another alarm says it"
        words = f"no longer told ({why}): {cause_of(case, alarm)}"
        return NoticeWords(f"No longer told ({why}): {say(alarm.what)}", "", (), words, alarm.about)
    title = say(incident.title)
    still = tuple(f"Still stands: {words_now(case, a)}" for a in case.members() if not a.over)
    briefly = f"over after {lasted(took_s)}: {title}"
    return NoticeWords(f"Over after {lasted(took_s)}: {title}", "", still, briefly)


def _gone_s(case: NoticeCase) -> float:
    """Return how long ago the last cause of an incident that is over was seen gone: each waits out its off-delay first."""
    ever = [case.alarms[a] for a in case.incident.ever if a in case.alarms]
    own = [a for a in ever if case.catalogue[a.kind].cause is case.incident.cause]
    if case.now_s is None or not own or any(a.known for a in own):
        return 0.0
    return min(ran_s(a, case.now_s) for a in own)


def _summary_line(case: NoticeCase, part: IncidentPart) -> str:
    name = case.scene.topology.name(part.system)
    took = lasted(part.on_battery_s(case.at))
    outcome = "dropped its load" if part.dropped else "held"
    again = ""
    if part.dropped and part.fed_at is not None:
        again = f", fed again {lasted((part.fed_at - part.since).total_seconds())} after it lost its mains"
    text = f"{name} {outcome}, {took} on battery{on_times(part)}, {counted(len(part.units), 'unit')}{again}."
    if part.predicted_low_s is not None:
        high = f" to {at_most(part.predicted_high_s)}" if part.predicted_high_s is not None else " or more"
        text += f" First predicted, from its start: {at_least(part.predicted_low_s)}{high}."
    if part.lowest_left_s is not None and not part.dropped:
        text += f" Never less than {at_least(part.lowest_left_s)} left."
    return text
