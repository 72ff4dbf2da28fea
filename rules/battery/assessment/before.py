"""What was believed of a bank before one of its discharges: by its age, and by the discharges that came earlier."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from zlib import crc32

from rules.battery.assessment.bank import judge_bank
from rules.battery.assessment.evidence import BankEvidence
from rules.battery.discharge.capacity import ReferenceLog
from rules.battery.discharge.expected import ExpectedCourse, expected_course
from rules.battery.discharge.record.clean_discharge import Battery
from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.model.recharge import Nodes
from rules.plant.estate import in_place


def expected_before(  # noqa: PLR0917 - the worker takes positional arguments
    evidence: BankEvidence,
    began: datetime,
    log: DischargeLog,
    battery: Battery,
    references: Sequence[ReferenceLog],
    missing: Nodes,
    name: str,
) -> ExpectedCourse | None:
    """Return what was expected of the discharge `name` that began at `began`; None where nothing was known.

    `evidence`: all that is known of the bank, of which what came later is left out. Runs in the judging process.
    """
    if in_place(evidence.bank.fitted, began.date()) is None:
        return None
    earlier = tuple(d for d in evidence.discharges if d.at < began)
    known = replace(
        evidence,
        as_of=began,
        discharges=earlier,
        hand=tuple(one for one in evidence.hand if one.on < began.date()),
        asked=None,
        next_test=None,
        recharge=None,
        siblings=(),
        lessons=(),  # they are of today
    )
    belief = judge_bank(known).belief.rested(began)
    return expected_course(log, battery, references, belief, missing, seed=crc32(name.encode()))
