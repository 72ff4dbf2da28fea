"""The estate is invented; its cards answer on this machine only. About a minute after the start the mains fails."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import sys
from pathlib import Path
from typing import Final

from api.commands.exits import Exit, complain
from api.commands.listening import listening, local_token, terms_of
from api.commands.run import add_serving_arguments
from collector.configuration import load
from collector.configuration.settings_tables import ListenTable

DATA: Final = Path("ridethrough-data/demonstration")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_serving_arguments(parser)
    parser.add_argument(
        "--seed", type=int, default=1, metavar="N", help="another invented plant (default: 1)"
    )


def run(options: argparse.Namespace) -> int:
    """Start the simulated estate and serve it until told to stop."""
    return asyncio.run(_demonstrate(options))


async def _demonstrate(options: argparse.Namespace) -> int:
    from api.app import create_app  # noqa: PLC0415 - light starts: only where it serves
    from api.exit_deadline import Ending  # noqa: PLC0415
    from api.http.doors import Doors  # noqa: PLC0415
    from api.serve import PortTakenError, listen, serve  # noqa: PLC0415
    from collector.service.service import Service  # noqa: PLC0415
    from collector.simulation.estate import SimulatedEstate  # noqa: PLC0415
    from collector.simulation.scorekeeper import ScoreKeeper  # noqa: PLC0415
    from collector.storage.database import StoreError, StoreFault  # noqa: PLC0415

    folder = options.data or DATA
    place = listening(options, ListenTable())
    try:
        bound = listen(place.host, place.port)
    except PortTakenError as error:
        return complain(Exit.WRONG_INPUT, str(error))
    ending = Ending()
    try:
        async with SimulatedEstate(folder / "plant", seed=options.seed) as plant:
            configuration = load(plant.estate_file)
            async with Service(configuration, folder, accepted=options.accept_loss) as service:
                await plant.write_past(
                    service.history, ledger=service.ledger, estate=service.estate, progress=_progress
                )
                print(place.url(encrypted=False), flush=True)
                keeper = asyncio.create_task(ScoreKeeper(plant, service.present, service.clock).run())
                doors = Doors()
                terms = terms_of(configuration, place, local_token(folder))
                try:
                    await serve(
                        service, create_app(service, doors=doors, terms=terms), bound, doors, ending=ending
                    )
                finally:
                    keeper.cancel()
                    with contextlib.suppress(asyncio.CancelledError):
                        await keeper  # a fault in keeping the score is not to be hidden
    except StoreError as error:
        # a loss does not mend itself: a service manager is not to start it again and again
        lost = error.fault is StoreFault.PARTNER_LOST
        return complain(Exit.WRONG_INPUT if lost else Exit.UNREACHABLE, str(error))
    finally:
        bound.close()
    ending.closed(int(Exit.DONE))
    return int(Exit.DONE)


def _progress(what: str, done: float) -> None:
    print(f"\r{done:4.0%} {what:<60}", end="" if done < 1.0 else "\n", file=sys.stderr, flush=True)
