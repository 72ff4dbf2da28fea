"""The text of a first estate file, from what cards said: what they told as settings, what they cannot tell as open questions."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from rules.plant.reading import Reading

FLOAT_CELL_V: Final = (2.20, 2.30)
"""Volts a cell at which sealed banks are held, as makers give them; what lies between tells how many cells there are."""
CELLS_A_BLOCK: Final = 6
"""Of the blocks of 12 V that most cabinets hold."""
MOST_BLOCKS: Final = 60
MOST_TEXT: Final = 200
MOST_LINES: Final = 3


@dataclass(frozen=True, slots=True)
class ReadCard:
    """One card that was read. `rating_va` and `rating_w` None: it has none that holds, and none was given."""

    target: str
    reading: Reading
    rating_va: float | None
    rating_w: float | None
    snmp_version: str
    system: str

    @property
    def whole(self) -> bool:
        """Return whether all is known that a unit cannot do without."""
        return self.rating_va is not None and self.rating_w is not None

    @property
    def model(self) -> str:
        """Return the maker's name and model, as far as the card says."""
        plate = self.reading.nameplate
        said = " ".join(filter(None, (plate.manufacturer, plate.model)))
        return (said or "model as on the plate")[:MOST_TEXT]


def first_file(cards: Sequence[ReadCard], *, site: str, time_zone: str, secret: str, today: date) -> str:
    """Return an estate file for these cards. `check` finds it in order where at least one of them is `whole`."""
    systems = list(dict.fromkeys(card.system for card in cards if card.whole))
    parts = [
        "# A first estate file, from what the cards said. Each line with a question mark is to be answered by somebody who",
        "# knows the site; `ridethrough check` says what else it wants, and SETTINGS.md what there is.\n",
        f'[[site]]\nid = "site"\nname = {_quoted(site)}\ntime_zone = {_quoted(time_zone)}\n',
        "# ? Which supplies are there, and does a generator stand behind one? It is named so:\n"
        '# [[generator]]\n# id = "set-1"\n# rating_w = 100000\n\n'
        '[[supply]]\nid = "mains-1"\nsite = "site"\n# generator = "set-1"\n',
    ]
    for system in systems:
        count = sum(card.whole for card in cards if card.system == system)
        parts.append(
            f'[[system]]\nid = {_quoted(system)}\nsite = "site"\nsupply = "mains-1"\n'
            f"{_spare(count)}"
            "# ? How long must it hold, and for what? Until the generator carries, until all is shut down in order:\n"
            '# requirements = [{ id = "set", for = "generator_start" }]\n'
        )
    for number, card in enumerate(cards, 1):
        text = _unit(card, number, secret, today)
        parts.append(text if card.whole else _as_question(card, text))
    parts += [
        "# ? Who is told of what, by which way? Without people the page alone tells.\n"
        "# [[channel]] and [[person]]: see example-estate.toml\n",
        "# ? What feeds the computer this runs on, the switches to the cards, and the way out to people?\n"
        "# [watch]\n"
        f"# box_fed_by = {_quoted(systems[0] if systems else 'mains')}\n"
        f"# switches_fed_by = {_quoted(systems[0] if systems else 'mains')}\n"
        '# way_out_fed_by = "mains"\n',
        '[secrets]\nfile = "secrets.toml"\n',
    ]
    return "\n".join(parts)


def _spare(count: int) -> str:
    if count == 1:
        return "spare_units = 0\n# ? Do other units stand in parallel with this one? Then they belong to this system.\n"
    return (
        "spare_units = 1\n"
        f"# ? Do these {count} units stand in parallel, and may one of them be lost? 0 where all are needed.\n"
    )


def _unit(card: ReadCard, number: int, secret: str, today: date) -> str:
    name = f"U{number}"
    lines = min(len(card.reading.output.lines), MOST_LINES) or MOST_LINES
    version = '\nsnmp_version = "1"' if card.snmp_version == "1" else ""
    return (
        f"# ? At which position of the bypass panel does it stand? `ridethrough confirm` proves it at the cabinet.\n"
        f"[[unit]]\nid = {_quoted(name)}\nsystem = {_quoted(card.system)}\noutput_lines = {lines}\n\n"
        f"[[unit.fitted]]\nfrom = {today.isoformat()}  # ? since when\nmodel = {_quoted(card.model)}\n"
        f"rating_va = {_rating(card.rating_va)}\nrating_w = {_rating(card.rating_w)}\n\n"
        f"[[card]]\nid = {_quoted(f'card-{name}')}\ntarget = {_quoted(card.target)}\n"
        f"secret = {_quoted(secret)}\ncovers = [{_quoted(name)}]{version}\n\n"
        f"{_bank(card, name)}"
    )


def _rating(value: float | None) -> str:
    return "0" if value is None else f"{value:.0f}"


def _bank(card: ReadCard, name: str) -> str:
    volts = card.reading.battery.voltage_v
    cells = None if volts is None else cells_of(volts)
    if cells is None:
        said, cells_text = "", "cells_in_series = 240  # 40 blocks of 12 V"
    else:
        said = f" Its {volts:.0f} V say {cells} cells, which is {cells // CELLS_A_BLOCK} blocks of 12 V, if it is held full."
        cells_text = f"cells_in_series = {cells}"
    return (
        f"# ? What stands in its bank, since when?{said} Without it the hold-up cannot be told.\n"
        f"# [[bank]]\n# id = {_quoted(f'bank-{name}')}\n# feeds = [{_quoted(name)}]\n# {cells_text}\n"
        '# [[bank.fitted]]\n# from = 2024-05-31\n# type = "as on the blocks"\n# blocks = '
        f"{(cells or 240) // CELLS_A_BLOCK}\n"
        "# rated_capacity_ah = 9.0\n# rated_hours = 20\n"
    )


def cells_of(volts: float) -> int | None:
    """Return how many cells a bank at rest has, in whole blocks, None where its voltage does not tell."""
    fits = [
        n
        for n in range(1, MOST_BLOCKS + 1)
        if FLOAT_CELL_V[0] <= volts / (n * CELLS_A_BLOCK) <= FLOAT_CELL_V[1]
    ]
    middle_v = sum(FLOAT_CELL_V) / 2
    nearest = min(fits, key=lambda n: abs(volts / (n * CELLS_A_BLOCK) - middle_v), default=None)
    return None if nearest is None else nearest * CELLS_A_BLOCK


def _as_question(card: ReadCard, text: str) -> str:
    why = f"# ? {card.target} tells no rating that holds. Read it from the plate, fill it in, and take the marks away:\n"
    lines = (f"# {line}".rstrip() for line in text.splitlines())
    return why + "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """Return a TOML basic string; JSON's escapes are a part of TOML's."""
    return json.dumps(text, ensure_ascii=True)
