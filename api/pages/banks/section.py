"""Question 4: which bank fails next, as rows for the estate and as rivers for one system."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from api.pages.banks.capacity_river import River, Years, river, row, span_of
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.frame import address_of, question, slug
from collector.read_model.sheet import Sheet
from collector.read_model.wall_clock import WallClock
from rules.battery.model.ageing import END_OF_LIFE
from rules.battery.state import BankState, best_judged
from rules.phrasing.dates import about_day, years_words
from rules.phrasing.dates import due_words as due_words_of
from rules.phrasing.figures import CANNOT_TELL, capital, interval, whole_percent
from rules.plant.estate import FittedBank, in_place
from rules.values.verdict import Basis


def today_of(sheet: Sheet) -> date:
    """Return the sheet's day."""
    return sheet.now.date()


def fitted(sheet: Sheet, bank: str) -> FittedBank | None:
    """Return the blocks in a bank's place today."""
    found = sheet.estate.banks.get(bank)
    return in_place(found.fitted, today_of(sheet)) if found else None


def installed(sheet: Sheet, bank: str) -> date | None:
    """Return since when the blocks in a bank's place are there."""
    blocks = fitted(sheet, bank)
    return blocks.from_day if blocks else None


def name_of(sheet: Sheet, bank: str) -> str:
    """Return how a bank is named among those of all systems."""
    found = sheet.estate.banks.get(bank)
    owners = [sheet.estate.units[u].system for u in found.feeds if u in sheet.estate.units] if found else []
    return f"{sheet.estate.systems[owners[0]].name}, bank {bank}" if owners else f"Bank {bank}"


def short_name(sheet: Sheet, bank: str) -> str:
    """Return a bank's name in a narrow column: with its system where its id is a mere number."""
    return name_of(sheet, bank) if len(bank) <= 3 else capital(bank)


def owner_words(sheet: Sheet, bank: str) -> str:
    """Return a bank's system, where `short_name` leaves it out."""
    return "" if len(bank) <= 3 else f"{name_of(sheet, bank).rsplit(', bank ', 1)[0]}. "


def first_to_fail(states: Sequence[BankState]) -> list[BankState]:
    """Return banks by the day to have replaced them by; those nothing can be said of come last, not first."""
    return sorted(states, key=lambda s: (s.dates.replace_by is None, s.dates.replace_by or date.max))


def axis(sheet: Sheet, states: Sequence[BankState], *, ahead: bool = False) -> Years:
    """Return the years that some banks share; `ahead` with six years of what is to be expected."""
    to = today_of(sheet) + timedelta(days=6 * 366) if ahead else None
    days = [
        d for s in states for d in span_of(s, installed(sheet, s.id), sheet.forecasts.get(s.id, ()), to=to)
    ]
    return Years.around(today_of(sheet), days)


def overview(sheet: Sheet) -> Element:
    """Return question 4 for the whole estate."""
    states = first_to_fail(sheet.banks)
    years, today = axis(sheet, states), today_of(sheet)
    rows = [
        el(
            "div",
            el(
                "div",
                el("b", el("a", short_name(sheet, s.id), href=address_of("banks", s.id))),
                el("small", owner_words(sheet, s.id), capacity_words(s, gives=gives(sheet, s.id))),
                class_="who",
            ),
            row(s, installed(sheet, s.id), sheet.forecasts.get(s.id, ()), years, today),
            el("p", due_words(s, today), class_="act"),
            class_="bk fine" if s.dates.order_by and s.dates.order_by > today else "bk",
        )
        for s in states
    ]
    body: Nodes = (
        el("div", el("div", years.letters(), class_="axis"), rows, class_="yg")
        if rows
        else el("p", "No bank has been judged yet.", class_="say")
    )
    return question(
        4,
        "Which bank fails next",
        _legend(states),
        el("div", body, id="q4-rows", live=True),
    )


def _legend(states: Sequence[BankState]) -> str | None:
    """Return what the marks of the drawings mean, of those that are drawn; None for none."""
    said = []
    if any(d.capacity_fraction is not None for s in states for d in s.discharges):
        said.append("Dots are discharges that were judged.")
    if any(s.dates.replace_by is not None for s in states):
        said.append(
            "The box is when it will no longer be enough, with 90 % certainty; the flag, by when to have replaced it."
        )
    return " ".join(said) or None


def gives(sheet: Sheet, bank: str) -> bool:
    """Return whether a bank is giving and how long it still does is told: its discharge is being judged as it runs."""
    system = sheet.estate.units[sheet.estate.banks[bank].feeds[0]].system
    state = next((one for one in sheet.systems if one.id == system), None)
    return state is not None and state.on_battery is not None and state.on_battery.ends_earliest is not None


