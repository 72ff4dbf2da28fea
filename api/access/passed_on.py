"""What a centre of several sites hands on: an act under the name of who signed in there, once, and never late.

A token that was made for it (`PASS_ON`) does nothing but what says by whom, and shows nothing. Every other token acts under
its own label alone. With the act comes its id, until when it may be done, and by what means its doer is known at the centre;
all of that goes into the journal with what is done, and the journal is what remembers that it was.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Annotated, Any, Final

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationError,
)

from api.access.callers import Caller, Refused
from api.http.said import Name, printable
from collector.read_model.kept import AccessTables, Whence

PASSED_ON: Final = "passed_on"
"""The key of a body under which it stands."""
LONGEST_WAIT: Final = timedelta(hours=1)
"""No act may be done later than so long after it was made; so what is older need not be remembered."""


class PassedOn(BaseModel):
    """Beside what is asked: which act of a centre's it is."""

    model_config = ConfigDict(extra="forbid")

    act: str = Field(
        pattern=r"^[0-9a-f]{32}$", description="its id: what comes again under it is not done again"
    )
    until: AwareDatetime = Field(description="RFC 3339: later than this it is not done; at most an hour away")
    known: bool = Field(description="whether the centre vouches for the name, or somebody said it")
    means: Name = Field(description="by what means its doer is known at the centre")
    address: Annotated[str, StringConstraints(max_length=80), AfterValidator(printable)] = Field(
        alias="from", description="from which address the centre was asked"
    )


@dataclass(slots=True)
class PassedActs:
    """The acts of centres at one site: those under way, and by the journal those that are done. `now`: the time of day."""

    tables: AccessTables
    now: Callable[[], datetime]
    _under_way: set[str] = field(default_factory=set)

    async def begin(self, passed: PassedOn) -> bool:
        """Return True where an act is to be done now (`end` is to follow), False where it is done already. Raises Refused."""
        now = self.now()
        if passed.act in self._under_way:
            raise Refused(409, "under-way", "This very act is under way; ask again in a moment.")
        if passed.until - now > LONGEST_WAIT:
            raise Refused(422, "wrong-input", f"{PASSED_ON}.until: want a time at most an hour away")
        self._under_way.add(passed.act)
        try:
            done = await self.tables.act_done(passed.act, passed.until - LONGEST_WAIT)
        except BaseException:
            self.end(passed)
            raise
        if not done and now < passed.until:
            return True
        self.end(passed)
        if not done:
            why = (
                f"It came after {passed.until:%H:%M:%S} UTC, until when it was to be done, and was not done."
            )
            raise Refused(409, "late", f"{why} Where that is not so, the clocks of centre and site differ.")
        return False

    def end(self, passed: PassedOn) -> None:
        """Note that nothing of an act is under way any more."""
        self._under_way.discard(passed.act)


def passed_on(caller: Caller, said: dict[str, Any] | None) -> PassedOn | None:
    """Return what a body says of the act that it is, and take it out; None of one that no centre hands on. Raises Refused."""
    if not caller.passes_on:
        if said is not None and PASSED_ON in said:
            raise Refused(403, "not-allowed", "Only a token that was made to pass acts on may name who acts.")
        return None
    if said is None or not said.get("by"):
        raise Refused(422, "wrong-input", "by: want the name of who acts at the centre")
    try:
        return PassedOn.model_validate(said.pop(PASSED_ON, None))
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join([PASSED_ON, *(str(part) for part in first["loc"])])
        raise Refused(422, "wrong-input", f"{place}: {first['msg']}") from None


def whence_of(caller: Caller, passed: PassedOn, by: str) -> Whence:
    """Return for whom an act is done that a centre hands on, as it goes into the journal."""
    means = f"at the centre, {passed.means}, by token {caller.token}"
    return Whence(by if passed.known else None, means, passed.address, passed.act)
