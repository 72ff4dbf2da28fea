"""What is said of work on a unit, one reason a line."""

from typing import Final

from rules.system.state import Standing
from rules.values.code import Code
from rules.values.reason import Reason, reason

OUT: Final = reason(Code.WORK_OUT, "A1", standing=Standing.ISOLATED, carried_w=12_000.0)

SPOKEN: Final[tuple[tuple[Reason, str], ...]] = (
    (reason(Code.WORK_NOT_SEEN_YET, "A1"), "How unit A1 stood when the work began was not seen yet."),
    (reason(Code.WORK_IN_SERVICE, "A1"), "Unit A1 is still in service."),
    (OUT, "Unit A1 is isolated; the others carry 12.0 kW."),
    (reason(Code.WORK_OUT, "A1", standing=Standing.BYPASS, carried_w=None), "Unit A1 is on bypass."),
    (
        reason(Code.WORK_OUT_UNHEARD, "A1", carried_w=12_000.0),
        "Unit A1 is out and not heard; the others carry 12.0 kW.",
    ),
    (
        reason(Code.WORK_OUT_PEERS_TOOK, "A1", carried_w=12_000.0),
        "Unit A1 is not heard and its peers took its part; the others carry 12.0 kW.",
    ),
    (reason(Code.WORK_BACK, "A1"), "Unit A1 is back and does not share the load evenly yet."),
    (reason(Code.WORK_BACK_UNHEARD, "A1"), "Unit A1 came back and is not heard now."),
    (
        reason(Code.WORK_SHARING, "A1"),
        "Unit A1 shares the load; its bank is not known to be full yet.",
    ),
    (
        reason(Code.WORK_CHARGED, "A1"),
        "Unit A1 shares the load and its bank is full: the work can be closed.",
    ),
    (reason(Code.WORK_UNHEARD, "A1"), "Unit A1 is not heard: whether it is out cannot be seen."),
    (
        reason(Code.WORK_BEGINS, "A1", by="R. Haugen", takes_s=14_400.0, carried_w=9_040.0),
        "Work on unit A1 begins, as R. Haugen said; it is to take 4 h 0 min. The system carried 9.0 kW.",
    ),
    (
        reason(Code.WORK_BEGINS, "A1", by="", takes_s=90.0, carried_w=None),
        "Work on unit A1 begins; it is to take 1 min 30 s.",
    ),
    (
        reason(Code.WORK_EXTENDED, "A1", by="R. Haugen", takes_s=3600.0),
        "R. Haugen gave the work on unit A1 another 1 h 0 min.",
    ),
    (
        reason(Code.WORK_CLOSED, "A1", by="R. Haugen", note="new fans", because=OUT),
        "R. Haugen closed the work on unit A1: new fans. Unit A1 is isolated; the others carry 12.0 kW.",
    ),
    (
        reason(Code.WORK_CLOSED, "A1", by="R. Haugen", note="", because=reason(Code.WORK_IN_SERVICE, "A1")),
        "R. Haugen closed the work on unit A1. Unit A1 is still in service.",
    ),
    (reason(Code.WORK_OVER, "A1"), "The work on unit A1 is over: it shares the load again."),
    (reason(Code.WORK_OVER_NEVER_OUT, "A1"), "The time for work on unit A1 is over; it was never seen out."),
    (reason(Code.WORK_AS_PLANNED, "A1"), "The work on unit A1 is as planned again."),
    (reason(Code.UNPLANNED_BYPASS, "A1"), "Unit A1 is on bypass: the load may hang on the raw supply."),
    (
        reason(Code.UNPLANNED_LOAD_FELL, "A", was_w=18_000.0, load_w=6_040.0),
        "The load fell from 18.0 to 6.0 kW: was something dropped?",
    ),
    (
        reason(Code.UNPLANNED_ON_BATTERY, "A2", worked="A1"),
        "Unit A2 went on battery while unit A1 is worked on.",
    ),
    (
        reason(Code.UNPLANNED_NOT_HEARD, "A2", worked="A1"),
        "Unit A2 is not heard while unit A1 is worked on.",
    ),
    (
        reason(Code.UNPLANNED_LEFT, "A2", was=Standing.CARRYING, standing=Standing.BYPASS),
        "Unit A2 was carrying and is on bypass.",
    ),
    (
        reason(Code.UNPLANNED_LEFT, "A2", was=None, standing=Standing.OFF),
        "Unit A2 was not known and is off.",
    ),
    (
        reason(Code.WORK_UNEXPECTED, "A1", system="Hall", because=(OUT, reason(Code.UNPLANNED_BYPASS, "A2"))),
        "During work on unit A1 (Hall): Unit A1 is isolated; the others carry 12.0 kW. Unit A2 is on bypass: the load may "
        "hang on the raw supply.",
    ),
    (
        reason(Code.WORK_UNEXPECTED, "A1", system="", because=(reason(Code.UNPLANNED_BYPASS, "A1"),)),
        "During work on unit A1: Unit A1 is on bypass: the load may hang on the raw supply.",
    ),
    (
        reason(Code.WORK_OVERDUE, "A1", because=OUT),
        "The time for work on unit A1 has passed. Unit A1 is isolated; the others carry 12.0 kW.",
    ),
)
