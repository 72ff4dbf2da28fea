"""Of one unit's sheet what is about its card: what was doubted and corrected, how it answers, what it claims.

A card's own minutes and per cent stand at the end, under what they are.
"""

from __future__ import annotations

from collections.abc import Set as AbstractSet
from typing import Final

from api.pages.hold_up.unit_tracks import read_trace
from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.format import since
from api.pages.markup.frame import question
from collector.read_model.sheet import CardHealth, Sheet, ShownStarts, ShownUnit
from rules.alarms.catalogue import CARD_ALARMS
from rules.phrasing.figures import capital, clause, count, listed, plural, stopwatch
from rules.plant.estate import Unit
from rules.plant.reading import Reading
from rules.plant.unread import Unread

LATE: Final = {
    Unread.NOT_ASKED: "was not asked in time: ridethrough is late, what follows is old.",
    Unread.NOT_JUDGED: "is waiting: ridethrough is late with judging what its card says, what follows is old.",
    Unread.CANNOT_BE_JUDGED: "cannot be judged: a fault in ridethrough itself.",
}
"""What is said of a unit whose last reading is too old, where that is no fault of its card."""


# RFC 1628: the object a doubt names, and the row of this sheet it belongs to.
OBJECTS: Final = {
    "upsBatteryVoltage": "bank voltage",
    "upsBatteryCurrent": "bank current",
    "upsBatteryTemperature": "bank temperature",
    "upsBatteryStatus": "battery status",
    "upsSecondsOnBattery": "on battery for",
    "upsEstimatedMinutesRemaining": "minutes remaining",
    "upsEstimatedChargeRemaining": "charge",
    "upsInputFrequency": "input frequency",
    "upsInputVoltage": "input voltage",
    "upsInputCurrent": "input current",
    "upsInputTruePower": "input power",
    "upsOutputSource": "output source",
    "upsOutputFrequency": "output frequency",
    "upsOutputVoltage": "output voltage",
    "upsOutputCurrent": "output current",
    "upsOutputPower": "output power",
    "upsOutputPercentLoad": "output load",
    "upsBypassFrequency": "bypass frequency",
    "upsBypassVoltage": "bypass voltage",
    "upsBypassCurrent": "bypass current",
    "upsBypassPower": "bypass power",
    "upsConfigInputVoltage": "nominal input voltage",
    "upsConfigInputFreq": "nominal input frequency",
    "upsConfigOutputVoltage": "nominal output voltage",
    "upsConfigOutputFreq": "nominal output frequency",
    "upsConfigOutputVA": "rating in VA",
    "upsConfigOutputPower": "rating in W",
    "upsConfigLowBattTime": "low-battery warning",
    "upsConfigLowVoltageTransferPoint": "lowest input voltage it takes",
    "upsConfigHighVoltageTransferPoint": "highest input voltage it takes",
    "upsInputLineBads": "times the mains was bad",
    "upsIdentManufacturer": "maker",
    "upsIdentModel": "model",
    "upsIdentName": "name",
    "upsIdentUPSSoftwareVersion": "software of the unit",
    "upsIdentAgentSoftwareVersion": "software of the card",
    "upsIdentAttachedDevices": "what is connected",
    "upsTestResultsSummary": "result of the last test",
    "upsTestResultsDetail": "detail of the last test",
    "upsAlarmsPresent": "alarms of the card",
}


def doubts_section(reading: Reading) -> Element:
    """Return what is doubted and corrected of the card's words, and why."""
    rows = [
        el(
            "tr",
            el("th", OBJECTS.get(d.object, d.object), f" L{d.line}" if d.line else "", scope="row"),
            el("td", "nothing" if d.raw is None else str(d.raw), class_="num", data_label="on the wire"),
            el(
                "td",
                "not known" if d.used is None else f"{d.used:g}" if isinstance(d.used, float) else d.used,
                class_="num none" if d.used is None else "num",
                data_label="taken as",
            ),
            el("td", capital(d.reason), title=d.object),
        )
        for d in reading.doubts
    ]
    parts: list[Nodes] = []
    if rows:
        names = ("what", "on the wire", "taken as", "why")
        head = el(
            "tr", [el("th", n, class_="num" if 0 < i < 3 else None, scope="col") for i, n in enumerate(names)]
        )
        parts.append(
            el("div", el("table", el("thead", head), el("tbody", rows), class_="tight doubts"), class_="tw")
        )
    else:
        parts.append(el("p", "Nothing it said was doubted.", class_="say"))
    if reading.missing:
        shown = [OBJECTS.get(name, name) for name in reading.missing]
        parts.append(el("p", f"Never given by this card: {', '.join(shown)}.", class_="rest"))
    if reading.card_alarms:
        said = [_card_says(name) for name in reading.card_alarms]
        parts.append(el("p", f"By its card, the unit {listed(said)}.", class_="rest"))
    return question(
        None,
        "What was doubted",
        "A value is taken as it came, corrected with the reason, or not known.",
        el("div", parts, id="doubts", live=True),
    )


