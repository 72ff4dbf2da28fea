"""Who was refused, in the log: at once the first time, and then once a minute for each who and where, with how often."""

from __future__ import annotations

import logging
from collections import OrderedDict
from collections.abc import Callable
from typing import Final

AGAIN_S: Final = 60.0
MOST_REMEMBERED: Final = 200
"""More at once are crowded out, oldest first, and told anew: a flood of addresses fills no memory."""
_log = logging.getLogger(__name__)


class RefusalLog:
    """Tells refusals. `now_s`: seconds that no set clock changes. Nothing of what a request says of itself is repeated."""

    def __init__(self, now_s: Callable[[], float]) -> None:
        self._now_s = now_s
        self._told: OrderedDict[tuple[str, str, str], tuple[float, int]] = OrderedDict()

    def note(self, name: str | None, address: str, wanted: str) -> None:
        """Take a refusal: `name` where somebody is known, `wanted` the role that what was asked wants."""
        key = (name or "nobody who is known", address or "this machine", wanted)
        now_s = self._now_s()
        told_s, untold = self._told.get(key, (-AGAIN_S, 0))
        if now_s - told_s < AGAIN_S:
            self._told[key] = (told_s, untold + 1)
            return
        more = f", and {untold} times before" if untold else ""
        _log.warning("refused what wants the role %s to %s from %s%s", wanted, key[0], key[1], more)
        self._told[key] = (now_s, 0)
        self._told.move_to_end(key)
        while len(self._told) > MOST_REMEMBERED:
            self._told.popitem(last=False)
