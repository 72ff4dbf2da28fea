"""What a bank is: its capacity, its age and its end by the plant's own law of wear, what it carried, what is wrong with it.

The plant wears by `wear_at`, so the day of each bank's end stands fixed, however far ahead; and its capacity is what a
full discharge of it would show, played on the simulated cells. No block tables are read here but those that are declared.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Final, cast

import numpy as np

from collector.simulation.cards import card as voice
from collector.simulation.plant.battery import Wear, wear_at
from collector.simulation.plant.charging import new_bank
from collector.simulation.plant.published import runtime_s
from collector.simulation.plant.unit import Mode, UnitPlant
from collector.simulation.scenario.director import BankOpens, BankWeak
from rules.battery.state import Capacity, CardClaims, ReplacementDates, ShownToCarry
from rules.plant.estate import FittedBank
from rules.values.constants import DAYS_A_YEAR
from tests.audit.estates import DESIGN_YEARS
from tests.audit.predicates.holding import GROSS
from tests.audit.sight import ON, TRUE, UNDECIDED, Finding, Sight, So, false
from tests.audit.statements import Statement

POINTS: Final = 0.05
"""How far off a capacity may be by the losses of an inverter and a bank colder than 25 degC when it showed it."""
PLAIN: Final = 1.1
"""A share by which a time is plainly too long or too short."""
METERS: Final = 0.05
READ_S: Final = 7.0
"""A poll at either end."""
MET_S: Final = 16.0
"""A walk-in, which cards call fed, that a poll on its grid may miss."""
ENDS_S: Final = 75.0
"""An alarm stands for a minute after what it says is over, and a bank is judged anew some seconds after its load stepped."""
SLACK_DAYS: Final = 90.0
LIVES: Final = 1.4
"""Lives of banks differ by more than times of one: a least of them may lie so far over the truth once in many."""
LONGEST_YEARS: Final = 40.0


def made_worse(sight: Sight, bank: str, at_s: float) -> bool:
    """Return whether a bank was made weak, or its link parts, by then or before the story."""
    return bank in sight.played.story.estate.weak or any(
        isinstance(c.event, BankWeak | BankOpens) and c.event.bank == bank and c.at_s <= at_s
        for c in sight.played.story.cues
    )


def unit_of(sight: Sight, bank: str) -> UnitPlant:
    """Return the cabinet that a bank feeds."""
    plant = sight.played.story.estate.plant
    system, place = plant.place_of_bank[bank]
    return plant.systems[system].units[place]


def age_of(sight: Sight, bank: str) -> float:
    """Return the age of a bank in years."""
    return sight.played.story.estate.ages_years[bank]


def wear_of(sight: Sight, bank: str, age_years: float) -> Wear:
    """Return what a bank of its quality in its room is worn to at an age."""
    plant = sight.played.story.estate.plant
    room_c = plant.systems[plant.place_of_bank[bank][0]].room_c
    quality = sight.played.story.estate.qualities[bank]
    return wear_at(age_years, mean_temperature_c=room_c, design_life_years=DESIGN_YEARS, quality=quality)


def fitted_of(sight: Sight, bank: str) -> FittedBank:
    """Return the blocks that are declared."""
    return sight.estate.banks[bank].fitted[-1]


def published_s(sight: Sight, bank: str, output_w: float) -> float | None:
    """Return what the maker prints for a power at the unit's output, its losses counted, s; None outside the table."""
    unit = unit_of(sight, bank)
    per_cell = (output_w + unit.loss_w(output_w)) / unit.bank.cells
    minutes, watts = (
        np.array(c) for c in zip(*fitted_of(sight, bank).constant_power[0].minutes_watts, strict=True)
    )
    if not watts.min() <= per_cell <= watts.max():
        return None
    return 60.0 * float(np.exp(np.interp(-np.log(per_cell), -np.log(watts), np.log(minutes))))


