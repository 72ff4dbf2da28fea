"""Stops within seconds on SIGTERM or SIGINT, five at the most. What was committed survives a kill or a loss of power.

SIGHUP (`ridethrough reload`) has the estate file read again: it is taken over whole, or refused whole with every fault.
"""

from __future__ import annotations

import argparse
import asyncio
import signal
from pathlib import Path
from typing import TYPE_CHECKING

from api.commands.exits import Exit, complain
from api.commands.listening import NOBODY_KNOWN, certificate_of, listening, local_token, terms_of
from collector.configuration import ConfigError, Configuration, load

if TYPE_CHECKING:
    from starlette.types import ASGIApp

    from api.rereading import Reread
    from api.serve import Served


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("estate", type=Path, metavar="ESTATE.toml", help="the estate file")
    add_serving_arguments(parser)


def add_serving_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare where data go and where the page is served, alike for `run` and `demo`."""
    add_place_arguments(parser)
    parser.add_argument(
        "--accept-loss",
        choices=("ledger", "history", "spool"),
        help="go on although this store was lost, emptied or put back from an older copy",
    )


def add_place_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare where data go and where the page is served, alike for all that serve it."""
    parser.add_argument(
        "--data",
        type=Path,
        metavar="DIR",
        help="data folder (default: $STATE_DIRECTORY, else ./ridethrough-data)",
    )
    parser.add_argument(
        "--host", metavar="H", help="address to serve at (default: the estate file's, 127.0.0.1)"
    )
    parser.add_argument(
        "--port", type=port, metavar="N", help="TCP port to serve at (default: the estate file's, 8470)"
    )


def port(text: str) -> int:
    """Return a TCP port from the command line."""
    if not text.isdigit() or not 0 < int(text) < 65536:
        raise argparse.ArgumentTypeError(f"want a port from 1 to 65535; got {text!r}")
    return int(text)


def run(options: argparse.Namespace) -> int:
    """Load the estate file and serve it until told to stop."""
    try:
        configuration = load(options.estate)
    except ConfigError as error:
        return complain(Exit.WRONG_INPUT, *(str(fault) for fault in error.faults))
    for warning in configuration.warnings:
        complain(Exit.DONE, f"warning: {warning}")
    return serve_estate(configuration, options)


def serve_estate(configuration: Configuration, options: argparse.Namespace) -> int:
    """Serve a checked estate; return the exit code."""
    return asyncio.run(_serve(configuration, options))


async def _serve(configuration: Configuration, options: argparse.Namespace) -> int:
    from api.app import create_app  # noqa: PLC0415 - light starts: the web framework only where it serves
    from api.commands.shared import default_data  # noqa: PLC0415
    from api.exit_deadline import Ending  # noqa: PLC0415
    from api.http.doors import Doors  # noqa: PLC0415
    from api.http.tls import CertificateError  # noqa: PLC0415
    from api.serve import NotOpenedError, PortTakenError, Successors, listen, serve  # noqa: PLC0415
    from collector.cards.snmp.errors import CannotListen  # noqa: PLC0415
    from collector.process.loop_tuning import let_many_wait  # noqa: PLC0415
    from collector.service.service import Service  # noqa: PLC0415
    from collector.storage.database import StoreError, StoreFault  # noqa: PLC0415

    place = listening(options, configuration.listen)
    try:
        certificate = certificate_of(configuration)
        bound = listen(place.host, place.port)
    except (PortTakenError, CertificateError) as error:
        return complain(Exit.WRONG_INPUT, str(error))
    let_many_wait()
    signal.signal(signal.SIGHUP, signal.SIG_IGN)  # until `serve` takes it: a hang-up never ends the service
    ending = Ending()
    try:
        folder = options.data or default_data()
        async with Service(configuration, folder, accepted=options.accept_loss) as service:
            if not place.loopback and not await service.access.in_use():
                return complain(Exit.WRONG_INPUT, f"{NOBODY_KNOWN}; got {place.host!r}")
            print(place.url(encrypted=certificate is not None), flush=True)
            doors = Doors()
            token = local_token(folder)

            def app_of(running: Served) -> ASGIApp:
                now = running.configuration
                names = (*now.listen.names, *place.names)
                return create_app(running, names, doors, terms_of(now, place, token))

            async def opened(found: Reread) -> Served:
                try:
                    return await Service(found.following or configuration, folder).__aenter__()
                except (StoreError, CannotListen) as error:
                    raise NotOpenedError(str(error)) from error

            successors = Successors(opened, app_of)
            await serve(
                service, app_of(service), bound, doors,
                ending=ending, certificate=certificate, successors=successors,
            )  # fmt: skip
    except CannotListen as error:
        return complain(Exit.WRONG_INPUT, str(error))
    except StoreError as error:
        # a loss does not mend itself: a service manager is not to start it again and again
        lost = error.fault is StoreFault.PARTNER_LOST
        return complain(Exit.WRONG_INPUT if lost else Exit.UNREACHABLE, str(error))
    finally:
        bound.close()
    ending.closed(int(Exit.DONE))
    return int(Exit.DONE)
