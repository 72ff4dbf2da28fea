"""Reads one card for `ridethrough probe`: what it holds, what it gets wrong, and what to write for it.

The report is a value; how it looks as text or JSON is the command line's business.
"""

from __future__ import annotations

import asyncio
import json
import uuid
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from collector.cards.corrections.knowledge import CardKnowledge
from collector.cards.corrections.sample import NOTHING_DECLARED, Declared
from collector.cards.mib.correction_set import CorrectionSet
from collector.cards.mib.upsmib import BY_NAME, Conformance, TablePart
from collector.cards.mib.wire_values import ReadCost, WireState
from collector.cards.polling.reader import CardReader
from collector.cards.snmp.client import Patience
from collector.cards.snmp.credentials import Credentials
from collector.cards.snmp.target import CardTarget
from collector.cards.snmp.transport import Transport
from rules.plant.reading import Reading, Stamp

ALL_PARTS: Final = frozenset(TablePart)
_MOST_LINES: Final = 3
_MOST_TEXT: Final = 200
"""What the estate file takes of lines and of characters."""


@dataclass(frozen=True, slots=True)
class ProbeReport:
    """One card, read.

    `supported` and `missing` are object names. `conformance` is the highest statement of RFC 1628 whose
    objects the card all holds, None if not even the subset's. `notes` are sentences for people.
    `estate_entry` is TOML to paste: it names the secret to be made, and never holds one.
    """

    target: str
    snmp_version: str
    reading: Reading
    supported: tuple[str, ...]
    missing: tuple[str, ...]
    conformance: Conformance | None
    corrections: CorrectionSet
    notes: tuple[str, ...]
    estate_entry: str
    cost: ReadCost
    varbinds_per_request: int


async def probe(
    target: CardTarget,
    credentials: Credentials,
    *,
    patience: Patience | None = None,
    secret: str | None = None,
    declared: Declared = NOTHING_DECLARED,
    polls: int = 6,
    every_s: float = 0.5,
) -> ProbeReport:
    """Read one card whole, then its live part some more times, since one sample decides little.

    `secret` names the secret in the entry to paste. `declared` is what is known of the equipment.

    Raises SnmpError (see `collector.cards.snmp.errors`) where it cannot be reached or read.
    """
    async with Transport() as transport:
        reader = CardReader.of(transport, target.host, target.port, credentials, patience)
        state, known = WireState(), CardKnowledge.fresh()
        start = str(uuid.uuid4())
        read = await reader.read(ALL_PARTS)
        cost = read.cost
        for poll in range(max(1, polls)):
            if poll:
                await asyncio.sleep(every_s)
                read = await reader.read(frozenset({TablePart.LIVE}))
            now = datetime.now(UTC)
            state = state.after(read, now)
            stamp = Stamp(now, asyncio.get_running_loop().time(), start)
            reading = known.interpret("A1", stamp, state, declared)
        corrections = known.corrections
        held = {key.partition(".")[0] for key in state.values if key in BY_NAME or "." in key}
        return ProbeReport(
            target=str(target),
            snmp_version=credentials.version.value,
            reading=reading,
            supported=tuple(name for name in BY_NAME if name in held),
            missing=read.missing,
            conformance=_conformance(read.missing),
            corrections=corrections,
            notes=_notes(reading, state, read.missing),
            estate_entry=estate_entry(target, credentials, reading, secret, declared),
            cost=cost,
            varbinds_per_request=reader.size,
        )


def _conformance(missing: tuple[str, ...]) -> Conformance | None:
    """Return the compliance statement a card meets; the bypass group is only asked where there is a bypass."""
    lacks = {
        BY_NAME[name].conformance for name in missing if not BY_NAME[name].name.startswith("upsBypass")
    } - {Conformance.NONE}
    if Conformance.SUBSET in lacks:
        return None
    if Conformance.BASIC in lacks:
        return Conformance.SUBSET
    return Conformance.BASIC if Conformance.FULL in lacks else Conformance.FULL


