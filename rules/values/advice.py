"""What to do, with what comes first by itself: a row and a screen on a wall have room for no more than that."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do. `first`: a clause that stands alone, without its stop; `rest`: how it goes on, from the next sign."""

    first: str
    rest: str = "."

    def __str__(self) -> str:
        """Return all that is to be done, as one text."""
        return self.first + self.rest
