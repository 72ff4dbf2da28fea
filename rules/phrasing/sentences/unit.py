"""What is said of a unit and its card (`rules.alarms.conditions.unit`, `card`, `old_reading`)."""

from __future__ import annotations

from typing import Final

from rules.alarms.catalogue import CARD_ALARMS
from rules.phrasing.says import Sentence, says
from rules.plant.unread import Unread
from rules.values.code import Code


def _unit(about: str, system: str) -> str:
    return f"unit {about} ({system})"


@says(Code.BANK_LOW)
def bank_low(about: str, *, system: str, status: str) -> Sentence:
    """Say what a card says of its bank (upsBatteryStatus)."""
    return Sentence(_unit(about, system), f"says its bank is {status} while it carries the load.")


@says(Code.ON_BYPASS)
def on_bypass(about: str, *, system: str) -> Sentence:
    """Say that nothing stands behind the load."""
    return Sentence(_unit(about, system), "is on bypass: a mains failure drops its load at once.")


@says(Code.OUTPUT_OFF)
def output_off(about: str, *, system: str, carrying: int) -> Sentence:
    """Say that a unit feeds nothing, and how many beside it carry."""
    others = f"{carrying} beside it carry the load." if carrying else "no unit beside it carries."
    return Sentence(_unit(about, system), f"feeds nothing; {others}")


@says(Code.LINE_LOADED_BY_CARD)
def line_loaded_by_card(*, line: int, pct: float) -> str:
    """Say a line's load as its card gives it (upsOutputPercentLoad), as a clause."""
    return f"{pct:.0f} % of its rating on line {line} (by the card's per cent)"


@says(Code.LINE_LOADED)
def line_loaded(*, line: int, pct: float, figure: float, rating: float, limit: str) -> str:
    """Say a line's load beside its rating, in W or VA as `limit` ("w", "va") says, as a clause."""
    of = f"{figure / 1e3:.2f} {'kW' if limit == 'w' else 'kVA'} of {rating / 1e3:.2f}"
    return f"{pct:.0f} % of its rating on line {line} ({of})"


@says(Code.OVERLOAD)
def overload(about: str, *, system: str, lines: tuple[str, ...]) -> Sentence:
    """Say what a unit carries."""
    return Sentence(_unit(about, system), f"carries {'; '.join(lines)}.")


@says(Code.BANK_HOT)
def bank_hot(about: str, *, system: str, temperature_c: float, limit_c: float) -> str:
    """Say how warm a bank is, in degC."""
    return f"It is {temperature_c:.0f} °C at the bank of {_unit(about, system)}, limit {limit_c:g}."


@says(Code.LOAD_SHARE)
def load_share(about: str, *, system: str, fraction: float, mean: float) -> Sentence:
    """Say what part of its rating a unit carries beside the mean of its system."""
    return Sentence(
        _unit(about, system),
        f"carries {100 * fraction:.0f} % of its rating, the mean of its system is {100 * mean:.0f} %.",
    )


@says(Code.SELF_TEST_FAILED)
def self_test_failed(about: str, *, system: str, error: bool, detail: str) -> str:
    """Say how a test ended (upsTestResultsSummary, upsTestResultsDetail)."""
    it_says = f" It says: {detail}." if detail else ""
    how = "an error" if error else "a warning"
    return f"The last test of {_unit(about, system)} ended with {how}.{it_says}"


@says(Code.CARD_ALARM)
def card_alarm(about: str, *, system: str, alarm: str) -> Sentence:
    """Say an alarm of the card's own table (RFC 1628, upsWellKnownAlarms)."""
    return Sentence(_unit(about, system), f"{CARD_ALARMS[alarm].says}.")


@says(Code.CARD_ALARM_UNCLASSIFIED)
def card_alarm_unclassified(about: str, *, system: str, alarm: str) -> str:
    """Say that a card reports what RFC 1628 does not know."""
    return f"The card of {_unit(about, system)} reports {alarm}, which only its maker can name."


_WHY: Final = {
    Unread.NO_ANSWER: "its card was asked and has not answered",
    Unread.NOT_ASKED: "ridethrough did not ask its card in time",
    Unread.NOT_JUDGED: "what its card said waits to be judged",
    Unread.CANNOT_BE_JUDGED: "what its card says cannot be judged, by a fault in ridethrough",
}


@says(Code.READING_OLD)
def reading_old(*, name: str, age_s: float, why: str, on_bank: bool) -> str:
    """Say how old a unit's last reading is, in s, and whose fault that is."""
    seen = " It was last seen on battery." if on_bank else ""
    return f"The last reading of {name} is {age_s:.0f} s old: {_WHY[Unread(why)]}.{seen}"
