"""Shows several sites as one estate, as they tell it by brokers; each site's own service goes on by itself, heard or not.

The file says which sites, by which brokers, and where each site's own page is. Nothing is judged here, nobody is told, and
nothing is done: that is the sites' own, and a refusal says where. A site that is not heard is shown as quiet, since when.
"""

from __future__ import annotations

import argparse
import asyncio
import signal
from pathlib import Path

from api.commands.exits import Exit, complain
from api.commands.listening import NOBODY_KNOWN, certificate_of, listening, local_token, terms_of
from api.commands.run import add_place_arguments
from collector.configuration import ConfigError
from collector.configuration.centre.file import CentreFile, load_centre
from rules.plant.estate import EMPTY


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("file", type=Path, metavar="CENTRE.toml", help="the centre's file")
    add_place_arguments(parser)


def run(options: argparse.Namespace) -> int:
    """Load the centre's file and show its sites until told to stop."""
    try:
        file = load_centre(options.file)
    except ConfigError as error:
        return complain(Exit.WRONG_INPUT, *(str(fault) for fault in error.faults))
    return asyncio.run(_serve(file, options))


async def _serve(file: CentreFile, options: argparse.Namespace) -> int:
    from api.app import create_app  # noqa: PLC0415 - light starts: the web framework only where it serves
    from api.commands.shared import default_data  # noqa: PLC0415
    from api.exit_deadline import Ending  # noqa: PLC0415
    from api.http.doors import Doors  # noqa: PLC0415
    from api.http.tls import CertificateError  # noqa: PLC0415
    from api.serve import PortTakenError, listen, serve  # noqa: PLC0415
    from collector.process.loop_tuning import let_many_wait  # noqa: PLC0415
    from collector.service.centre import CentreService  # noqa: PLC0415
    from collector.storage.database import StoreError  # noqa: PLC0415

    place, configuration = listening(options, file.listen), file.configuration(EMPTY)
    try:
        certificate = certificate_of(configuration)
        bound = listen(place.host, place.port)
    except (PortTakenError, CertificateError) as error:
        return complain(Exit.WRONG_INPUT, str(error))
    let_many_wait()
    signal.signal(signal.SIGHUP, signal.SIG_IGN)  # until `serve` takes it: a hang-up never ends it
    ending = Ending()
    try:
        folder = options.data or default_data()
        async with CentreService(file, folder) as centre:
            if not place.loopback and not await centre.access.in_use():
                return complain(Exit.WRONG_INPUT, f"{NOBODY_KNOWN}; got {place.host!r}")
            print(place.url(encrypted=certificate is not None), flush=True)
            doors, names = Doors(), (*file.listen.names, *place.names)
            app = create_app(centre, names, doors, terms_of(configuration, place, local_token(folder)))
            await serve(centre, app, bound, doors, ending=ending, certificate=certificate)
    except StoreError as error:
        return complain(Exit.UNREACHABLE, str(error))
    finally:
        bound.close()
    ending.closed(int(Exit.DONE))
    return int(Exit.DONE)
