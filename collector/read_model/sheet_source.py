"""Builds what the pages show (`collector.read_model.sheet.Sheet`) from the source, at one moment."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from collector.cards.mib.correction_set import CorrectionSet
from collector.cards.polling.poller import PollFigures
from collector.messaging.delivery.calling import calls, to_call
from collector.messaging.delivery.letter import Telling
from collector.planning.signed_book import SignedBook, SignedShutdown
from collector.read_model.sheet import (
    AbsentLine,
    CardHealth,
    LearntCorrection,
    Plans,
    PlanView,
    Sheet,
    ShownAcknowledgement,
    ShownAlarm,
    ShownCard,
    ShownIsolation,
    ShownStarts,
    ShownUnit,
    SupplyReturn,
)
from collector.read_model.source import SheetSource
from collector.read_model.sources import isolation_of, score_of
from collector.read_model.telling import on_call_now
from collector.read_model.wall_clock import WallClock
from rules.alarms.catalogue import CATALOGUE, Explanation
from rules.alarms.conditions.outage import words_at
from rules.alarms.lifecycle.alarm import Alarm
from rules.alarms.lifecycle.states import State
from rules.alarms.urgency import urgency
from rules.phrasing.figures import listed
from rules.phrasing.notice_case import AS_LAST_TOLD
from rules.phrasing.reasons import first_step, said, say
from rules.planning.isolation.check import with_newer
from rules.planning.ridethrough.shutdown import Shutdown
from rules.plant.estate import Estate
from rules.plant.topology import Topology
from rules.plant.unread import OldReading

ANSWER_HOLDS: Final = timedelta(minutes=10)
NO_LONGER: Final = "It was so, and is no longer: "
"""Before the sentence of an alarm whose condition is gone."""
_OVER: Final = frozenset({State.RETURNED_UNACKNOWLEDGED, State.LATCHED})
"""An answer older than this is left out."""
BECAUSE: Final = {
    Explanation.MAINS_OFF.value: "the mains being switched off as planned",
    Explanation.ISOLATION.value: "the unit being taken out as planned",
    Explanation.BANK_TEST.value: "a planned test of the bank",
    Explanation.NETWORK_WORK.value: "planned work on the network",
    Explanation.SERVICE_VISIT.value: "a planned service visit",
    Explanation.SET_ISOLATED.value: "the generator being isolated in a signed shutdown",
    Explanation.SELF_TEST.value: "a test that the unit runs",
    Explanation.RESTING.value: "the unit resting at low load",
    Explanation.ECONOMY_MODE.value: "economy mode, which is normal here",
    Explanation.SAID_ALREADY.value: "another alarm that says it, or is about to",
    Explanation.SAID_BEFORE.value: "an alarm that is over and said it; the card still lists it",
}
"""What suppresses an alarm by design, in words; anything else is the name of planned work."""
ON_BANKS: Final = "No. Its system is on its banks."
ONE_ON_BANK: Final = "No. Its system has a unit on its bank."


def sheet_of(source: SheetSource) -> Sheet:
    """Return everything that is shown now."""
    present, now = source.present, source.clock.now()
    estate, not_read, heard = source.estate, source.not_read(), source.heard()
    return Sheet(
        now=now,
        title=source.configuration.title,
        estate=estate,
        systems=tuple(present.systems[s] for s in estate.systems if s in present.systems),
        banks=tuple(present.banks[b] for b in estate.banks if b in present.banks),
        units=tuple(_unit(source, unit, not_read) for unit in estate.units),
        alarms=alarms_in_order(source, now),
        fans={s: judged.ends for s, judged in present.hold_ups.items()},
        forecasts={name: bank.expected for name, bank in present.banks.items()},
        isolations=_isolations(source),
        returns=_returns(source),
        sizes=dict(present.sizes),
        shutdowns=_shutdowns(source),
        plans={system: found for system in estate.systems if (found := _plans(source, system)) is not None},
        tells=bool(heard) or bool(source.configuration.people.persons),
        on_call=on_call_now(source.configuration.people, source.clock.now()),
        estate_file=source.configuration.path.name,
        estate_version=source.configuration.version,
        acts=source.acts,
        poll_s=source.configuration.polling.every_s,
        score=None if present.foretold is None else score_of(present.foretold),
        demonstration=present.foretold is not None,
        own=None if heard else source.own_figures(),
        heard=heard,
    )


def _isolations(source: SheetSource) -> tuple[ShownIsolation, ...]:
    """Return whether each unit may be taken out; a system on its banks needs no checks for a no."""
    present, estate, now = source.present, source.estate, source.clock.now()
    found = []
    for unit in estate.units.values():
        checked, state = present.isolations.get(unit.id), present.systems.get(unit.system)
        if state is not None and state.on_battery:
            beside = {other.id for other in estate.units_of(unit.system)} & set(state.on_battery.fed)
            found.append(ShownIsolation(unit.id, "not_met", ONE_ON_BANK if beside else ON_BANKS))
        elif checked is not None and now - checked.from_at < ANSWER_HOLDS:
            checked = with_newer(checked, present.hold_ups.get(unit.system))
            found.append(isolation_of(checked, WallClock(estate.site_of(unit.system).time_zone, now)))
    return tuple(found)


def _returns(source: SheetSource) -> tuple[SupplyReturn, ...]:
    """Return what each lost supply came back on, as far as an incident can be named to mark it by."""
    estate = source.estate
    fed = {name: [s.name for s in estate.systems.values() if s.supply == name] for name in estate.supplies}
    return tuple(
        SupplyReturn(o.supply, listed(fed[o.supply]), o.incident, o.lost_at, say(o.found.because), o.known)
        for o in source.outages.outages
        if o.found is not None and o.incident is not None
    )


def _shutdowns(source: SheetSource) -> dict[str, Shutdown]:
    """Return what switching the mains off would do; of a plan that runs, what was foretold before it began."""
    present, plans, now = source.present, source.signed_plans, source.clock.now()
    found = {}
    for system, played in present.shutdowns.items():
        kept = plans.next_of(system)
        running = kept is not None and kept.course.began_at is not None and played.plan == kept.id
        if running or now - played.as_of < ANSWER_HOLDS:
            found[system] = played
    return found


def _plans(source: SheetSource, system: str) -> Plans | None:
    plans = source.signed_plans
    last = plans.last_of(system)
    coming = [_plan(plans, kept) for kept in plans.of(system) if kept.course.open]
    if not coming and last is None:
        return None
    return Plans(tuple(coming), None if last is None else _plan(plans, last))


def _plan(plans: SignedBook, kept: SignedShutdown) -> PlanView:
    because = said(breach.because for breach in plans.breaches(kept))
    against = None if kept.against is None else said(kept.against)
    return PlanView(kept.id, kept.plan, kept.course, because, against, kept.compared)


def _unit(source: SheetSource, unit: str, not_read: Mapping[str, OldReading]) -> ShownUnit:
    present = source.present
    reading = present.readings.get(unit)
    silence = present.silences.get(unit)
    fault = present.faults.get(unit)
    card = source.estate.card_of(unit)
    figures = present.figures.get(card.id) if card is not None else None
    return ShownUnit(
        id=unit,
        reading=reading,
        age_s=None if reading is None else source.reading_age_s(reading),
        silent_since=None if silence is None else silence.stamp.at,
        why_silent=None if silence is None else silence.why,
        unread=source.unread(unit),
        fault=None if fault is None else fault.what,
        card=None if card is None or figures is None else _health(source, card.id, figures),
        reads=()
        if figures is None
        else tuple(ShownCard(t.at, t.took_s, t.objects, t.why) for t in figures.trace),
        learnt=None if card is None else learnt_of(source.learning.corrections(card.id)),
        read_every_s=source.read_every_s(unit),
        not_read=None if card is None else not_read.get(card.covers[0]),
    )


def learnt_of(found: CorrectionSet) -> ShownStarts:
    """Return what was learnt about a card, objects in the order of their names."""
    return ShownStarts(
        id=found.id,
        objects=tuple(
            LearntCorrection(
                c.object,
                c.kind.value,
                c.reason,
                c.ruling.value,
                c.factor,
                c.offset,
                c.evidence,
                c.declared,
            )
            for _, c in sorted(found.by_object.items())
        ),
        absent_lines=tuple(AbsentLine(group, line) for group, line in sorted(found.absent_lines)),
        stale=found.stale,
    )


def _health(source: SheetSource, card: str, figures: PollFigures) -> CardHealth:
    polling = source.configuration.cards[card].polling
    state = source.present.systems.get(source.estate.units[source.estate.cards[card].covers[0]].system)
    lit = state is not None and state.on_battery is not None
    took = [t.took_s for t in figures.trace if t.took_s is not None]
    return CardHealth(
        id=card,
        answering=None if not figures.polls else figures.silent_since is None,
        reads=figures.polls,
        unanswered=figures.polls - figures.answered,
        answer_s=sorted(took)[len(took) // 2] if took else None,
        poll_s=polling.on_battery_every_s if lit else polling.every_s,
        restarts=figures.restarts,
        note=figures.why_silent,
        notes=source.card_notes(card),
    )


def alarms_in_order(source: SheetSource, now: datetime) -> tuple[ShownAlarm, ...]:
    """Return every alarm that is not normal, in the order to act in: active ones, what can wait least first."""
    return tuple(alarm_of(source, alarm, now) for alarm in in_order(source.present.alarms.values()))


def in_order(alarms: Iterable[Alarm]) -> list[Alarm]:
    """Return the alarms that are not normal, in the order to act in."""
    found = [a for a in alarms if a.state is not State.NORMAL]
    found.sort(key=lambda a: (a.state.held, not a.state.active, *urgency(a, CATALOGUE.get(a.kind))))
    return found


def alarm_of(source: SheetSource, alarm: Alarm, now: datetime) -> ShownAlarm:
    """Return an alarm as people read it (ALARM of the interface), counted to `now` where it counts down."""
    estate, system = source.estate, _counted_by(source.estate, alarm.about)
    state = None if system is None else source.present.systems.get(system)
    what, do = words_at(alarm, state, estate, CATALOGUE, now)
    return alarm_as_read(
        source.estate,
        replace(alarm, what=what, do=do),
        told=source.told.get(alarm.incident or "", ()),
        call=_to_call(source, alarm),
    )


def alarm_as_read(
    estate: Estate,
    alarm: Alarm,
    *,
    told: tuple[Telling, ...] = (),
    call: tuple[str, ...] = (),
) -> ShownAlarm:
    """Return an alarm as people read it: with who was told and whom to call.

    What is no longer so is said in the past tense, whether it stands until it has stayed away for a while or waits to be
    acknowledged; and what it asked for, and by when, is asked no longer, unless it waits for a person all the same.
    """
    kind = CATALOGUE.get(alarm.kind)
    what = say(alarm.what) or (kind.meaning if kind is not None else alarm.kind)
    seen = alarm.acknowledged
    # what returned stays returned while its card is silent: only its condition, seen again, could say otherwise
    gone = (alarm.standing and alarm.over) or (alarm.state in _OVER and alarm.condition is not True)
    as_last_told = alarm.standing and alarm.open_now
    asked = not gone or alarm.state is State.LATCHED
    do, by_when = (alarm.do, alarm.by_when) if asked else (None, None)
    return ShownAlarm(
        id=alarm.id,
        about=alarm.about,
        what=f"{NO_LONGER if gone else AS_LAST_TOLD if as_last_told else ''}{what}",
        do="" if do is None else say(do),
        do_first="" if do is None else first_step(do),
        severity=alarm.severity.value,
        state=alarm.state.value,
        since=alarm.since or alarm.first_sign,
        by_when=by_when,
        by_when_for=None if by_when is None or alarm.by_when_for is None else alarm.by_when_for.value,
        incident=alarm.incident,
        acknowledged=None if seen is None else ShownAcknowledgement(seen.by, seen.at, seen.note or None),
        shelved_until=alarm.shelved_until,
        shelved_by=alarm.shelved_by,
        out_of_service_by=alarm.out_of_service_by,
        because=tuple(BECAUSE.get(why, f"planned work {why}") for why in alarm.suppressed_because),
        told=told,
        system=_system_of(estate, alarm.about),
        call=call,
    )


def _to_call(source: SheetSource, alarm: Alarm) -> tuple[str, ...]:
    """Return whom to call about an alarm that stands."""
    if not (alarm.state.active and calls((alarm.id,))):
        return ()
    return whom_to_call(source, alarm.about)


def whom_to_call(source: SheetSource, about: str) -> tuple[str, ...]:
    """Return whom to call about a thing now, with their numbers."""
    people, topology = source.configuration.people, Topology(source.estate)
    return to_call((about,), source.clock.now(), people, topology)


def _counted_by(estate: Estate, about: str) -> str | None:
    """Return the system whose time left an alarm of a thing counts by: its own, its unit's, or the one it concerns."""
    if about in estate.units:
        return estate.units[about].system
    return about if about in estate.systems else _system_of(estate, about)


def _system_of(estate: Estate, about: str) -> str | None:
    """Return the system that a supply, a generator or a site concerns, where it is one alone."""
    found = [
        name
        for name, system in estate.systems.items()
        if about in {system.supply, system.site, estate.supplies[system.supply].generator}
    ]
    return found[0] if len(found) == 1 else None
