"""What is said of work on a unit, followed (`rules.planning.isolation.unit_work`)."""

from __future__ import annotations

from rules.phrasing.says import says
from rules.phrasing.text import lasted
from rules.system.state import Standing
from rules.values.code import Code


def _carry(carried_w: float | None) -> str:
    return "" if carried_w is None else f"; the others carry {carried_w / 1e3:.1f} kW"


def _stands(standing: str | None) -> str:
    if standing is None:
        return "not known"
    return "on bypass" if standing == Standing.BYPASS else standing.replace("_", " ")


# ---- how far it has come -------------------------------------------------------------------------------------


@says(Code.WORK_NOT_SEEN_YET)
def work_not_seen_yet(about: str) -> str:
    """Say that nothing was seen yet."""
    return f"How unit {about} stood when the work began was not seen yet."


@says(Code.WORK_IN_SERVICE)
def work_in_service(about: str) -> str:
    """Say that the unit still carries."""
    return f"Unit {about} is still in service."


@says(Code.WORK_OUT)
def work_out(about: str, *, standing: str, carried_w: float | None) -> str:
    """Say how the unit stands, and what the others carry, in W."""
    return f"Unit {about} is {_stands(standing)}{_carry(carried_w)}."


@says(Code.WORK_OUT_UNHEARD)
def work_out_unheard(about: str, *, carried_w: float | None) -> str:
    """Say that the unit is out and its card silent."""
    return f"Unit {about} is out and not heard{_carry(carried_w)}."


@says(Code.WORK_OUT_PEERS_TOOK)
def work_out_peers_took(about: str, *, carried_w: float | None) -> str:
    """Say how a unit that is not heard is known to be out."""
    return f"Unit {about} is not heard and its peers took its part{_carry(carried_w)}."


@says(Code.WORK_BACK)
def work_back(about: str) -> str:
    """Say that the unit is back and does not share."""
    return f"Unit {about} is back and does not share the load evenly yet."


@says(Code.WORK_BACK_UNHEARD)
def work_back_unheard(about: str) -> str:
    """Say that the unit came back and fell silent."""
    return f"Unit {about} came back and is not heard now."


@says(Code.WORK_SHARING)
def work_sharing(about: str) -> str:
    """Say that the unit shares."""
    return f"Unit {about} shares the load; its bank is not known to be full yet."


@says(Code.WORK_CHARGED)
def work_charged(about: str) -> str:
    """Say that all is as it was."""
    return f"Unit {about} shares the load and its bank is full: the work can be closed."


@says(Code.WORK_UNHEARD)
def work_unheard(about: str) -> str:
    """Say that it cannot be seen whether the unit is out."""
    return f"Unit {about} is not heard: whether it is out cannot be seen."


# ---- what is worth a line of the journal ---------------------------------------------------------------------


@says(Code.WORK_BEGINS)
def work_begins(about: str, *, by: str, takes_s: float, carried_w: float | None) -> str:
    """Say that work begins, who said so, how long it is to take in s, and what the system carried."""
    who = f", as {by} said" if by else ""
    stood = "" if carried_w is None else f" The system carried {carried_w / 1e3:.1f} kW."
    return f"Work on unit {about} begins{who}; it is to take {lasted(takes_s)}.{stood}"


@says(Code.WORK_EXTENDED)
def work_extended(about: str, *, by: str, takes_s: float) -> str:
    """Say that work was given more time, in s."""
    return f"{by} gave the work on unit {about} another {lasted(takes_s)}."


@says(Code.WORK_CLOSED)
def work_closed(about: str, *, by: str, note: str, because: str) -> str:
    """Say who closed the work, what they wrote, and how the unit stood."""
    wrote = f": {note}" if note else ""
    return f"{by} closed the work on unit {about}{wrote}. {because}"


@says(Code.WORK_OVER)
def work_over(about: str) -> str:
    """Say that the work is over as planned."""
    return f"The work on unit {about} is over: it shares the load again."


@says(Code.WORK_OVER_NEVER_OUT)
def work_over_never_out(about: str) -> str:
    """Say that the time is over without the unit having been out."""
    return f"The time for work on unit {about} is over; it was never seen out."


@says(Code.WORK_AS_PLANNED)
def work_as_planned(about: str) -> str:
    """Say that nothing unexpected stands any more."""
    return f"The work on unit {about} is as planned again."


# ---- what the work does not explain --------------------------------------------------------------------------


@says(Code.UNPLANNED_BYPASS)
def unplanned_bypass(about: str) -> str:
    """Say that the worked unit is on bypass."""
    return f"Unit {about} is on bypass: the load may hang on the raw supply."


@says(Code.UNPLANNED_LOAD_FELL)
def unplanned_load_fell(*, was_w: float, load_w: float) -> str:
    """Say from what to what the load fell, in W."""
    return f"The load fell from {was_w / 1e3:.1f} to {load_w / 1e3:.1f} kW: was something dropped?"


@says(Code.UNPLANNED_ON_BATTERY)
def unplanned_on_battery(about: str, *, worked: str) -> str:
    """Say that a peer is on its bank."""
    return f"Unit {about} went on battery while unit {worked} is worked on."


@says(Code.UNPLANNED_NOT_HEARD)
def unplanned_not_heard(about: str, *, worked: str) -> str:
    """Say that a peer is silent."""
    return f"Unit {about} is not heard while unit {worked} is worked on."


@says(Code.UNPLANNED_LEFT)
def unplanned_left(about: str, *, was: str | None, standing: str) -> str:
    """Say that a peer left."""
    return f"Unit {about} was {_stands(was)} and is {_stands(standing)}."
