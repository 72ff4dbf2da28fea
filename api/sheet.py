"""Builds what the pages show (`api.pages.model.Sheet`) from the service, at one moment."""

from __future__ import annotations

from api.pages.model import Acknowledgement, Alarm, BankEnd, CardHealth, CardRead, Fan, Sheet, Told, UnitView
from api.pages.sources import isolation_of, score_of
from api.pages.words import Clock
from collector.polling import PollFigures
from collector.service import Service
from rules.alarms import lifecycle
from rules.alarms.catalogue import CATALOGUE
from rules.alarms.lifecycle import State


def sheet_of(service: Service) -> Sheet:
    """Return everything that is shown now."""
    present = service.present
    estate = service.estate
    now = service.clock.now()
    return Sheet(
        now=now,
        title=next(iter(estate.sites.values())).name,
        estate=estate,
        systems=tuple(present.systems[s] for s in estate.systems if s in present.systems),
        banks=tuple(present.banks[b] for b in estate.banks if b in present.banks),
        units=tuple(_unit(service, unit) for unit in estate.units),
        alarms=alarms_in_order(service),
        fans={
            system: Fan(tuple(BankEnd(end.bank, end.median_s, end.left_fraction) for end in judged.ends))
            for system, judged in present.hold_ups.items()
            if judged.ends
        },
        isolations=tuple(
            isolation_of(found, Clock(estate.site_of(system).time_zone, now))
            for system in estate.systems
            for found in service.planner.isolations(system)
        ),
        estate_file=service.configuration.path.name,
        acts=True,
        poll_s=service.configuration.polling.every_s,
        score=None if present.foretold is None else score_of(present.foretold),
        demonstration=present.foretold is not None,
    )


def _unit(service: Service, unit: str) -> UnitView:
    present = service.present
    reading = present.readings.get(unit)
    silence = present.silences.get(unit)
    fault = present.faults.get(unit)
    card = service.estate.card_of(unit)
    figures = present.figures.get(card.id) if card is not None else None
    return UnitView(
        id=unit,
        reading=reading,
        age_s=None if reading is None else max(0.0, (service.clock.now() - reading.at).total_seconds()),
        silent_since=None if silence is None else silence.stamp.at,
        why_silent=None if silence is None else silence.why,
        fault=None if fault is None else fault.what,
        card=None if card is None or figures is None else _health(card.id, figures),
        reads=()
        if figures is None
        else tuple(CardRead(t.at, t.took_s, t.objects, t.why) for t in figures.trace),
    )


def _health(card: str, figures: PollFigures) -> CardHealth:
    took = [t.took_s for t in figures.trace if t.took_s is not None]
    return CardHealth(
        id=card,
        answering=None if not figures.polls else figures.silent_since is None,
        reads=figures.polls,
        unanswered=figures.polls - figures.answered,
        answer_s=sorted(took)[len(took) // 2] if took else None,
        restarts=figures.restarts,
        note=figures.why_silent,
    )


def alarms_in_order(service: Service) -> tuple[Alarm, ...]:
    """Return every alarm that is not normal, in the order to act in: active and worst first."""
    found = [a for a in service.present.alarms.values() if a.state is not State.NORMAL]
    found.sort(
        key=lambda a: (
            a.state.held,
            not a.state.active,
            -a.severity.rank,
            a.by_when is None,
            a.by_when or a.since,
            a.id,
        )
    )
    return tuple(alarm_of(service, alarm) for alarm in found)


def alarm_of(service: Service, alarm: lifecycle.Alarm) -> Alarm:
    """Return an alarm as people read it (ALARM of the interface)."""
    kind = CATALOGUE.get(alarm.kind)
    seen = alarm.acknowledged
    return Alarm(
        id=alarm.id,
        about=alarm.about,
        what=alarm.what or (kind.meaning if kind is not None else alarm.kind),
        do=alarm.do,
        severity=alarm.severity.value,
        state=alarm.state.value,
        since=alarm.since or service.started_at,
        by_when=alarm.by_when,
        incident=alarm.incident,
        acknowledged=None if seen is None else Acknowledgement(seen.by, seen.at, seen.note or None),
        shelved_until=alarm.shelved_until,
        shelved_by=alarm.shelved_by,
        because=alarm.suppressed_because,
        told=tuple(
            Told(one.who, one.by, one.at, one.result)
            for one in service.office.told.get(alarm.incident or "", ())
        ),
    )