def _notes(reading: Reading, state: WireState, missing: tuple[str, ...]) -> tuple[str, ...]:
    """Return sentences on what follows from what the card lacks."""
    notes: list[str] = []
    lacking = set(missing)
    if "upsBatteryVoltage" in lacking:
        notes.append("No battery voltage: a discharge cannot show the state of the bank.")
    if "upsBatteryCurrent" in lacking:
        notes.append("No battery current: discharges are judged by the output power instead.")
    if "upsBatteryTemperature" in lacking:
        notes.append("No battery temperature: the bank's room temperature is taken from the estate file.")
    if "upsOutputPower" in lacking:
        notes.append("No output power: load, redundancy and hold-up cannot be told from this card.")
    if {"upsConfigOutputVA", "upsConfigOutputPower"} & lacking or reading.nameplate.rating_w is None:
        notes.append("No full rating: read it from the cabinet's plate and write it into the estate file.")
    if reading.bypass is None:
        notes.append("No bypass shown: the unit may have none, or the card does not tell.")
    if state.types:
        notes.append(f"{len(state.types)} values come in a type that the standard does not give them.")
    return tuple(notes)


def _quoted(text: str) -> str:
    """Return a TOML basic string; JSON's escapes are a part of TOML's."""
    return json.dumps(text, ensure_ascii=True)


def _whole(value: float | None) -> str:
    return "0  # not told by the card: read it from the plate" if value is None else f"{value:.0f}"


def estate_entry(
    target: CardTarget,
    credentials: Credentials,
    reading: Reading,
    secret: str | None,
    declared: Declared = NOTHING_DECLARED,
) -> str:
    """Return what to paste into the estate file for this card; what it cannot tell stands there to be filled in."""
    plate = reading.nameplate
    model = " ".join(filter(None, (plate.manufacturer, plate.model))) or "model as on the plate"
    lines = len(reading.output.lines)
    parts = [
        "[[unit]]",
        'id = "A1"  # the position on the bypass panel',
        'system = "A"',
        f"output_lines = {min(lines, _MOST_LINES) or _MOST_LINES}",
        "",
        "[[unit.fitted]]",
        f"from = {reading.at.date().isoformat()}  # the day it was put there",
        f"model = {_quoted(model[:_MOST_TEXT])}",
        f"rating_va = {_whole(declared.rating_va or plate.rating_va)}",
        f"rating_w = {_whole(declared.rating_w or plate.rating_w)}",
        "",
        "[[card]]",
        'id = "card-A1"',
        f"target = {_quoted(str(target))}",
        f"secret = {_quoted(secret or 'cards')}  # a name in the secrets file",
        'covers = ["A1"]',
    ]
    if credentials.version.value == "1":
        parts.append('snmp_version = "1"')
    return "\n".join(parts) + "\n"


def starter(report: ProbeReport) -> str:
    """Return a whole estate file for the one card that was read: `check` finds it in order once it has its secrets."""
    return f"""\
# An estate file to begin with, from what one card says. Change the names, add what else there is, and run
# `ridethrough check` on it. The card's community or user stands in secrets.toml beside it, mode 0600.

[[site]]
id = "site"
name = "Site"  # the name people use
time_zone = "UTC"  # of the clock on its wall, as Europe/London

[[supply]]
id = "mains-1"
site = "site"

[[system]]
id = "A"
site = "site"
supply = "mains-1"
spare_units = 0  # 1 for N+1, once the other units stand here

{report.estate_entry}
# Without its bank the hold-up cannot be told. Figures from the plate of the blocks, and the maker's table:
# [[bank]]
# id = "bank-A1"
# feeds = ["A1"]
# cells_in_series = 240  # 40 blocks of 12 V
# [[bank.fitted]]
# from = 2024-05-31  # the day they were put in
# type = "as on the blocks"
# blocks = 40
# rated_capacity_ah = 9.0
# rated_hours = 20
# constant_power = [[5, 66.0], [10, 43.0], [15, 33.0], [30, 19.5]]  # minutes, watts per cell, at the end voltage

# What keeps the watch itself alive: a system's id, or "mains".
# [watch]
# box_fed_by = "A"
# switches_fed_by = "A"
# way_out_fed_by = "mains"

[secrets]
file = "secrets.toml"
"""
