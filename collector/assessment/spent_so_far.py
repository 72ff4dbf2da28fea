"""What a bank has given since its belief was last made anew: nothing is drawn from it at each reading of a discharge.

In a discharge a reading says what the last one said, but for a little noise of the load. What the draws of a bank come
to is asked a few times a minute; until then it is enough to know for how long it gave which power.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

ALIKE: Final = 0.01
"""By which part a power may differ from the mean it is gathered into. What is spent goes with about the 1.2th power of the
load (Peukert's exponent of lead-acid), so the mean of powers so alike errs by 0.12 x 0.01^2 at most, a hundred-thousandth of it."""


@dataclass(frozen=True, slots=True)
class SpentSoFar:
    """A stretch on the bank: its mean output power in W, for how many s, until when."""

    power_w: float
    seconds: float
    until: datetime

    @classmethod
    def between(cls, since: datetime, until: datetime, power_w: float) -> SpentSoFar:
        """Return the stretch between two moments at one power."""
        return cls(power_w, (until - since).total_seconds(), until)

    def takes(self, power_w: float) -> bool:
        """Return whether a further reading belongs to it."""
        return abs(power_w - self.power_w) <= ALIKE * self.power_w

    def longer(self, power_w: float, until: datetime) -> SpentSoFar:
        """Return it with the time up to a reading added, at the power that the reading said."""
        more_s = (until - self.until).total_seconds()
        if more_s <= 0.0:
            return self
        seconds = self.seconds + more_s
        return SpentSoFar((self.power_w * self.seconds + power_w * more_s) / seconds, seconds, until)
