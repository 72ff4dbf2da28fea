"""Serves an invented estate to look at, or to take pictures of: python -m tests.api.pages.show --systems 100 --port 8480"""

from __future__ import annotations

import argparse
import time

from tests.api.pages import many, samples, shutdowns
from tests.api.pages.browser import Stage

SITUATIONS = {**samples.ALL, **shutdowns.ALL}


def main() -> None:
    """Serve until it is interrupted."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--systems", type=int, default=12, help="how many systems the estate has")
    parser.add_argument("--situation", choices=sorted(SITUATIONS), help="one of the small estate's instead")
    parser.add_argument("--port", type=int, default=0, help="a free one if left out")
    given = parser.parse_args()
    sheet = SITUATIONS[given.situation]() if given.situation else many.sheet_of(given.systems)
    with Stage(sheet, port=given.port) as stage:
        print(stage.url, flush=True)
        while True:
            time.sleep(3600)


if __name__ == "__main__":
    main()
