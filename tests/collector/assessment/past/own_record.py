"""A discharge as the collector itself would have recorded it."""

from __future__ import annotations

from datetime import datetime, timedelta

from collector.storage.ledger.discharge_record import DischargeRecord, DischargeRow, Phase, to_evidence
from collector.storage.ledger.records import Evidence


def own_record(bank: str, at: datetime, *, minutes: float) -> Evidence:
    rows = tuple(DischargeRow(10.0 * n, 480.0, 20.0, 23.0, 9000.0, True) for n in range(int(6 * minutes)))
    end_s = rows[-1].t_s
    return to_evidence(
        DischargeRecord(
            id=f"{bank}-{at:%Y%m%dT%H%M%SZ}",
            bank=bank,
            at=at,
            kind="outage",
            rows=rows,
            phase=Phase.DONE,
            started_s=0.0,
            ended_after_s=end_s,
            ended_s=end_s,
            ended_how="supply_back",
            until=at + timedelta(seconds=end_s),
        )
    )
