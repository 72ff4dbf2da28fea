"""What the answers about the past hold, for the OpenAPI document and the reference.

They say what is answered and take no part in answering: the routes write JSON from the values themselves, and a
test holds real answers against these.
"""

from __future__ import annotations

from typing import Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field


class _Answer(BaseModel):
    model_config = ConfigDict(extra="forbid")


class _Listed(_Answer):
    next: str | None = Field(description="what to ask for the next page with; null at the end")


class HistoryBucket(_Answer):
    """What is known of a quantity from `from` to the next bucket's."""

    from_: AwareDatetime = Field(alias="from", description="where the bucket begins")
    min: float | None = Field(description="null where nothing good was read")
    mean: float | None = Field(description="of the good readings")
    max: float | None = Field(description="null where nothing good was read")
    good_count: int = Field(ge=0, description="readings with a value")
    expected_count: int = Field(
        ge=0, description="readings that the poll period asks for; what is missing is a gap"
    )


class History(_Listed):
    """The course of a quantity."""

    items: list[HistoryBucket]


class ShareOfTime(_Answer):
    """What a quantity stays at or under for a part of the time."""

    share: float = Field(gt=0, le=1, description="the part of the time")
    value: float | None = Field(
        description="what the quantity stays at or under; null where nothing was read"
    )


class QuantityPercentiles(_Listed):
    """Percentiles of a quantity."""

    items: list[ShareOfTime]
    mean_of_s: float = Field(description="they are of means over so many seconds")
    good_count: int = Field(ge=0, description="readings they rest on")
    expected_count: int = Field(ge=0, description="readings that the poll period asks for")


class LineLoadPercentiles(_Answer):
    """Percentiles of the load on one board line."""

    line: int = Field(ge=1, description="the board's line")
    power_w: list[ShareOfTime] = Field(description="of the active power")
    apparent_va: list[ShareOfTime] = Field(description="of the apparent power")
    known_quarters: int = Field(ge=0, description="quarters of an hour in which all units were read")
    quarters: int = Field(ge=0, description="quarters of an hour in the span")


class LoadPercentiles(_Listed):
    """Percentiles of a system's load."""

    items: list[LineLoadPercentiles]


class PastTestKept(_Answer):
    """A past test that was kept."""

    id: str = Field(description="names the record")
    bank: str = Field(description="the bank it is of")
    at: AwareDatetime = Field(description="the time of its first row")


class FirstStep(_Answer):
    """A step that makes something known, ticked off by what is there."""

    id: Literal["table", "past_test", "discharge", "people", "cards"] = Field(
        description="what it makes known"
    )
    done: int = Field(description="for how many of them it is done")
    of: int = Field(description="how many there are")
    left: list[str] = Field(description="for whom or what it is left to do: banks, units, people")


class BankSpokenFor(_Answer):
    """What speaks for a bank."""

    bank: str = Field(description="id of the bank")
    table: bool = Field(description="the estate file holds the maker's table")
    past_test: bool = Field(description="a past test was imported")
    discharge: bool = Field(description="it was seen to carry")
    shown: bool = Field(description="so it has a capacity that rests on what was seen")


class FirstSteps(_Answer):
    """How far the first days have come."""

    steps: list[FirstStep]
    banks: list[BankSpokenFor]


class Discharge(_Answer):
    """The record of one discharge of one bank; times `_s` count from `at`."""

    id: str = Field(description="names the record")
    bank: str = Field(description="the bank that gave current")
    kind: str = Field(description="outage, test, acceptance or import")
    at: AwareDatetime = Field(description="the first row, from before the transfer")
    until: AwareDatetime | None = Field(description="the last row; null while it is recorded")
    phase: Literal["discharging", "recharging", "done"] = Field(description="how far it has come")
    started_s: float = Field(description="when the bank began to give current")
    ended_after_s: float | None = Field(
        description="the last row on battery: the end lies between it and `ended_s`"
    )
    ended_s: float | None = Field(description="the first row after the end; null while it runs")
    ended_how: str | None = Field(description="supply_back or output_lost; null while it runs")
    card_runtime_s: float | None = Field(description="what the card promised just before")
    row_count: int = Field(ge=0, description="rows of the record")
    longest_gap_s: float = Field(description="longest time between two rows of the discharge")
    returned_ah: float | None = Field(description="charged since the end; null where no current was read")


class Discharges(_Listed):
    """A bank's records of discharges."""

    items: list[Discharge]


class DischargeMoment(_Answer):
    """One row of a discharge."""

    t_s: float = Field(description="from the record's start")
    voltage_v: float | None = Field(description="of the bank")
    current_a: float | None = Field(description="of the bank, positive while discharging")
    temperature_c: float | None = Field(description="of the bank")
    output_power_w: float | None = Field(description="of the units that the bank feeds")
    on_battery: bool | None = Field(description="whether the load was on the bank")


class DischargeRows(_Listed):
    """One discharge with some of its rows."""

    record: Discharge
    items: list[DischargeMoment]


class AskedBy(_Answer):
    """For whom something was done."""

    who: str | None = Field(
        description="the name that the means vouches for; null: the text has what was said"
    )
    means: str = Field(
        description="by what means they are known: signed in, a token's id, the proxy, this machine"
    )
    from_: str = Field(alias="from", description="the address it was asked from")
    act: str | None = Field(
        default=None, description="the id of an act that a centre handed on; else it is left out"
    )


