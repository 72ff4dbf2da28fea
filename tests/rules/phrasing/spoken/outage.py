"""What is said of a system on its banks and of what to shed, one reason a line."""

from typing import Final

from rules.values.code import Code
from rules.values.reason import Reason, reason, told

NAME: Final = "unit A1 (Hall)"
LAB: Final = reason(Code.SHED_STEP, "laboratory", power_w=6_000.0, by="relay 4")
BLOWERS: Final = reason(Code.SHED_STEP, "blowers", power_w=12_340.0, by=None)
SHED: Final = reason(
    Code.SHED_FIRST, steps=(LAB,), then_s=900.0, within_s=440.0, reached=True, wanted_for="an hour",
    wanted_s=3600.0,
)  # fmt: skip
SHED_SAID: Final = (
    "Shed first laboratory, 6.00 kW (by relay 4): it then holds 15.0 min at the least; shed within 7.3 min it is still "
    "enough."
)

SPOKEN: Final[tuple[tuple[Reason, str], ...]] = (
    (
        reason(Code.SHED_NOT_SINCE, shed=SHED, ago_s=65.0, why=told("The bank is not judged.")),
        f"{SHED_SAID} Reckoned 1.1 min ago and not since: the bank is not judged.",
    ),
    (
        reason(Code.ON_BATTERY_CARRIED, name=NAME, silent=False),
        "Unit A1 (Hall) feeds its load from its bank; the units beside it that are fed can carry the load.",
    ),
    (
        reason(Code.ON_BATTERY_OUTLASTED, name=NAME, silent=False),
        "Unit A1 (Hall) feeds its load from its bank, longer than was foretold; how long it still lasts cannot be told.",
    ),
    (
        reason(Code.ON_BATTERY_NOT_TOLD, name=NAME, silent=True),
        "Unit A1 (Hall) was last seen feeding its load from its bank; how long it lasts cannot be told.",
    ),
    (
        reason(Code.ON_BATTERY_HOLDS, name=NAME, silent=False, left_s=365.0, reckoned=False),
        "Unit A1 (Hall) feeds its load from its bank; its system holds 6.0 min more at the least.",
    ),
    (
        reason(Code.ON_BATTERY_HOLDS, name=NAME, silent=True, left_s=365.0, reckoned=True),
        "Unit A1 (Hall) was last seen feeding its load from its bank; its system holds 6.0 min more at the least, by reckoning.",
    ),
    (
        reason(
            Code.ENDS_SOON,
            "A",
            name="Hall",
            left_s=365.0,
            reckoned=True,
            outlasted=False,
            fed=1,
            units=3,
            others_fed=4,
        ),
        "Hall drops its load soon. It holds 6.0 min more at the least (reckoned: its cards are silent). 1 of 3 units is fed.",
    ),
    (
        reason(
            Code.ENDS_SOON,
            "A",
            name="Hall",
            left_s=None,
            reckoned=False,
            outlasted=False,
            fed=0,
            units=3,
            others_fed=0,
        ),
        "Hall drops its load soon.",
    ),
    (
        reason(
            Code.ENDS_SOON,
            "A",
            name="Hall",
            left_s=365.0,
            reckoned=False,
            outlasted=False,
            fed=0,
            units=3,
            others_fed=0,
            surely=False,
        ),
        "Hall may drop its load soon. It holds 6.0 min more at the least.",
    ),
    (
        reason(
            Code.ENDS_SOON,
            "A",
            name="Hall",
            left_s=365.0,
            reckoned=False,
            outlasted=True,
            fed=0,
            units=3,
            others_fed=2,
        ),
        "Hall drops its load soon. It has held longer than was foretold; how long it still holds cannot be told. 2 other "
        "units on its supply are fed.",
    ),
    (
        reason(
            Code.SET_STARTS_FAILED,
            "A",
            name="Hall",
            generator="G1",
            starts=3,
            left_s=365.0,
            reckoned=False,
            outlasted=False,
        ),
        "3 starts of G1 should have brought supply by now, and Hall is on its banks. It holds 6.0 min more at the least.",
    ),
    (
        reason(
            Code.NO_SUPPLY_IN_TIME,
            "A",
            name="Hall",
            generator="G1",
            budget_s=141.0,
            left_s=None,
            reckoned=False,
            outlasted=False,
        ),
        "No supply for Hall within the 2.4 min allowed for G1.",
    ),
    (
        reason(
            Code.NO_WAY_IN,
            "A",
            name="Hall",
            generator="G1",
            budget_s=141.0,
            fed=0,
            units=2,
            others_fed=1,
            left_s=365.0,
            reckoned=False,
            outlasted=False,
        ),
        "No supply for Hall within the 2.4 min allowed for G1, though 1 other unit on its supply is fed. It holds 6.0 min "
        "more at the least.",
    ),
    (
        reason(
            Code.SUPPLY_REFUSED, "A", name="Hall", stood_s=95.0, left_s=365.0, reckoned=False, outlasted=False
        ),
        "Hall has had voltage at its inputs for 1 min 35 s and does not take it. It holds 6.0 min more at the least.",
    ),
    (
        reason(Code.SUPPLY_BEING_TAKEN, "A", name="Hall", left_s=365.0),
        "Hall has supply at the inputs of all that run on their banks, and is about to take it. It holds 6.0 min more at the "
        "least.",
    ),
    (
        reason(Code.DO_SEE_IT_TAKEN, within_s=18.0),
        "See that what runs on its bank takes the supply within 18 s; if it does not, look at its input breaker and display.",
    ),
    (reason(Code.LINE_OVER, "A", line=1, over=3750.0, limit="va"), "3.75 kVA on line 1"),
    (
        reason(
            Code.END_OVERLOADS,
            "A",
            units=1,
            lines=(
                reason(Code.LINE_OVER, line=1, over=3750.0, limit="va"),
                reason(Code.LINE_OVER, line=3, over=900.0, limit="w"),
            ),
        ),
        "When its bank ends, the units that are fed have to carry 3.75 kVA on line 1 and 0.90 kW on line 3 too much.",
    ),
    (
        reason(
            Code.DO_RELIEVE_LINES,
            lines=(reason(Code.LINE_OVER, line=1, over=3750.0, limit="va"),),
            within_s=605.0,
            steps=(LAB,),
            enough=True,
        ),
        "Shed 3.75 kVA on line 1 within 10.0 min: laboratory, 6.00 kW (by relay 4). And look at the input breaker and the "
        "display of what runs on its bank; others on its supply are fed.",
    ),
    (
        reason(
            Code.DO_RELIEVE_LINES,
            lines=(reason(Code.LINE_OVER, line=1, over=3750.0, limit="va"),),
            within_s=None,
            steps=(),
            enough=False,
        ),
        "Shed 3.75 kVA on line 1 before the bank ends: no load group is declared that could be shed there. And look at the "
        "input breaker and the display of what runs on its bank; others on its supply are fed.",
    ),
    (
        reason(Code.DO_SEE_SET_RUNS, hand_s=1250.0, within_s=190.0),
        "See that the generator runs and carries; if not, send somebody within 3.1 min: a start by hand takes 20.9 min until "
        "it carries, with the way there.",
    ),
    (
        reason(Code.DO_SEE_SET_RUNS, hand_s=1250.0, within_s=None),
        "See that the generator runs and carries; a start by hand takes 20.9 min until it carries, with the way there, and "
        "comes too late: shed load, or shut down in order in good time.",
    ),
    (
        reason(Code.DO_TAKE_SET_ON_LOAD, carries=False, shed=None),
        "Throw the changeover to the generator: the site says that it runs and does not carry. If it does not take the load, "
        "see why at its breaker.",
    ),
    (
        reason(Code.DO_TAKE_SET_ON_LOAD, carries=True, shed=None),
        "Look at the breakers between the generator and this system: the site says that it runs and carries, and no input "
        "has voltage.",
    ),
    (
        reason(Code.DO_WITHOUT_SET, hand_s=1250.0, left_s=540.0, most_s=None, helps=False, shed=None),
        "Shut down in order what can be: it is too late to start the generator by hand, a start by hand takes 20.9 min until "
        "it carries, with the way there, and it holds 9.0 min more at the least.",
    ),
    (
        reason(Code.DO_WITHOUT_SET, hand_s=1250.0, left_s=540.0, most_s=1300.0, helps=False, shed=None),
        "Send somebody to the generator now, and shut down in order what can be: a start by hand takes 20.9 min until it "
        "carries, with the way there, it holds 9.0 min more at the least and 21.6 min at the most.",
    ),
    (
        reason(Code.DO_WITHOUT_SET, hand_s=1250.0, left_s=540.0, most_s=None, helps=True, shed=SHED),
        "Shed load and send somebody to the generator now: a start by hand takes 20.9 min until it carries, with the way "
        f"there, and it holds 9.0 min more at the least. {SHED_SAID}",
    ),
    (
        reason(Code.DO_START_SET_BY_HAND, shed=None, hand_s=1250.0),
        "Go to the generator and start it by hand: that takes 20.9 min until it carries, with the way there.",
    ),
    (
        reason(Code.DO_SEND_TO_SET, shed=None, hand_s=1250.0),
        "Send somebody to the generator now: start battery, fuel valve, then the key to manual. That takes 20.9 min until it "
        "carries, with the way there.",
    ),
    (
        reason(Code.DO_START_SET_AND_SHUT_DOWN, shed=SHED),
        f"Start the generator by hand; shut down in order what can be. {SHED_SAID}",
    ),
    (reason(Code.DO_SHUT_DOWN_IN_ORDER, shed=None), "Shut down in order what can be."),
    (reason(Code.DO_START_SET_BY_HAND, shed=SHED), f"Go to the generator and start it by hand. {SHED_SAID}"),
    (
        reason(Code.DO_LOOK_AT_BREAKERS, shed=None),
        "Look at the breakers between the supply and this system: others on it are fed.",
    ),
    (
        reason(Code.DO_LOOK_AT_DISPLAYS, shed=None),
        "Look at what the units' displays say of their input: volts, frequency, breakers; have the generator checked.",
    ),
    (
        reason(Code.DO_SEND_TO_SET, shed=None),
        "Send somebody to the generator now: start battery, fuel valve, then the key to manual.",
    ),
    (LAB, "laboratory, 6.00 kW (by relay 4)"),
    (BLOWERS, "blowers, 12.3 kW"),
    (
        reason(Code.SHED_NOT_TOLD, steps=(LAB, BLOWERS)),
        "What shedding gives cannot be told; shed in the agreed order: laboratory, 6.00 kW (by relay 4), then blowers, 12.3 kW.",
    ),
    (
        reason(Code.SHED_NOT_TOLD, steps=()),
        "What shedding gives cannot be told, and no order to shed in is declared: shed what can be spared.",
    ),
    (
        reason(Code.SHED_NOTHING_YET, wanted_for="an hour", wanted_s=3600.0),
        "Nothing needs to be shed yet: it holds for an hour (60.0 min).",
    ),
    (
        reason(Code.SHED_BEING_RECKONED, wanted_for="an hour", wanted_s=3600.0),
        "It may not hold for an hour (60.0 min) any more; what to shed is being reckoned.",
    ),
    (
        reason(Code.SHED_NO_GROUP, wanted_for="an hour", wanted_s=3600.0),
        "It does not hold for an hour (60.0 min), and no load group is declared that could be shed.",
    ),
    (
        reason(Code.SHED_ALL, steps=(LAB, BLOWERS), wanted_for="an hour", wanted_s=3600.0),
        "Shut down in order, laboratory, 6.00 kW (by relay 4), then blowers, 12.3 kW: shedding less does not hold for an hour "
        "(60.0 min).",
    ),
    (
        reason(Code.SHED_TOO_LATE, steps=(BLOWERS,), wanted_for="an hour", wanted_s=3600.0),
        "It is too late to shed for an hour (60.0 min): shut down in order, blowers, 12.3 kW.",
    ),
    (SHED, SHED_SAID),
    (
        reason(
            Code.SHED_FIRST,
            steps=(BLOWERS,),
            then_s=900.0,
            within_s=29.0,
            reached=True,
            wanted_for="an hour",
            wanted_s=3600.0,
        ),
        "Shed first blowers, 12.3 kW: it then holds 15.0 min at the least; shed at once, it is only just enough.",
    ),
    (
        reason(
            Code.SHED_FIRST,
            steps=(BLOWERS,),
            then_s=900.0,
            within_s=30.0,
            reached=True,
            wanted_for="an hour",
            wanted_s=3600.0,
        ),
        "Shed first blowers, 12.3 kW: it then holds 15.0 min at the least; shed within 30 s it is still enough.",
    ),
    (
        reason(
            Code.SHED_FIRST,
            steps=(BLOWERS,),
            then_s=900.0,
            within_s=-1.0,
            reached=True,
            wanted_for="an hour",
            wanted_s=3600.0,
        ),
        "Shed first blowers, 12.3 kW: it then holds 15.0 min at the least; shed at once, it is only just enough.",
    ),
    (
        reason(
            Code.SHED_FIRST,
            steps=(BLOWERS,),
            then_s=None,
            within_s=None,
            reached=False,
            wanted_for="an hour",
            wanted_s=3600.0,
        ),
        "Shed first blowers, 12.3 kW, not the 60.0 min still wanted for an hour.",
    ),
)
