"""For whom a change is made: who asked for it, from where, by what means. It goes into the journal with the change.

What people and programs do comes in over HTTP by many ways; each of them would have to hand this on to the transaction
it ends in. So it stands beside the request instead: whoever lets a request in sets `asking`, and every transaction that
the request makes says so in its lines. What goes through the recorder takes it along (`PendingCommand.whence`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from typing import Any, Final

ASKED: Final = "asked"
"""The key of a line's body under which it stands."""
ACT: Final = "act"
"""The key in that under which an act's id stands."""


@dataclass(frozen=True, slots=True)
class Whence:
    """Who asked, from where, by what means."""

    who: str | None
    """The name that the means vouches for; None where nobody is known, and a name is what somebody said."""
    means: str
    """"signed in", "token ID", "proxy", "local user", "local token"."""
    address: str
    act: str | None = None
    """The id of an act that a centre handed on, by which it is known that it was done."""

    def body(self) -> dict[str, str | None]:
        """Return it as it is kept and shown."""
        body = {"who": self.who, "means": self.means, "from": self.address}
        return body if self.act is None else {**body, ACT: self.act}

    def words(self) -> str:
        """Return it as a part of a sentence."""
        return f"{self.means}, from {self.address or 'this machine'}"


asking: ContextVar[Whence | None] = ContextVar("asking", default=None)
"""For whom what is done now is done; None for what the service does by itself."""


def with_whence(body: Mapping[str, Any], whence: Whence | None) -> Mapping[str, Any]:
    """Return a line's body with for whom it was made, where that is known."""
    return body if whence is None else {**body, ASKED: whence.body()}


@contextmanager
def not_the_last() -> Iterator[None]:
    """Within this what is done is part of an act and not its end: its lines do not say that the act was done."""
    whence = asking.get()
    noted = asking.set(None if whence is None else replace(whence, act=None))
    try:
        yield
    finally:
        asking.reset(noted)
