"""How often somebody may be wrong: by user and address together, by address, and by user from everywhere.

Who knows a name must not be able to shut its bearer out: from an address at which a user signed in lately, tries from
elsewhere do not count. The tables cannot grow: a name or an address is known by one of a fixed number of places, salted
by this process, so that nobody can choose whom to share one with, and nobody can push an entry out.
"""

from __future__ import annotations

import hashlib
import ipaddress
import os
from collections import OrderedDict, deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

PLACES: Final = 4096
KNOWN: Final = 1000
WINDOW_S: Final = 900.0
"""Seconds for which a wrong try counts."""


@dataclass(frozen=True, slots=True)
class TriesAllowed:
    """How many wrong tries within `WINDOW_S` are let through."""

    together: int = 5
    address: int = 20
    user: int = 20
    """80 an hour: no more than 100 are to be possible on one account (OWASP ASVS 4.0.3, 2.2.1)."""


TRIES_ALLOWED: Final = TriesAllowed()


class Tries:
    """What was tried lately. `now_s`: a clock in seconds that nobody sets."""

    def __init__(self, now_s: Callable[[], float], allowed: TriesAllowed = TRIES_ALLOWED) -> None:
        self._now_s = now_s
        self._salt = os.urandom(16)
        self._most = {"together": allowed.together, "address": allowed.address, "user": allowed.user}
        self._wrong: dict[tuple[str, int], deque[float]] = {}
        self._known: OrderedDict[str, None] = OrderedDict()

    def begin(self, user: str, address: str) -> float:
        """Count a try as wrong until it is known to be right; return how long to wait instead, in s, 0 where it may go on."""
        now_s = self._now_s()
        places = self._places(user, address)
        longest_s = max(self._wait_s(place, now_s) for place in places)
        if longest_s > 0.0:
            return longest_s
        for place in places:
            self._wrong.setdefault(place, deque()).append(now_s)
        return 0.0

    def take_back(self, user: str, address: str) -> None:
        """Take a try back that was not looked at."""
        for place in self._places(user, address):
            if self._wrong.get(place):
                self._wrong[place].pop()

    def right(self, user: str, address: str) -> None:
        """Take a try back that was right: those that came before it from the same place were its bearer's slips."""
        self.take_back(user, address)
        self._wrong.pop(("together", self._place(f"{user}\n{_network(address)}")), None)
        key = f"{user}\n{_network(address)}"
        self._known[key] = None
        self._known.move_to_end(key)
        if len(self._known) > KNOWN:
            self._known.popitem(last=False)

    def __len__(self) -> int:
        """Return how many places are in use."""
        return len(self._wrong) + len(self._known)

    def _places(self, user: str, address: str) -> list[tuple[str, int]]:
        network = _network(address)
        keys = [("together", f"{user}\n{network}"), ("address", network)]
        if f"{user}\n{network}" not in self._known:
            keys.append(("user", user))
        return [(kind, self._place(key)) for kind, key in keys]

    def _wait_s(self, place: tuple[str, int], now_s: float) -> float:
        found = self._wrong.get(place, deque())
        while found and found[0] <= now_s - WINDOW_S:
            found.popleft()
        most = self._most[place[0]]
        return 0.0 if len(found) < most else found[-most] + WINDOW_S - now_s

    def _place(self, key: str) -> int:
        return int.from_bytes(hashlib.blake2b(key.encode(), key=self._salt, digest_size=4).digest()) % PLACES


def _network(address: str) -> str:
    """Return what one party can choose from: of IPv6 the half that a network has."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped is not None:
            return str(found.ipv4_mapped)
        return str(ipaddress.ip_network((found, 64), strict=False))
    return address
