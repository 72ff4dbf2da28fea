"""What is said of units in parallel, and of what sets them apart (`rules.system.parallel`, `peers`, `comparison`, `transfers`)."""

from __future__ import annotations

from rules.phrasing.says import says
from rules.plant.unread import Unread
from rules.values.code import Code

# ---- what is not read ----------------------------------------------------------------------------------------


def _unread(unit: str, why: str, age_s: float | None) -> str:
    """Say why a unit has no fresh reading; `age_s` None: there never was one."""
    match Unread(why):
        case Unread.NO_ANSWER:
            return (
                f"Unit {unit} has never answered"
                if age_s is None
                else f"Unit {unit} has not answered for {age_s:.0f} s"
            )
        case Unread.NOT_ASKED:
            return (
                f"Unit {unit} has not been asked yet"
                if age_s is None
                else f"Unit {unit} was not asked in time: its last reading is {age_s:.0f} s old"
            )
        case Unread.NOT_JUDGED:
            return (
                f"The first reading of unit {unit} waits to be judged"
                if age_s is None
                else f"Readings of unit {unit} wait {age_s:.0f} s to be judged"
            )
        case Unread.CANNOT_BE_JUDGED:
            return f"What unit {unit} says cannot be judged, by a fault in ridethrough"


@says(Code.UNIT_UNREAD)
def unit_unread(about: str, *, why: str, age_s: float | None) -> str:
    """Say why a unit has no fresh reading, and how old its last one is, in s."""
    return f"{_unread(about, why, age_s)}."


@says(Code.UNIT_VOUCHED_FOR)
def unit_vouched_for(about: str, *, why: str, age_s: float | None) -> str:
    """Say that a unit that is not read still carries, by what its peers carry."""
    return (
        f"{_unread(about, why, age_s)}; its peers carry no more than their part, so it still carries its own."
    )


@says(Code.CARD_GIVES_SUM)
def card_gives_sum(about: str, *, units: tuple[str, ...]) -> str:
    """Say that a card gives the sum of several units."""
    return f"Card {about} gives the sum of units {', '.join(units)}: what one of them carries cannot be told."


@says(Code.CARD_GIVES_ONE)
def card_gives_one(about: str, *, units: tuple[str, ...]) -> str:
    """Say that a card gives one unit of several."""
    return (
        f"Card {about} gives one unit of {', '.join(units)} only: neither the load of the system nor the other units' can be "
        "told."
    )


@says(Code.CARD_LEAVES_OUT)
def card_leaves_out(about: str, *, dark: tuple[int, ...], rest: tuple[str, ...]) -> str:
    """Say which lines a card leaves dark, and what else it leaves out."""
    lines = ", ".join(map(str, dark))
    said = [f"no power on line {lines}, and nothing beside it tells it"] if dark else []
    return f"Unit {about} gives {'; '.join([*said, *rest])}."


@says(Code.NO_CURRENT_ON_LINE)
def no_current_on_line(*, line: int) -> str:
    """Say that a line has no current, as a clause."""
    return f"no current on line {line}"


@says(Code.NO_POWER_ON_LINE)
def no_power_on_line(*, line: int, low_w: float, high_w: float) -> str:
    """Say between which bounds a line's power is taken, in W, as a clause."""
    return f"no power on line {line}: taken as {low_w / 1e3:.2f} to {high_w / 1e3:.2f} kW by what its peers carry"


@says(Code.NOT_SEEN_CARRYING)
def not_seen_carrying(
    about: str, *, carries_w: float, peers: tuple[str, ...], beside_w: float, hints: tuple[str, ...]
) -> str:
    """Say that a unit is not seen carrying beside its peers, in W, what it may be, and what tells."""
    verb = "carries" if len(peers) == 1 else "carry"
    beside = f"{', '.join(peers)} {verb} {beside_w / 1e3:.1f} kW"
    return " ".join(
        (
            f"Unit {about} carries {carries_w / 1e3:.1f} kW while {beside}: it is not seen carrying.",
            *hints,
            "Its output may be open, it may stand by at low load (if it is meant to, declare may_rest), or its part "
            "may go by a bypass: its panel and the position of its output breaker tell.",
        )
    )


@says(Code.HINT_CARD_SAYS)
def hint_card_says(*, alarms: tuple[str, ...]) -> str:
    """Say which alarms of its card say why (RFC 1628)."""
    return f"Its card says {', '.join(alarms)}."


@says(Code.HINT_NO_VOLTAGE)
def hint_no_voltage() -> str:
    """Say that the output is dead."""
    return "It has no voltage at its output."


@says(Code.HINT_VOLTAGE)
def hint_voltage(*, voltage_v: float) -> str:
    """Say what stands at the output."""
    return f"It reads {voltage_v:.0f} V at its output."


@says(Code.HINT_BY_BYPASS)
def hint_by_bypass(*, power_w: float) -> str:
    """Say what goes by the bypass, in W."""
    return f"{power_w / 1e3:.1f} kW go by its bypass."


# ---- what sets units apart -----------------------------------------------------------------------------------