class Event(_Answer):
    """One line of the journal."""

    seq: int = Field(ge=1, description="its number, in order of commit")
    at: AwareDatetime = Field(description="when it happened")
    kind: str = Field(description="what kind of event")
    about: str | None = Field(description="id of a system, unit, bank or supply; null: of the service itself")
    text: str = Field(description="the event in a sentence")
    incident: str | None = Field(description="the incident it belongs to")
    alarm: str | None = Field(description="the alarm it belongs to")
    asked: AskedBy | None = Field(
        description="for whom it was done; null where nobody asked for it over HTTP"
    )


class Events(_Listed):
    """The journal."""

    items: list[Event]


class OutageOfSystem(_Answer):
    """One system's part in an outage."""

    system: str = Field(description="id of the system")
    on_battery_since: AwareDatetime = Field(description="when it went on its banks")
    back_at: AwareDatetime | None = Field(
        description="when it was fed again; null: it is not, or its banks ended"
    )
    ends_earliest: AwareDatetime | None = Field(
        description="the earliest end of its banks; null: cannot be told"
    )
    ends_latest: AwareDatetime | None = Field(description="the latest end of its banks")
    start_set_before: AwareDatetime | None = Field(description="the last moment to start the generator")
    reckoned_since: AwareDatetime | None = Field(
        description="since when nothing was read and the end is reckoned"
    )
    lowest_left_s: float | None = Field(description="the least time left that was reckoned, seconds")
    dropped: bool = Field(description="whether its load was lost")


class Incident(_Answer):
    """One cause and what hangs on it."""

    id: str = Field(description="names the incident")
    about: str = Field(description="id of the system, unit or supply it began with")
    severity: str = Field(description="critical, major, minor or warning")
    opened: AwareDatetime = Field(description="when it began")
    closed: AwareDatetime | None = Field(description="when it was over; null while it is open")
    cause: Literal["power", "network", "consequence", "own"] | None = Field(
        description="the family of causes; null: a later version wrote it, and nothing below is known"
    )
    what: str | None = Field(description="what was told when it opened")
    do: str | None = Field(description="what there is to do, as it was told last")
    summary: str | None = Field(description="what was told of its end")
    announced_at: AwareDatetime | None = Field(description="when people were first told of it; null: not yet")
    told_at: AwareDatetime | None = Field(description="when there was last something to tell of it")
    notices: int = Field(ge=0, description="how often there was something to tell of it")
    level: int = Field(ge=0, description="how often people were reminded, since nobody had acknowledged it")
    alarms: list[str] = Field(description="ids of its alarms that stand")
    alarms_ever: list[str] = Field(description="ids of all alarms that were in it")
    conditions_counted: int = Field(
        ge=0, description="conditions it holds, those that are not told singly too"
    )
    part_of: str | None = Field(description="id of the outage that it happened in")
    goes_on_from: str | None = Field(
        description="id of the incident with whose end it was told that this one still stands"
    )
    systems: list[OutageOfSystem] = Field(description="of an outage: the systems that were on their banks")


class OnCall(BaseModel):
    """Who is on call by one rota."""

    rota: str = Field(description="id of the rota")
    person: str = Field(description="who is on call")
    telephone: str | None = Field(description="the number to call")
    since: AwareDatetime = Field(description="when it began")
    until: AwareDatetime = Field(description="when it ends")
    stands_in: bool = Field(description="whether it is not this person's own turn")
    then: str | None = Field(description="who is on call after that")


class OnCallNow(_Listed):
    """Who is on call now, a line for each rota that has begun."""

    items: list[OnCall]


class Incidents(_Listed):
    """Incidents."""

    items: list[Incident]


class OutageMarked(_Answer):
    """A mark as it was taken."""

    incident: str = Field(description="the incident")
    by: str = Field(description="who said so")
    source: Literal["mains", "generator", "unknown"] = Field(
        description="what fed the supply when it came back"
    )
    event: int = Field(ge=1, description="number of the line in the journal")


class KnownSession(_Answer):
    """A browser that is signed in."""

    since: AwareDatetime = Field(description="when it signed in")
    used_at: AwareDatetime = Field(description="when it was last used, within a minute")
    ends_at: AwareDatetime = Field(description="when it is over whatever happens")
    from_: str = Field(alias="from", description="the address it signed in from")


class KnownUser(_Answer):
    """A person who may look or act."""

    name: str = Field(description="the name they sign in by, under which the journal has what they do")
    role: str = Field(description="look, act or administer")
    has_password: bool = Field(description="false: only a proxy vouches for them")
    made_at: AwareDatetime = Field(description="when they were added")
    changed_at: AwareDatetime = Field(description="when role or password were last changed")
    sessions: list[KnownSession]


class Users(_Listed):
    """The users."""

    items: list[KnownUser]


class KnownToken(_Answer):
    """A program that may look or act."""

    id: str = Field(description="the part of it that is no secret; the journal names it")
    label: str = Field(description="what it is for")
    role: str = Field(
        description="look, act, administer, or pass_on: act under the names of those who act at a centre"
    )
    made_at: AwareDatetime = Field(description="when it was made")
    ends_at: AwareDatetime = Field(description="when it expires")
    used_at: AwareDatetime | None = Field(description="when it was last used, within an hour; null: never")


class Tokens(_Listed):
    """The tokens."""

    items: list[KnownToken]


class Ended(_Answer):
    """What was ended."""

    ended: str = Field(description="the user or the token")
    count: int = Field(ge=0, description="how many sessions or tokens that were")
