"""What one recorded discharge showed, made once when it ended, and the line of the ledger that keeps it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Final
from zlib import crc32

from collector.assessment.bank_history import midnight
from collector.recorder.trackers.missing_charge import WELL_BEFORE
from collector.storage.ledger.discharge_record import DischargeRecord, shown_id
from collector.storage.ledger.records import Evidence
from rules.battery.discharge.capacity import ReferenceLog
from rules.battery.discharge.estimate import EarlierLog, with_estimate
from rules.battery.discharge.evidence import DischargeEvidence
from rules.battery.discharge.outcome import Circumstances, ShownRow, table_digest, what_it_showed
from rules.battery.discharge.record.clean_discharge import battery_of
from rules.battery.model.inverter_losses import Losses
from rules.battery.model.recharge import FULL, Nodes
from rules.plant.estate import Bank, FittedBank
from rules.values.serial import to_plain

SHOWN: Final = "shown/1"


ACCEPTANCE_WITHIN: Final = timedelta(days=31)
"""A test so soon after the blocks were fitted is their acceptance (IEEE 1188: test at installation)."""


_WENT_ON_S: Final = 30.0


def shown_line(record: DischargeRecord, shown: DischargeEvidence) -> Evidence:
    """Return the line of the ledger that keeps what a record showed."""
    return Evidence(
        id=shown_id(record.id), bank=record.bank, kind=shown.kind, at=shown.at,
        until=shown.at + timedelta(seconds=shown.seconds), schema=SHOWN, body=to_plain(shown),
    )  # fmt: skip


def is_news(
    record: DischargeRecord,
    shown: Evidence | None,
    earlier: Sequence[DischargeRecord],
    fitted: FittedBank | None = None,
) -> bool:
    """Return whether an ended record was not judged yet, or is another than it was when it was judged.

    Or was judged by another table than the blocks `fitted` have by now: what it showed is a share of that one.

    An earlier program took two dips for one discharge, and each for one of a full bank: its judgement of a
    record that came soon after another stands no longer.
    """
    if shown is None or abs(record.carried_s - float(shown.body["seconds"])) > _WENT_ON_S:
        return True
    by = shown.body.get("judged_by")
    if by and fitted is not None and by != table_digest(fitted):
        return True
    soon = any(record.began - (one.ended or one.began) < WELL_BEFORE for one in earlier)
    return soon and shown.body.get("missing") is None


def show(  # noqa: PLR0917 - the worker takes positional arguments
    bank: Bank,
    fitted: FittedBank,
    record: DischargeRecord,
    losses: Losses,
    references: tuple[ReferenceLog, ...],
    recent: EarlierLog | None,
    missing: Nodes = FULL,
    with_others: bool = False,
) -> DischargeEvidence | None:
    """Return what a kept discharge showed. Runs in the judging process."""
    shown = plainly_shown(bank, fitted, record, losses, missing, with_others=with_others)
    if shown is None:
        return None
    battery = battery_of(bank, fitted, losses)
    return with_estimate(
        shown, record.log, battery, references, recent=recent, seed=crc32(record.id.encode())
    )


def plainly_shown(
    bank: Bank,
    fitted: FittedBank,
    record: DischargeRecord,
    losses: Losses,
    missing: Nodes,
    *,
    with_others: bool = False,
) -> DischargeEvidence | None:
    """Return what a kept discharge showed by arithmetic alone, None where no power was read."""
    rows = record.discharge_rows
    rest = [r for r in rows if r.t_s < record.started_s]
    before = [r.voltage_v for r in rest if r.voltage_v is not None]
    on = [
        ShownRow(r.t_s, r.voltage_v, r.current_a, r.temperature_c, r.output_power_w)
        for r in rows
        if r.t_s >= record.started_s
    ]
    how = Circumstances(
        at=record.at + timedelta(seconds=record.started_s),
        kind=kind_of(record, fitted),
        output_lost=record.ended_how == "output_lost",
        with_others=with_others,
        claimed_s=record.claimed_s,
        said_good=record.said_good,
        missing=missing,
        before_w=next((r.output_power_w for r in reversed(rest) if r.output_power_w), None),
    )
    return what_it_showed(bank, fitted, on, how, losses=losses, before_v=before[-1] if before else None)


def kind_of(record: DischargeRecord, fitted: FittedBank) -> str:
    """Return the kind of a discharge: the first test of new blocks is their acceptance."""
    new = record.at - midnight(fitted.from_day) <= ACCEPTANCE_WITHIN
    return "acceptance" if record.kind == "test" and new else record.kind
