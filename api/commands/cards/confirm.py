"""Stand at the cabinet. Either let the tool watch while you change something there (start its battery test, say), or
give what its panel and a clamp meter show, value by value; both is best. It only reads."""

from __future__ import annotations

import argparse
import asyncio
import json
from collections.abc import Mapping
from datetime import UTC, datetime

from api.commands.data.replaced import keep
from api.commands.exits import Exit, complain
from api.commands.shared import add_data, add_estate, estate_or_faults
from api.http import said
from collector.cards.commissioning.identify import (
    Comparison,
    Confirmation,
    PanelValue,
    Proof,
    compare,
    conclude,
    movements,
)
from collector.configuration import Configuration
from collector.service.read_once import read_cards
from collector.storage.ledger import Transaction
from collector.storage.ledger.records import Action, LearntFact
from rules.plant.reading import Reading


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("unit", metavar="UNIT", help="the position you stand at")
    parser.add_argument("--who", required=True, type=said.name, metavar="NAME", help="who stands there")
    parser.add_argument(
        "--panel",
        action="append",
        default=[],
        type=panel_value,
        metavar="QUANTITY[:LINE]=VALUE",
        help="a value read at the cabinet, e.g. output_power_w:1=4100; may be given several times",
    )
    parser.add_argument(
        "--touch",
        action="store_true",
        help="read all cards, wait until you have changed something at the cabinet, read them again",
    )
    parser.add_argument("--json", action="store_true", help="JSON for scripts")
    add_estate(parser)
    add_data(parser)


def panel_value(text: str) -> PanelValue:
    """Return a value read at the cabinet from `output_power_w:1=4100`."""
    name, _equals, number = text.partition("=")
    quantity, _, line = name.partition(":")
    try:
        return PanelValue(quantity, float(number), int(line) if line else None)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"want QUANTITY[:LINE]=VALUE, as output_power_w:1=4100; got {text!r}"
        ) from None


def run(options: argparse.Namespace) -> int:
    """Prove, say so, and keep the result with who and when."""
    configuration, faults = estate_or_faults(options.estate)
    if configuration is None:
        return complain(Exit.WRONG_INPUT, *faults)
    card = configuration.estate.card_of(options.unit)
    if card is None:
        known = ", ".join(configuration.estate.units)
        return complain(Exit.WRONG_INPUT, f"UNIT: want a unit with a card ({known}); got {options.unit!r}")
    if not options.panel and not options.touch:
        return complain(Exit.WRONG_INPUT, "give --panel values, or --touch, or both")
    try:
        result = _proved(configuration, options, card.id)
    except ValueError as error:
        return complain(Exit.WRONG_INPUT, f"--panel: {error}")
    if result is None:
        return complain(Exit.UNREACHABLE, f"card {card.id} did not answer")

    def write(tx: Transaction) -> None:
        tx.learn(_fact(result))
        tx.add_action(_action(result))

    code = keep(options, write)
    print(json.dumps(result.as_json(), indent=2) if options.json else _text(result))
    if code != Exit.DONE:
        return code
    return int(
        {Proof.CONFIRMED: Exit.DONE, Proof.REFUTED: Exit.BAD_NEWS, Proof.CANNOT_TELL: Exit.CANNOT_TELL}[
            result.proof
        ]
    )


def _proved(configuration: Configuration, options: argparse.Namespace, card: str) -> Confirmation | None:
    before: Mapping[str, Reading] = {}
    if options.touch:
        before = asyncio.run(read_cards(configuration))
        complain(
            Exit.DONE, f"{len(before)} cards read. Change something at {options.unit} now, then press Enter."
        )
        input()
    after = asyncio.run(read_cards(configuration, () if options.touch else (card,)))
    if card not in after:
        return None
    compared: tuple[Comparison, ...] = compare(after[card], options.panel)
    moved = movements(before, after) if options.touch else None
    return conclude(options.unit, card, options.who, datetime.now(UTC), comparisons=compared, moved=moved)


def _text(result: Confirmation) -> str:
    said = {
        Proof.CONFIRMED: f"Confirmed: card {result.card} is the cabinet at {result.unit}.",
        Proof.REFUTED: f"Refuted: card {result.card} is not the cabinet at {result.unit}.",
        Proof.CANNOT_TELL: f"Cannot tell whether card {result.card} is the cabinet at {result.unit}.",
    }[result.proof]
    return "\n".join([said, *(f"- {reason}" for reason in result.because)])


def _fact(result: Confirmation) -> LearntFact:
    return LearntFact(result.card, f"confirmed:{result.unit}", result.at, "confirmation/1", result.as_json())


def _action(result: Confirmation) -> Action:
    return Action(result.at, result.who, "confirm", result.unit, f"card {result.card}: {result.proof.value}")
