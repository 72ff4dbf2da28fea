"""Alarms that say something of the plant itself; those of power, load and holding stand with what they are about."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from collector.simulation.cards import card as voice
from collector.simulation.cards.faulty_cards import Lie
from collector.simulation.plant.unit import Mode
from tests.audit.sight import ON, SEEN_WITHIN_S, TRUE, UNDECIDED, Finding, Sight, false
from tests.audit.statements import Statement
from tests.audit.world import PlantAt

Predicate = Callable[[Sight, Statement], Finding]


def standing(
    so: Callable[[PlantAt, str], bool],
    why: str,
    *,
    late_s: float = 0.0,
    says_over: bool = True,
    surely: Callable[[PlantAt, str], bool] | None = None,
) -> Predicate:
    """Return a predicate of an alarm that stands while something is so, and is over when it is not.

    `late_s`: how much later than what it was seen in it may be over, by its own delay. `surely`: what is so of it while it
    may not be over, where that is less.
    """

    def predicate(sight: Sight, said: Statement) -> Finding:
        if said.value:
            return sight.held(said, lambda now: so(now, said.about), within_s=SEEN_WITHIN_S + late_s, why=why)
        if not says_over:
            return UNDECIDED
        return sight.held(
            said,
            lambda now: not (surely or so)(now, said.about),
            within_s=SEEN_WITHIN_S + late_s,
            why=f"not over: {why}",
        )

    return predicate


def on_battery(sight: Sight, said: Statement) -> Finding:
    """A unit runs on its bank while the alarm stands; one that walks in does, and does not."""
    if said.value:
        return sight.held(said, lambda now: now.mode(said.about) in ON, why="it was not on its bank")
    return sight.held(
        said,
        lambda now: now.mode(said.about) not in ON or now.mode(said.about) is Mode.WALKING_IN,
        why="it was on its bank",
    )


def never(why: str) -> Predicate:
    """Return a predicate of what is so in no simulated plant: whoever says it of an honest card is wrong."""

    def predicate(sight: Sight, said: Statement) -> Finding:
        if not said.value:
            return TRUE
        cards = [f"{u}-card" for u in sight.units_of(said.about)]
        if any(sight.played.story.lies.get(c) for c in cards) or sight.blind(
            sight.units_of(said.about), said.at_s - 60.0, said.at_s
        ):
            return UNDECIDED
        return false(why)

    return predicate


def low(now: PlantAt, unit: str) -> bool:
    """Return whether a card would call its bank low: by its own minutes, by its voltage, or empty."""
    system, place = now.plant.place_of[unit]
    plant, state = now.plant.systems[system].units[place], now.state.systems[system].units[place]
    if state.mode is Mode.ENDED:
        return True
    at = voice.moment_of(plant, state, now.state.feeds[now.plant.systems[system].supply], uptime_s=1e6)
    return state.on_battery and int(at.battery_status[0]) != 2


def card_alarm(sight: Sight, said: Statement) -> Finding:
    """What a card is said to report it reports, or has left in its table by a lie of its own."""
    name = said.value["alarm"]  # type: ignore[index]
    if Lie.ALARM_ROWS_STAY in sight.played.story.lies.get(f"{said.about}-card", ()):
        return UNDECIDED

    def so(now: PlantAt) -> bool:
        system, place = now.plant.place_of[said.about]
        plant, state = now.plant.systems[system].units[place], now.state.systems[system].units[place]
        feed = now.state.feeds[now.plant.systems[system].supply]
        raised = voice.alarms_of(plant, state, feed, 0.0 if state.on_battery else 99.0)
        return name in raised or (state.cut and name in ("upsAlarmInputBad", "upsAlarmBypassBad"))

    return sight.held(said, so, within_s=SEEN_WITHIN_S + 20.0, why=f"its card did not report {name}")


def card_alarm_stands(sight: Sight, said: Statement) -> Finding:
    """The same of the alarm itself, which names what its card reports; one that left the table is over."""
    name = said.where.rpartition(":")[2]
    if not said.value or not name.startswith("upsAlarm"):
        return TRUE if not said.value else UNDECIDED
    one = replace(said, value={"alarm": name})
    return card_alarm(sight, one)


def still_on(now: PlantAt, unit: str) -> bool:
    """Return whether a unit runs on its bank while another of its supply is fed."""
    system, _ = now.plant.place_of[unit]
    supply = now.plant.systems[system].supply
    others = [
        u.id
        for _, _, u in now.plant.units()
        if u.id != unit and now.plant.systems[now.plant.place_of[u.id][0]].supply == supply
    ]
    return now.mode(unit) in ON and any(now.mode(o) in (Mode.NORMAL, Mode.WALKING_IN) for o in others)


def still_alone(now: PlantAt, unit: str) -> bool:
    """Return the same of one that does not walk in yet."""
    return still_on(now, unit) and now.mode(unit) is not Mode.WALKING_IN


def not_on(now: PlantAt, unit: str) -> bool:
    """Return whether a unit has nothing at its terminals and does not run on its bank."""
    return not now.fed_at(unit) and now.mode(unit) not in ON


def silent(sight: Sight, said: Statement) -> Finding:
    """A card that is said to be silent did not answer lately."""
    unit = said.about.removesuffix("-card")
    if not said.value:
        return TRUE
    dumb = sight.dumb(unit, said.at_s) or sight.blind((unit,), said.at_s - 30.0, said.at_s)
    return TRUE if dumb else false("its card answered")


def hot(now: PlantAt, unit: str) -> bool:
    """Return whether a bank is so warm that a probe in its cabinet may pass the limit."""
    return now.state.unit(now.plant.place_of[unit]).bank.temperature_c > 34.0


def uneven(now: PlantAt, system: str) -> bool:
    """Return whether the board's lines differ by more than an eighth of their mean."""
    watts = [w for w, _ in now.line_loads(system)]
    mean = sum(watts) / len(watts)
    return mean > 0.0 and max(abs(w - mean) for w in watts) / mean > 0.1