def gives_s(sight: Sight, bank: str, output_w: float, wear: Wear, temperature_c: float = 25.0) -> float:
    """Return how long a bank gives a power at the unit's output, full and of such wear, s."""

    def played() -> float:
        unit = unit_of(sight, bank)
        full = new_bank(unit.bank, wear=wear, temperature_c=temperature_c)
        return runtime_s(unit.bank, full, output_w + unit.loss_w(output_w), step_s=2.0)

    return sight.once(("gives", bank, round(output_w, 1), wear, temperature_c), played)


def capacity(sight: Sight, said: Statement) -> Finding:
    """A capacity is the time a bank gives over the time its table prints, full and at 25 degC, at what is asked of it."""
    told, asked_w, _ = cast("tuple[Capacity, float | None, float | None]", said.value)
    if told.low is None or asked_w is None or made_worse(sight, said.about, said.until_s):
        return UNDECIDED
    printed_s = published_s(sight, said.about, asked_w)
    if printed_s is None:
        return UNDECIDED
    truth = (
        gives_s(sight, said.about, asked_w, wear_of(sight, said.about, age_of(sight, said.about))) / printed_s
    )
    if told.low > GROSS * truth + POINTS:
        return false(f"{100 * told.low:.0f} % at the least, truly {100 * truth:.0f} %")
    if told.high is not None and GROSS * told.high + POINTS < truth:
        return false(f"{100 * told.high:.0f} % at the most, truly {100 * truth:.0f} %")
    high = 9.0 if told.high is None else told.high
    return Finding(So.TRUE, interval=(told.low <= truth + POINTS, truth <= high + POINTS))


def asked_fraction(sight: Sight, said: Statement) -> Finding:
    """What is asked of a bank is its time over what its table prints for its load, a little more where it is cold."""
    told, asked_w, required_s = cast("tuple[float, float | None, float | None]", said.value)
    printed_s = None if asked_w is None else published_s(sight, said.about, asked_w)
    if printed_s is None or required_s is None:
        return UNDECIDED
    truth = required_s / printed_s
    if truth / GROSS - POINTS <= told <= GROSS * truth + POINTS:
        return TRUE
    return false(f"{told:.2f}, truly {truth:.2f}")


# ---- how old it is, and when it ends -----------------------------------------------------------------------------


def effective_age(sight: Sight, said: Statement) -> Finding:
    """An age that counts warm years for more lies within what heat does by any law that makers print: half a life for 8 to 12 K."""
    plant = sight.played.story.estate.plant
    room_c = plant.systems[plant.place_of_bank[said.about][0]].room_c
    age = age_of(sight, said.about)
    ages = [age * 2.0 ** ((room_c + off - at_c) / per) for off in (-1.0, 1.0) for at_c in (20.0, 22.0, 25.0) for per in (8.0, 12.0)]  # fmt: skip
    told = cast("float", said.value)
    return TRUE if min(ages) - 0.1 <= told <= max(ages) + 0.1 else false(f"{told:.1f} years, truly {age:.1f}")


def worn_as(sight: Sight, said: Statement) -> Finding:
    """The temperature that an age counts as lies within what a probe may be off of the room, where no heat of its own comes to it."""
    plant = sight.played.story.estate.plant
    room_c = plant.systems[plant.place_of_bank[said.about][0]].room_c
    told = cast("float", said.value)
    return TRUE if abs(told - room_c) <= 4.0 else false(f"{told:.1f} °C, the room is at {room_c:.1f}")


def end_years(sight: Sight, bank: str, asked_w: float, required_s: float) -> float:
    """Return at which age a bank gives what is asked of it no longer, by the plant's own law of wear; inf: in no 40 years."""

    def looked() -> float:
        room_c = sight.estate.banks[bank].room_temperature_c or 25.0

        def gives(years: float) -> bool:
            return gives_s(sight, bank, asked_w, wear_of(sight, bank, years), room_c) >= required_s

        low, high = 0.0, LONGEST_YEARS
        if gives(high):
            return float("inf")
        for _ in range(9):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if gives(middle) else (low, middle)
        return 0.5 * (low + high)

    return sight.once(("end", bank, round(asked_w, 1), required_s), looked)


def end_day(sight: Sight, bank: str, asked_w: float, required_s: float) -> date | None:
    """Return the day of that age, None in no 40 years."""
    years = end_years(sight, bank, asked_w, required_s)
    if years == float("inf"):
        return None
    now = sight.played.story.estate.now
    return (now + timedelta(days=DAYS_A_YEAR * (years - age_of(sight, bank)))).date()