@says(Code.SHARE_OFF)
def share_off(about: str, *, off_fraction: float) -> str:
    """Say by which part of its rating a unit carries more or less."""
    word = "more" if off_fraction > 0.0 else "less"
    return (
        f"Unit {about} carries {100 * abs(off_fraction):.0f} points of its rating {word} than the mean in watts: its output "
        "leads or lags the others in angle."
    )


@says(Code.REACTIVE_SHARE_OFF)
def reactive_share_off(about: str, *, off_fraction: float) -> str:
    """Say the same of reactive power."""
    word = "more" if off_fraction > 0.0 else "less"
    return (
        f"Unit {about} carries {100 * abs(off_fraction):.0f} points of its rating {word} reactive power than the mean: its "
        "voltage is set apart."
    )


@says(Code.BOARD_LINES_APART)
def board_lines_apart(*, apart_fraction: float, line: int) -> str:
    """Say how far a board's lines differ, and which carries most."""
    percent = f"{100 * apart_fraction:.0f} %"
    return f"The board's lines differ by up to {percent} of their mean; line {line} carries most."


@says(Code.HARDLY_A_WATT)
def hardly_a_watt(about: str, *, apparent_va: float, power_w: float) -> str:
    """Say that current flows with hardly a watt."""
    return (
        f"Unit {about} carries {apparent_va / 1e3:.1f} kVA with only {power_w / 1e3:.1f} kW: current may circulate between the "
        "units. The card cannot show the direction."
    )


@says(Code.POWER_FACTOR_APART)
def power_factor_apart(about: str, *, factor: float, siblings: float) -> str:
    """Say at which power factor a unit works beside its siblings."""
    return (
        f"Unit {about} works at power factor {factor:.2f} where its siblings have {siblings:.2f} on the same load: current may "
        "circulate."
    )


@says(Code.VOLTAGE_APART)
def voltage_apart(about: str, *, voltage_v: float, siblings_v: float, line: int) -> str:
    """Say what a unit reads on a board line beside its siblings."""
    return (
        f"Unit {about} reads {voltage_v:.0f} V on board line {line}, its siblings {siblings_v:.0f} V, on one busbar: a wrong "
        "meter, a wrong scale, or the unit is not on the bar."
    )


@says(Code.FREQUENCY_APART)
def frequency_apart(about: str, *, frequency_hz: float, siblings_hz: float) -> str:
    """Say the same of frequency."""
    return f"Unit {about} reads {frequency_hz:.1f} Hz, its siblings {siblings_hz:.1f} Hz: parallel units run in step."


@says(Code.ALONE_ON_BATTERY)
def alone_on_battery(about: str, *, beside: tuple[str, ...]) -> str:
    """Say that others have mains."""
    return f"Unit {about} is on battery while {', '.join(beside)} have mains."


@says(Code.READS_NORMAL_ALONE)
def reads_normal_alone(about: str, *, beside: tuple[str, ...]) -> str:
    """Say that others are on their banks."""
    return f"Unit {about} reads normal while {', '.join(beside)} are on battery."


@says(Code.ON_BYPASS_ALONE)
def on_bypass_alone(about: str, *, beside: tuple[str, ...]) -> str:
    """Say that others carry by inverter."""
    return f"Unit {about} is on bypass while {', '.join(beside)} carry by inverter: one bar, two sources."


@says(Code.BY_INVERTER_ALONE)
def by_inverter_alone(about: str, *, beside: tuple[str, ...]) -> str:
    """Say that others are in economy mode."""
    return f"Unit {about} carries by inverter while {', '.join(beside)} are in economy mode: one bar, two sources."


@says(Code.SOFTWARE_DIFFERS)
def software_differs(about: str, *, said: str, siblings: str) -> str:
    """Say which software a unit runs beside its siblings."""
    return f"Unit {about} runs software {said}, its siblings {siblings}."


def _settings(said: tuple[int, int, int]) -> str:
    volts, hertz, low_min = said
    return f"{volts} V, {hertz} Hz, low battery {low_min} min"


@says(Code.SETTINGS_DIFFER)
def settings_differ(about: str, *, said: tuple[int, int, int], siblings: tuple[int, int, int]) -> str:
    """Say what a unit is set for (V, Hz, minutes of low battery) beside its siblings."""
    return f"Unit {about} is set for {_settings(said)}, its siblings {_settings(siblings)}."


@says(Code.RATING_DIFFERS)
def rating_differs(about: str, *, said: int, siblings: int) -> str:
    """Say what a unit is rated, in kVA, beside its siblings."""
    return f"Unit {about} is rated {said} kVA, its siblings {siblings} kVA."


@says(Code.STAYED_ON_MAINS)
def stayed_on_mains(about: str) -> str:
    """Say that a unit did not go with its siblings."""
    return f"Unit {about} did not go on battery with its siblings."


@says(Code.CAME_BACK_LATE)
def came_back_late(about: str, *, late_s: float, first: str, allowed_s: float) -> str:
    """Say how long after the first a unit came back, in s, and what is allowed."""
    return f"Unit {about} came back {late_s:.0f} s after {first}; {allowed_s:.0f} s are allowed."
