"""What a verdict rests on: the plant as it stands, the load that was read, and evidence by its grade."""

from __future__ import annotations

from collections.abc import Sequence

from api.pages.hold_up.sentences import Judged
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.frame import question
from api.pages.markup.marks import evidence
from collector.read_model.sheet import Sheet
from rules.battery.state import WouldTell
from rules.phrasing.figures import capital, kilo, minutes, plural, whole_percent
from rules.phrasing.reasons import say
from rules.plant.estate import in_place
from rules.values.verdict import Basis


def installed_words(sheet: Sheet, subject: Judged) -> str:
    """Return what cabinets stand in a system's positions today, "3 × 20 kVA, 16 kW each"."""
    day = sheet.now.date()
    fitted = [f for unit in sheet.estate.units_of(subject.state.id) if (f := in_place(unit.fitted, day))]
    kinds = {
        (f.rating_va, f.rating_w): sum((g.rating_va, g.rating_w) == (f.rating_va, f.rating_w) for g in fitted)
        for f in fitted
    }
    if not kinds:
        return plural(subject.units, "unit")
    said = [
        f"{n} × {va / 1000:g} kVA, {w / 1000:g} kW{' each' if n > 1 else ''}" for (va, w), n in kinds.items()
    ]
    return " and ".join(said)


def load_words(sheet: Sheet, subject: Judged) -> Nodes:
    """Return the load now, or the last that was read and when, never presented as present."""
    state = subject.state
    if state.load.power_w is not None:
        return f"{kilo(state.load.power_w)} kW now"
    read = [
        (view.reading.output.power_w, view.reading.at)
        for unit in sheet.estate.units_of(state.id)
        if (view := sheet.unit(unit.id)) and view.reading and view.reading.output.power_w is not None
    ]
    if not read:
        return el("span", "load not known", class_="val")
    if len(read) < subject.units:
        return el("span", f"{len(read)} of {subject.units} units read", class_="val")
    latest = min(at for _, at in read)
    total = sum(power or 0.0 for power, _ in read)
    return el("span", f"{kilo(total)} kW at {subject.clock.at(latest)}", class_="val")


def rests(sheet: Sheet, subject: Judged) -> Nodes:
    """Return what a verdict rests on, with its grade, and what stands beside it."""
    held = subject.state.hold_up
    parts: list[Nodes] = []
    grounds = grounds_of(sheet, subject)
    if grounds:
        parts.append(grounds[0])
    decisive = subject.decisive
    if decisive and decisive.because and subject.standing not in {"holds", "battery"}:
        parts.append([" ", " ".join(stopped(say(one)) for one in decisive.because)])
    ends = held.at_end_of_life
    if ends.all.low_s is not None and subject.needed_s is not None and subject.proven:
        lows = [ends.all.low_s] + (
            [ends.one_unit_lost.low_s] if ends.one_unit_lost.low_s is not None and subject.units > 1 else []
        )
        today = [held.now.low_s] + ([held.one_unit_lost.low_s] if len(lows) > 1 else [])
        short_today = any(low is not None and low < subject.needed_s for low in today)
        enough = (
            "still enough"
            if min(lows) >= subject.needed_s
            else "not enough then either"
            if short_today
            else "no longer enough"
        )
        with_lost = f" and {minutes(lows[1], favours=True)} with a unit lost" if len(lows) > 1 else ""
        parts.append(
            f" With every bank at its end of life and cold: {minutes(lows[0], favours=True)} min{with_lost}, {enough}."
        )
        if held.now.low_s is not None and ends.all.low_s > held.now.low_s:
            parts.append(
                " That is longer than the least now, which counts what is not known of the banks, and what they have not back yet."
            )
    return parts


def grounds_of(sheet: Sheet, subject: Judged) -> list[list[Nodes]]:
    """Return what a hold-up rests on, best first, each after its grade."""
    found: list[list[Nodes]] = []
    banks = [
        state for bank in sheet.estate.banks_of_system(subject.state.id) if (state := sheet.bank(bank.id))
    ]
    basis = subject.state.hold_up.now.basis
    if basis is Basis.TESTED:
        seen = [(d.at, d) for bank in banks for d in bank.discharges if d.capacity_fraction is not None]
        if seen:
            latest = max(seen, key=lambda pair: pair[0])[1]
            deep = (
                f", {whole_percent(latest.depth_fraction)} % deep"
                if latest.depth_fraction is not None
                else ""
            )
            days = len({d.at.date() for _, d in seen})
            found.append(
                [
                    evidence(
                        "seen",
                        f"{plural(days, 'judged discharge')}, the last on {subject.clock.on(latest.at)}{deep}.",
                    )
                ]
            )
        else:
            found.append([evidence("seen", "the banks were seen to discharge.")])
    elif basis is Basis.TABLE:
        found.append(
            [
                evidence(
                    "reckoned",
                    "from the maker’s constant-power table and the banks’ age; no discharge tells enough yet.",
                )
            ]
        )
    elif basis is Basis.GENERIC:
        found.append(
            [
                evidence(
                    "reckoned",
                    "from a typical table and the banks’ age; the maker’s own is not in the estate file.",
                )
            ]
        )
    claim = _claim(sheet, subject)
    if claim:
        found.append([evidence("claimed", claim)])
    return found


def _claim(sheet: Sheet, subject: Judged) -> str | None:
    claims = [
        view.reading.battery.card_runtime_s
        for unit in sheet.estate.units_of(subject.state.id)
        if (view := sheet.unit(unit.id)) and view.reading and view.reading.battery.card_runtime_s is not None
    ]
    if not claims:
        return None
    said = sorted({f"{c / 60:.0f}" for c in claims}, key=float)
    figure = said[0] if len(said) == 1 else f"{said[0]} to {said[-1]}"
    return f"{figure} min by the {'card' if len(claims) == 1 else 'cards'}; a card’s own minutes are used for nothing."


def what_would_tell(steps: Sequence[WouldTell], id_: str) -> Element | None:
    """Return what would tell where something cannot be told, the least effort first, each with what it buys."""
    if not steps:
        return None
    rows = [el("li", el("b", stopped(say(step.step))), " ", stopped(say(step.buys))) for step in steps]
    return question(
        None,
        "What would tell",
        "The least effort first.",
        el("ol", rows, class_="rests-on", id=f"{id_}-steps", live=True),
        id_=id_,
    )


def stopped(sentence: str) -> str:
    """Return a sentence with a large first letter and a stop."""
    return capital(sentence if sentence.endswith((".", "!", "?")) else f"{sentence}.")