def lives_until(sight: Sight, bank: str, by: date, truth: date | None) -> Finding:
    """Return whether a bank that is said to last until a day at the least lasts no grossly shorter life."""
    if truth is None:
        return TRUE
    fitted = fitted_of(sight, bank).from_day
    promised, lives = (by - fitted).days, (truth - fitted).days
    if promised > LIVES * lives + SLACK_DAYS and by > sight.played.story.estate.now.date() + timedelta(
        SLACK_DAYS
    ):
        return false(f"by {by}, truly no longer after {truth}")
    return TRUE


def dates(sight: Sight, said: Statement) -> Finding:
    """The day to have replaced a bank by lies before its end; and of the span told for its end, whether it holds it."""
    told, asked_w, required_s = cast("tuple[ReplacementDates, float | None, float | None]", said.value)
    if (
        asked_w is None
        or required_s is None
        or told.replace_by is None
        or made_worse(sight, said.about, said.until_s)
    ):
        return UNDECIDED
    if published_s(sight, said.about, asked_w) is None or never_met(sight, said.about, asked_w, required_s):
        return UNDECIDED
    truth = end_day(sight, said.about, asked_w, required_s)
    found = lives_until(sight, said.about, told.replace_by, truth)
    if found is not TRUE:
        return found
    early, late, true_end = told.ends_early, told.ends_late, truth or date.max
    if told.shown_over or early is None:
        return TRUE
    return Finding(So.TRUE, interval=(early <= true_end, late is None or true_end <= late))


def never_met(sight: Sight, bank: str, asked_w: float, required_s: float) -> bool:
    """Return whether new blocks would not give it either: then the dates are of wear alone."""
    return gives_s(sight, bank, asked_w, Wear()) < PLAIN * required_s


def probability_met(sight: Sight, said: Statement) -> Finding:
    """What is all but sure is so: a bank gives what is asked of it, or does not."""
    told, asked_w, required_s = cast("tuple[float, float | None, float | None]", said.value)
    if asked_w is None or required_s is None or made_worse(sight, said.about, said.until_s):
        return UNDECIDED
    if published_s(sight, said.about, asked_w) is None or never_met(sight, said.about, asked_w, required_s):
        return UNDECIDED
    room_c = sight.estate.banks[said.about].room_temperature_c or 25.0
    truth_s = gives_s(
        sight, said.about, asked_w, wear_of(sight, said.about, age_of(sight, said.about)), room_c
    )
    if told >= 0.99 and truth_s < required_s / GROSS:
        return false(f"{100 * told:.0f} %, but it gives {truth_s:.0f} of {required_s:.0f} s")
    if told <= 0.01 and truth_s > GROSS * required_s:
        return false(f"{100 * told:.0f} %, but it gives {truth_s:.0f} of {required_s:.0f} s")
    return TRUE if told >= 0.99 or told <= 0.01 else UNDECIDED


def new_gives_less(sight: Sight, bank: str, asked_w: float, required_s: float) -> Finding:
    """New blocks of its type would not give what is asked of the bank either."""
    room_c = sight.estate.banks[bank].room_temperature_c or 25.0
    new_s = gives_s(sight, bank, asked_w, Wear(), room_c)
    return TRUE if new_s < GROSS * required_s else false(f"new blocks give {new_s:.0f} of {required_s:.0f} s")


def too_small(sight: Sight, said: Statement) -> Finding:
    """A bank that is said to be too small would be so with new blocks; one that is not would do then."""
    told, asked_w, required_s = cast("tuple[bool, float | None, float | None]", said.value)
    if asked_w is None or required_s is None:
        return UNDECIDED if not told else false("nothing is asked of it")
    if told:
        return new_gives_less(sight, said.about, asked_w, required_s)
    printed_s = published_s(sight, said.about, asked_w)
    if printed_s is None:
        return UNDECIDED
    new_s = gives_s(sight, said.about, asked_w, Wear())
    return TRUE if new_s > required_s / GROSS else false(f"new blocks give {new_s:.0f} of {required_s:.0f} s")


