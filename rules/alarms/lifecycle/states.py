"""The states of an alarm and the transition table of IEC 62682 / ISA-18.2.

An alarm has two sides. The *plant's* side is a condition: present, absent or not
known. The *people's* side is a state: has it been acknowledged, is it held back, must it be reset. `NEXT`
joins the two: every state meets every event, and a test demands every pair.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Final


class State(StrEnum):
    """The states of IEC 62682; the values are those of the HTTP interface."""

    NORMAL = "normal"
    ACTIVE_UNACKNOWLEDGED = "active_unacknowledged"
    ACTIVE_ACKNOWLEDGED = "active_acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned_unacknowledged"
    LATCHED = "latched"
    SHELVED = "shelved"
    SUPPRESSED_BY_DESIGN = "suppressed_by_design"
    OUT_OF_SERVICE = "out_of_service"

    @property
    def active(self) -> bool:
        """Return whether the condition stands and nothing holds the alarm back."""
        return self in ACTIVE

    @property
    def held(self) -> bool:
        """Return whether the alarm is shelved, suppressed by design or out of service."""
        return self in HELD


ACTIVE: Final = frozenset({State.ACTIVE_UNACKNOWLEDGED, State.ACTIVE_ACKNOWLEDGED})


HELD: Final = frozenset({State.SHELVED, State.SUPPRESSED_BY_DESIGN, State.OUT_OF_SERVICE})


class AlarmEvent(StrEnum):
    """What can happen to an alarm."""

    OCCUR = "occur"
    RETURN = "return"
    RETURN_LATCHING = "return_latching"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    WORSEN = "worsen"
    STAY = "stay"
    REALARM = "realarm"
    ESCALATE = "escalate"
    SHELVE = "shelve"
    SUPPRESS = "suppress"
    REMOVE = "remove"
    RELEASE_PRESENT = "release_present"
    RELEASE_ABSENT = "release_absent"


class Effect(StrEnum):
    """What the caller must carry out."""

    RECORD = "record"
    TELL = "tell"
    TELL_RETURNED = "tell_returned"
    TELL_MORE = "tell_more"


_N, _U, _A = State.NORMAL, State.ACTIVE_UNACKNOWLEDGED, State.ACTIVE_ACKNOWLEDGED


_R, _L = State.RETURNED_UNACKNOWLEDGED, State.LATCHED


_S, _D, _O = State.SHELVED, State.SUPPRESSED_BY_DESIGN, State.OUT_OF_SERVICE


NO_EFFECT: Final[tuple[Effect, ...]] = ()


_RECORD: Final = (Effect.RECORD,)


_TELL: Final = (Effect.RECORD, Effect.TELL)


_BACK: Final = (Effect.RECORD, Effect.TELL_RETURNED)


_MORE: Final = (Effect.RECORD, Effect.TELL_MORE)


_Cell = tuple[State, tuple[Effect, ...]]


def _row(event: AlarmEvent, **cells: _Cell) -> dict[tuple[State, AlarmEvent], _Cell]:
    """Return one event's row; states not named stay as they are, without effect."""
    return {
        (state, event): cells.get(name, (state, NO_EFFECT))
        for name, state in {"N": _N, "U": _U, "A": _A, "R": _R, "L": _L, "S": _S, "D": _D, "O": _O}.items()
    }


# Rows by event; columns N normal, U active unacknowledged, A active acknowledged, R returned
# unacknowledged, L latched, S shelved, D suppressed by design, O out of service.
NEXT: Final[Mapping[tuple[State, AlarmEvent], _Cell]] = {
    # the plant
    **_row(AlarmEvent.OCCUR, N=(_U, _TELL), R=(_U, _TELL), L=(_U, _TELL)),
    **_row(AlarmEvent.RETURN, U=(_R, _BACK), A=(_N, _BACK)),
    **_row(AlarmEvent.RETURN_LATCHING, U=(_L, _BACK), A=(_L, _BACK)),
    **_row(AlarmEvent.WORSEN, U=(_U, _TELL), A=(_U, _TELL)),
    # what came and went, of which people were told once, is there to stay
    **_row(AlarmEvent.STAY, U=(_U, _TELL), A=(_U, _TELL)),
    # people; an acknowledged latched alarm stays latched until it is reset
    **_row(AlarmEvent.ACKNOWLEDGE, U=(_A, _RECORD), R=(_N, _RECORD), L=(_L, _RECORD)),
    **_row(AlarmEvent.RESET, L=(_N, _RECORD)),
    # time
    **_row(AlarmEvent.REALARM, A=(_U, _TELL)),
    **_row(AlarmEvent.ESCALATE, U=(_U, _MORE)),
    # holding back: which one ranks highest is settled before the event is made
    **_row(
        AlarmEvent.SHELVE,
        **dict.fromkeys("NUARLDO", (_S, _RECORD)),
    ),
    **_row(
        AlarmEvent.SUPPRESS,
        **dict.fromkeys("NUARLSO", (_D, _RECORD)),
    ),
    **_row(
        AlarmEvent.REMOVE,
        **dict.fromkeys("NUARLSD", (_O, _RECORD)),
    ),
    **_row(AlarmEvent.RELEASE_PRESENT, **dict.fromkeys("SDO", (_U, _TELL))),
    **_row(AlarmEvent.RELEASE_ABSENT, **dict.fromkeys("SDO", (_N, _RECORD))),
}