def card_section(sheet: Sheet, unit: Unit, view: ShownUnit) -> Element | None:
    """Return how the card answers and what was learnt of it, None where none is declared."""
    declared, card = sheet.estate.card_of(unit.id), view.card
    if declared is None:
        return question(
            None, "How its card answers", None, el("p", "No card speaks for this unit.", class_="say")
        )
    parts: list[Nodes] = [el("p", _health(declared.id, len(declared.covers), card), class_="prose")]
    if view.reads:
        parts.append(read_trace(view.reads, sheet.now))
        failed = [read for read in view.reads if read.why]
        if failed:
            parts.append(
                el(
                    "p",
                    "Last failure, ",
                    since(failed[-1].at, sheet.now),
                    f" ago: {failed[-1].why}",
                    class_="rest",
                )
            )
    if view.learnt is not None:
        doubted = () if view.reading is None else view.reading.doubts
        parts += _learnt(view.learnt, {(doubt.object, doubt.reason) for doubt in doubted})
    if card is not None:
        parts += [el("p", note, class_="rest") for note in card.notes]
    return question(
        None,
        "How its card answers",
        "An upright is a request, its height the time to the answer. A hollow mark had none.",
        el("div", parts, id="card", live=True),
    )


def _card_says(name: str) -> str:
    """Return a card's own alarm in the catalogue's words; one that only its maker can name, by its name."""
    known = CARD_ALARMS.get(name)
    return f"reports {name}" if known is None else known.says


def _learnt(learnt: ShownStarts, doubted: AbstractSet[tuple[str, str]]) -> list[Nodes]:
    """Return what was learnt about a card, a sentence each; nothing where it keeps to the standard.

    `doubted`: objects with the reasons that stand among what was doubted: of these it is said how it is known alone.
    """
    said = [] if learnt.stale is None else [f"{capital(learnt.stale)}: nothing live of it counts now."]
    for one in learnt.objects:
        samples = f"by {plural(one.evidence, 'sample')}" if one.evidence else "not sampled yet"
        by = "stated in the estate file" if one.declared else samples
        times = f", times {one.factor:g}" if one.factor != 1.0 else ""
        why = f"as above, {by}" if (one.object, one.reason) in doubted else f"{one.reason} ({by})"
        said.append(f"{capital(OBJECTS.get(one.object, one.object))}{times}: {why}.")
    said += [f"The unit has no {line.group} line {line.line}." for line in learnt.absent_lines]
    if not said:
        return []
    rows = [el("li", sentence) for sentence in said]
    return [el("p", "Learnt about this card:", class_="prose"), el("ul", rows, class_="rest")]


def _health(name: str, covers: int, card: CardHealth | None) -> str:
    said = [capital(name) if name.lower().startswith("card") else f"Card {name}"]
    if covers > 1:
        said[0] += f", which speaks for {plural(covers, 'unit')}"
    if card is None:
        return f"{said[0]}: how it keeps up is not known."
    if card.answering is False:
        said.append("does not answer")
    elif card.answer_s is not None:
        said.append(f"answers in {_briefly(card.answer_s)}")
    elif card.answering:
        said.append("answers")
    if card.poll_s is not None:
        said.append(f"asked every {card.poll_s:g} s")
    if card.reads is not None and card.unanswered is not None:
        said.append(f"{card.unanswered} of {card.reads} requests unanswered so far")
    if card.restarts:
        said.append(f"started afresh {plural_times(card.restarts)} so far")
    if card.note:
        said.append(clause(card.note))
    return ", ".join(said) + "."


def _briefly(seconds: float) -> str:
    return f"{seconds:.2f} s" if seconds >= 0.1 else f"{max(seconds * 1000.0, 1.0):.0f} ms"


def plural_times(number: int) -> str:
    """Return "once", "twice", "three times"."""
    return {1: "once", 2: "twice"}.get(number, f"{count(number)} times")


def claims_section(reading: Reading) -> Element:
    """Return the card's own minutes and per cent, which nothing is judged by."""
    b, plate = reading.battery, reading.nameplate
    rows = [
        ("minutes remaining", None if b.card_runtime_s is None else f"{b.card_runtime_s / 60:.0f} min"),
        ("charge", None if b.charge_pct is None else f"{b.charge_pct:.0f} %"),
        ("maker", plate.manufacturer),
        ("model", plate.model),
        ("software of the unit", plate.ups_software),
        ("software of the card", plate.agent_software),
        (
            "rating",
            None
            if plate.rating_va is None
            else f"{plate.rating_va / 1000:g} kVA"
            + (f", {plate.rating_w / 1000:g} kW" if plate.rating_w else ""),
        ),
        (
            "low-battery warning at",
            None if plate.low_battery_time_s is None else stopwatch(plate.low_battery_time_s),
        ),
    ]
    body = [
        el("tr", el("th", name, scope="row"), el("td", text or "not given", class_=None if text else "none"))
        for name, text in rows
    ]
    table = el("div", el("table", el("tbody", body), class_="tight claims"), class_="tw")
    return question(
        None,
        "What the card claims",
        "Shown as it says it. No verdict rests on any of this.",
        el("div", table, id="claims", live=True),
    )