def blocks_give_less(sight: Sight, said: Statement) -> Finding:
    """The same of a reason with its figures; what new blocks give by their table is what the table prints."""
    asked_w, asked_s, given_s = (float(said.value[name]) for name in ("asked_w", "asked_s", "given_s"))  # type: ignore[index]
    printed_s = published_s(sight, said.about, asked_w)
    if printed_s is not None and not printed_s / GROSS <= given_s <= GROSS * printed_s:
        return false(f"new blocks give {given_s:.0f} s, by their table {printed_s:.0f} s")
    return new_gives_less(sight, said.about, asked_w, asked_s)


def asked_of(sight: Sight, bank: str, at_s: float) -> tuple[float, float] | None:
    """Return power and time that were last said to be asked of a bank."""
    for other in reversed(sight.played.statements):
        if other.kind == "bank dates" and other.about == bank and other.at_s <= at_s + 1.0:
            _, asked_w, required_s = cast("tuple[object, float | None, float | None]", other.value)
            return None if asked_w is None or required_s is None else (asked_w, required_s)
    return None


def told_latest(sight: Sight, bank: str, at_s: float) -> date | None:
    """Return until when a bank was last said to last at the latest, None where that was left open."""
    for other in reversed(sight.played.statements):
        if other.kind == "bank dates" and other.about == bank and other.at_s <= at_s + 1.0:
            return cast("tuple[ReplacementDates, float | None, float | None]", other.value)[0].ends_late
    return None


def due(sight: Sight, said: Statement) -> Finding:
    """A bank that is said to be ordered or renewed now ends before what was told as the latest: it is no bank with most of its life left.

    An order is placed while one in twenty such banks would end before the new one is there: that most last longer, within
    the span that is told beside it, makes it no falsehood.
    """
    if not said.value or made_worse(sight, said.about, said.until_s):
        return TRUE if not said.value else UNDECIDED
    asked = asked_of(sight, said.about, said.until_s)
    if (
        asked is None
        or published_s(sight, said.about, asked[0]) is None
        or never_met(sight, said.about, *asked)
    ):
        return UNDECIDED
    left = end_years(sight, said.about, *asked) - age_of(sight, said.about)
    latest = told_latest(sight, said.about, said.until_s)
    end = end_day(sight, said.about, *asked) or date.max
    if left > max(0.6 * (left + age_of(sight, said.about)), 2.0) and latest is not None and end > latest:
        return false(f"it lasts {left:.1f} years more, and at the latest until {latest} was told")
    return TRUE if left < 1.5 else UNDECIDED


def past_age(sight: Sight, said: Statement) -> Finding:
    """How old a bank is said to be it is, beside the life that is printed for it."""
    years, life = float(said.value["years"]), float(said.value["design_life_years"])  # type: ignore[index]
    so = abs(years - age_of(sight, said.about)) < 0.05 and life == DESIGN_YEARS
    return TRUE if so else false(f"{years:.1f} years, truly {age_of(sight, said.about):.1f}")


# ---- what it did ---------------------------------------------------------------------------------------------------


def runs(sight: Sight, unit: str) -> list[tuple[int, int]]:
    """Return from which second to which a unit ran on its bank alone, each time."""
    found: list[tuple[int, int]] = []
    on = (Mode.BATTERY, Mode.TESTING)
    for at, now in enumerate(sight.world.seconds):
        if now.mode(unit) in on:
            if found and found[-1][1] == at - 1:
                found[-1] = (found[-1][0], at)
            else:
                found.append((at, at))
    return found