def capacity_words(state: BankState, *, gives: bool = False) -> str:
    """Return a bank's capacity with its interval, or that nothing was seen of it: what its age alone suggests is none.

    `gives`: it is on its first discharge, which tells already how long it holds.
    """
    if state.unproven and gives:
        return "unproven until now: its first discharge is being judged"
    if state.unproven:
        return f"unproven: {too_little(state)}"
    if state.capacity.fraction is None:
        return CANNOT_TELL
    words = interval(state.capacity.fraction, state.capacity.low, state.capacity.high)
    return words if state.capacity.basis is Basis.TESTED else f"{words}, reckoned by age"


def too_little(state: BankState) -> str:
    """Return, as a clause, that what was seen of an unproven bank does not tell its capacity, and how little it tells."""
    best = best_judged(state.discharges)
    if best is None or best.low is None or best.high is None:
        return "no discharge of it tells enough yet"
    between = f"{whole_percent(best.low)} to {whole_percent(best.high)} %"
    return (
        f"no discharge of it tells enough yet; the best, of {WallClock.day(best.at.date())}, says {between}"
    )


def due_words(state: BankState, today: date) -> list[Nodes]:
    """Return by when a bank is to be replaced and ordered, or why that cannot be told."""
    by, order = state.dates.replace_by, state.dates.order_by
    if by is None:
        why = "no judged discharge; test it" if not state.discharges else "no trend can be told yet"
        return [el("b", CANNOT_TELL), age_words(state) or why]
    if by <= today:
        fraction = state.capacity.fraction
        below = (
            "below 80 % already"
            if fraction is not None and fraction < END_OF_LIFE
            else f"since {date_words(state, by, today)}"
        )
        larger = "; a larger one: too small even new" if state.too_small else ""
        return [el("b", "Overdue: order now", class_="short-ink"), below + larger]
    ordering = (
        ""
        if order is None
        else ("order now" if order <= today else f"order by {date_words(state, order, today)}")
    )
    if state.too_small:
        worn = el(
            "b",
            f"Worn {due_words_of(state.dates, today)}",
            class_="short-ink" if order and order <= today else None,
        )
        return [worn, f"{ordering}; too small even new: a larger one".removeprefix("; ")]
    return [
        el("b", due_words_of(state.dates, today), class_="short-ink" if order and order <= today else None),
        ordering,
    ]


def date_words(state: BankState, day: date, today: date) -> str:
    """Return one of a bank's days no finer than its end is known; within a year the month at the least."""
    return about_day(day, state.dates.ends_early, state.dates.ends_late, today)


def enough_until(state: BankState, foreseen: str, today: date) -> str:
    """Return until about when a bank gives what is asked of it; no date of its wear where it does not today."""
    if state.too_small:
        return "not even new: it is too small for what is asked"
    fraction, asked = state.capacity.fraction, state.asked_fraction
    end = state.dates.expected_end
    short = fraction is not None and asked is not None and fraction < asked
    return "it is not enough today" if short and end is not None and end > today else foreseen


def age_words(state: BankState) -> str:
    """Return what a bank's age alone suggests of its end; empty where it says nothing."""
    years = age_years(state)
    return f"by its age alone {years}; test it" if years else ""


def age_years(state: BankState) -> str:
    """Return the years in which a bank ends by its age alone; empty where that says nothing."""
    span = state.dates.by_age_alone
    return "" if span is None else years_words(span.from_day, span.to_day)


def due_sentence(state: BankState, today: date) -> Nodes:
    """Return by when a bank is to be replaced, as a sentence; None where that cannot be told."""
    by = state.dates.replace_by
    if by is None:
        span = state.dates.by_age_alone
        return (
            f"By its age alone it comes to its end {years_words(span.from_day, span.to_day)}."
            if span
            else None
        )
    words = due_words(state, today)[0]
    if state.too_small:
        return ["Too small for what is asked even new: renew it with a larger one. ", words, "."]
    return [words, "."] if by <= today else ["Replace it ", words, "."]


def in_depth(sheet: Sheet, system: str) -> Element | None:
    """Return question 4 for one system, a river a bank; None where no bank of it has a state yet."""
    states = first_to_fail([s for b in sheet.estate.banks_of_system(system) if (s := sheet.bank(b.id))])
    if not states:
        return None
    years = axis(sheet, states, ahead=True)
    rivers: list[Nodes] = []
    for state in states:
        since = installed(sheet, state.id)
        told = f"installed {since:%b %Y}: " if since else ""
        heading = el(
            "h3",
            el("a", f"Bank {state.id}", href=address_of("banks", state.id)),
            el(
                "small",
                told,
                f"{capacity_words(state, gives=gives(sheet, state.id))}. ",
                due_sentence(state, today_of(sheet)),
            ),
        )
        picture = River(state, sheet.forecasts.get(state.id, ()), years, today_of(sheet), since)
        rivers += [heading, river(picture)]
    return question(
        4,
        "Which bank fails next",
        "Capacity, per cent of rated at 25 °C. Dots are judged discharges with their 90 % interval.",
        el("div", years.letters(), rivers, class_="rivers", id=f"q4-{slug(system)}", live=True),
    )
