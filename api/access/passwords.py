"""Passwords: hashed by argon2id (RFC 9106), one at a time and never on the event loop, whether the user is known or not."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, TypeVar

if TYPE_CHECKING:
    from argon2 import PasswordHasher

T = TypeVar("T")

LEAST: Final = 12
MOST: Final = 128
"""Characters of a password. Length is what counts; none of any kind is asked for (NIST SP 800-63B clause 5.1.1.2)."""
LEAST_KINDS: Final = 5
"""Different characters in it."""
MOST_WAITING: Final = 16


class PasswordsBusy(Exception):  # noqa: N818 - it is no error of the caller's
    """So many passwords wait to be looked at that one more is refused."""


@dataclass(frozen=True, slots=True)
class HashCost:
    """What one guess costs: the second choice that RFC 9106 clause 4 recommends, 64 MiB and three passes."""

    passes: int = 3
    memory_kib: int = 65536
    lanes: int = 4

    def hasher(self) -> PasswordHasher:
        """Return what hashes so."""
        from argon2 import PasswordHasher  # noqa: PLC0415 - only where a password is set or asked for

        return PasswordHasher(time_cost=self.passes, memory_cost=self.memory_kib, parallelism=self.lanes)


USUAL_COST: Final = HashCost()


def fault_in(password: str, name: str) -> str | None:
    """Return what a new password lacks, None where it will do."""
    if not LEAST <= len(password) <= MOST:
        return f"want {LEAST} to {MOST} characters; got {len(password)}"
    if len(set(password)) < LEAST_KINDS:
        return f"want at least {LEAST_KINDS} different characters"
    if name.casefold() in password.casefold():
        return "want one without the user's name in it"
    return None


class Passwords:
    """Hashes and compares, for a server."""

    def __init__(self, cost: HashCost = USUAL_COST) -> None:
        self._cost = cost
        self._thread = ThreadPoolExecutor(1, "passwords")
        self._waiting = 0
        self._hasher: PasswordHasher | None = None
        self._nobodys: str | None = None
        self.compared = 0
        """How many guesses were worked out."""

    async def hashed(self, password: str) -> str:
        """Return a new password's hash. Raises PasswordsBusy."""
        return await self._run(lambda hasher: hasher.hash(password))

    async def fits(self, known: str | None, password: str) -> bool:
        """Return whether a password is the one that was hashed; of nobody (None) that takes as long. Raises PasswordsBusy."""
        return await self._run(lambda hasher: self._compared(hasher, known, password))

    def ages(self, known: str) -> bool:
        """Return whether a hash was made at another cost than today's."""
        return self._made().check_needs_rehash(known)

    def _made(self) -> PasswordHasher:
        if self._hasher is None:
            self._hasher = self._cost.hasher()
        return self._hasher

    def _compared(self, hasher: PasswordHasher, known: str | None, password: str) -> bool:
        from argon2.exceptions import InvalidHashError, VerificationError  # noqa: PLC0415

        self.compared += 1
        if self._nobodys is None:
            self._nobodys = hasher.hash("nobody's password")
        try:
            hasher.verify(known or self._nobodys, password)
        except (VerificationError, InvalidHashError):
            return False
        return known is not None

    async def _run(self, work: Callable[[PasswordHasher], T]) -> T:
        if self._waiting >= MOST_WAITING:
            raise PasswordsBusy
        self._waiting += 1
        try:
            loop = asyncio.get_running_loop()
            return await loop.run_in_executor(self._thread, lambda: work(self._made()))
        finally:
            self._waiting -= 1