def merged(found: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return every run, and as one those between which a unit was fed for so short that no poll met it."""
    joined: list[tuple[int, int]] = []
    for began, ended in found:
        if joined and began - joined[-1][1] <= MET_S:
            joined[-1] = (joined[-1][0], ended)
        else:
            joined.append((began, ended))
    return [*found, *joined]


def shown_to_carry(sight: Sight, said: Statement) -> Finding:
    """What a bank is said to have carried it carried: that long, and so much."""
    told = cast("ShownToCarry", said.value)
    estate = sight.played.story.estate
    test = estate.tests.get(said.about)
    if test is not None and abs((test.at - told.at).total_seconds()) < 1.0:
        so = abs(told.power_w - test.output_power_w) < 1.0 and told.for_s <= test.seconds + 1.0
        return TRUE if so else false("its test showed other figures")
    unit = unit_of(sight, said.about).id
    at_s = (told.at - sight.began(said.at_s)).total_seconds()
    for began, ended in reversed(merged(runs(sight, unit))):
        if began - READ_S <= at_s <= ended + READ_S + 5.0:
            watts = [
                sum(now.state.unit(now.plant.place_of[unit]).watts) for now in sight.world.span(began, ended)
            ]
            if told.for_s > ended - began + READ_S:
                return false(f"for {told.for_s:.0f} s, truly {ended - began} s")
            so = (1.0 - METERS) * min(watts) - 5.0 <= told.power_w <= (1.0 + METERS) * max(watts) + 5.0
            return TRUE if so else false(f"{told.power_w:.0f} W, truly {min(watts):.0f} to {max(watts):.0f}")
    return false(f"at {at_s:.0f} s it did not carry")


def claims(sight: Sight, said: Statement) -> Finding:
    """How a card's minutes stand beside what was there: no more discharges than there were, and about that ratio."""
    told = cast("CardClaims", said.value)
    unit = unit_of(sight, said.about)
    mine = [run for run in runs(sight, unit.id) if run[0] <= said.until_s]
    if told.count > len(mine) + (said.about in sight.played.story.estate.tests):
        return false(f"{told.count} discharges, truly {len(mine)}")
    if told.ratio is None or not mine or made_worse(sight, said.about, said.until_s):
        return UNDECIDED if told.ratio is not None else TRUE
    if sight.played.story.lies.get(f"{unit.id}-card"):
        return UNDECIDED
    ratios = []
    for began, _ in mine:
        state = sight.world.at(began).state.unit(sight.world.at(began).plant.place_of[unit.id])
        output_w = sum(state.watts)
        charge = np.array([voice.card_charge(unit, state.bank.drawn_ah)])
        claimed_s = 60.0 * float(voice.card_minutes(unit, charge, np.array([output_w]))[0])
        given_s = runtime_s(unit.bank, state.bank, output_w + unit.loss_w(output_w), step_s=2.0)
        ratios.append(claimed_s / max(given_s, 1.0))
    so = min(ratios) / 1.35 - 0.1 <= told.ratio <= 1.35 * max(ratios) + 0.1
    return TRUE if so else false(f"{told.ratio:.2f} times, truly {min(ratios):.2f} to {max(ratios):.2f}")


# ---- what is wrong with it -----------------------------------------------------------------------------------------


def gave_up(sight: Sight, bank: str, at_s: float) -> bool:
    """Return whether a bank dropped its load, or a test of it, by a second."""
    unit = unit_of(sight, bank).id
    before: Mode | None = None
    for now in sight.world.span(0.0, at_s):
        mode = now.mode(unit)
        if before in (Mode.BATTERY, Mode.TESTING) and mode is Mode.ENDED:
            return True
        before = mode
    tests = [c.at_s for c in sight.played.story.cues if getattr(c.event, "unit", None) == unit]
    return bool(tests) and any(  # a test that ended before anybody ended it
        ended not in {int(t) + off for t in tests for off in (-1, 0, 1)} and sight.world.at(began).mode(unit) is Mode.TESTING
        for began, ended in runs(sight, unit)
    )  # fmt: skip


def does_not_carry(sight: Sight, said: Statement) -> Finding:
    """A bank of which that is said dropped a load, has a link that parted, or cells that are weak."""
    if not said.value or made_worse(sight, said.about, said.until_s):
        return TRUE
    return (
        TRUE
        if gave_up(sight, said.about, said.until_s)
        else false("it is sound, and carried what it was asked")
    )


def failed(sight: Sight, said: Statement) -> Finding:
    """A bank that is said to have failed its load did."""
    return TRUE if gave_up(sight, said.about, said.until_s) else false("it carried its load to the end")


def parted(sight: Sight, said: Statement) -> Finding:
    """A string that is suspected to be open stands in a bank whose link parts, or whose cells are weak: no other falls so."""
    return TRUE if made_worse(sight, said.about, said.until_s) else false("all its cells are sound")


def fell(sight: Sight, said: Statement) -> Finding:
    """Capacity that is said to have fallen between two tests fell, by the plant's own wear, in some part of what is said."""
    if made_worse(sight, said.about, said.until_s):
        return TRUE
    test = sight.played.story.estate.tests.get(said.about)
    earlier, later = float(said.value["earlier"]), float(said.value["later"])  # type: ignore[index]
    if test is None:
        return false("no test of it is on record")
    years_ago = (sight.played.story.estate.now - test.at).days / DAYS_A_YEAR
    age = age_of(sight, said.about)
    then, now = wear_of(sight, said.about, age - years_ago).capacity, wear_of(sight, said.about, age).capacity
    if (earlier - later) <= GROSS * (then - now) + 2.0 * POINTS + 0.05:
        return TRUE
    return false(f"from {100 * earlier:.0f} to {100 * later:.0f} %, truly by {100 * (then - now):.0f} points")


def sound(why: str) -> Callable[[Sight, Statement], Finding]:
    """Return a predicate of what no sound bank of the simulation shows."""

    def predicate(sight: Sight, said: Statement) -> Finding:
        if not said.value or made_worse(sight, said.about, said.until_s):
            return TRUE
        return false(why)

    return predicate


def suspect(sight: Sight, said: Statement) -> Finding:
    """A bank that is suspected has weak cells, an open link, or wears so fast that its capacity fell."""
    if not said.value or made_worse(sight, said.about, said.until_s):
        return TRUE
    age = age_of(sight, said.about)
    fast = wear_of(sight, said.about, max(age - 1.0, 0.0)).capacity - wear_of(sight, said.about, age).capacity
    return TRUE if fast > 0.03 else false("all its cells are sound, and wear slowly")


def recharging(sight: Sight, said: Statement) -> Finding:
    """A bank that is said to recharge has carried before."""
    unit = unit_of(sight, said.about).id
    return (
        TRUE
        if any(now.mode(unit) in ON for now in sight.world.span(0.0, said.at_s))
        else false("it did not carry")
    )


def judged_today(sight: Sight, said: Statement) -> Finding:
    """A discharge that is said to be new was one."""
    unit = unit_of(sight, said.about).id
    day = cast("date", said.value["day"])  # type: ignore[index]
    now = sight.played.story.estate.now
    if not runs(sight, unit):
        return false("it did not carry")
    return TRUE if abs((day - now.date()).days) <= 1 else false(f"of {day}, truly {now:%Y-%m-%d}")


def wrong_of(_sight: Sight, said: Statement) -> Finding:
    """Something is found of a bank, each finding a statement of its own."""
    return TRUE if said.value["findings"] else false("it names none")  # type: ignore[index]


def alarm_too_small(sight: Sight, said: Statement) -> Finding:
    """New blocks of its type would not give what is asked of it, or was until the delay in which an alarm ends."""
    if not said.value:
        return TRUE
    found = UNDECIDED
    for at_s in (said.until_s, max(said.until_s - ENDS_S, said.at_s)):
        asked = asked_of(sight, said.about, at_s)
        if asked is not None and found is not TRUE:
            found = new_gives_less(sight, said.about, *asked)
    return found


def promises_wrong(sight: Sight, said: Statement) -> Finding:
    """How often a card promised, and called a bank sound that failed; its ratio is that of `claims`."""
    unit = unit_of(sight, said.about).id
    mine = len([run for run in runs(sight, unit) if run[0] <= said.until_s])
    before = said.about in sight.played.story.estate.tests
    if int(said.value["discharges"]) > mine + before:  # type: ignore[index]
        return false(f"{said.value['discharges']} discharges, truly {mine + before}")  # type: ignore[index]
    if int(said.value["missed"]) and not gave_up(sight, said.about, said.until_s):  # type: ignore[index]
        return false("the bank did not fail")
    return TRUE
