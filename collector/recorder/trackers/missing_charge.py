"""What a bank had not back when a discharge began, by what was kept of the ones before it.

Ampere-hours counted, hours unseen, the bank's last moments on float, the card's own count of seconds: what
of them is known, goes in; where nothing is, the answer is wide (`rules.battery.model.recharge`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final
from zlib import crc32

import numpy as np

from collector.storage.ledger.discharge_record import (
    OUTSIDE,
    SCHEMA,
    DischargeRecord,
    DischargeRow,
    records_in,
)
from collector.storage.ledger.records import Evidence
from rules.battery.assessment.charging import RESTED_LOW_V
from rules.battery.discharge.evidence import DischargeEvidence
from rules.battery.model.float_voltage import OPEN_CIRCUIT_V, float_setpoint_v
from rules.battery.model.health import by_charge_draws
from rules.battery.model.recharge import (
    FULL,
    FULL_AFTER_H,
    IN_THE_MIDDLE,
    Nodes,
    Recharge,
    after_recharge,
    by_rest,
    later,
    nodes_of,
)
from rules.battery.model.runtime_curve import Floats, RuntimeCurve, curve_for
from rules.plant.estate import Bank, Charging, FittedBank
from rules.values.verdict import Basis

QUICK: Final = frozenset({"transfer"})
AS_LOGGED: Final[Nodes] = ()
WELL_BEFORE: Final = timedelta(hours=FULL_AFTER_H)
WATCHED_S: Final = 24 * 3600.0
"""A bank seen on mains for so long is full: makers state about 24 h from empty at 0.1 C."""
_DRAWS: Final = 400
_AH_OF_USED: Final = (
    0.6  # rated ampere-hours per published time at the usual rates, where no current was read
)
_LOSSES: Final = 1.07
_LOW_V: Final = -0.08  # V per cell under the float set point


def records_of(lines: Iterable[Evidence], bank: Bank) -> list[DischargeRecord]:
    """Return the discharges of a bank in ledger lines, each time on the bank by itself, oldest first."""
    found = [
        record for line in lines if line.schema == SCHEMA for record in records_in(line, bank.reported_cells)
    ]
    return sorted(found, key=lambda record: record.began)


def missing_at_start(
    bank: Bank,
    fitted: FittedBank,
    record: DischargeRecord,
    earlier: Sequence[DischargeRecord],
    shown: Mapping[str, DischargeEvidence],
) -> Nodes:
    """Return what was missing when a record began, from what came before it (`earlier`, oldest first).

    The balance runs from the last discharge that was judged; without one in three days a bank that was
    watched for long enough is full, and of another only its last moments speak. `shown`: by record. A log
    that somebody gave us speaks for itself: `AS_LOGGED`.
    """
    rest = [r for r in record.rows if r.t_s < record.started_s]
    last = rest[-1] if rest else None
    off_v, cell_v, current_c = _rest_of(last, bank, fitted)
    before = [r for r in earlier if r.id in shown and r.ended is not None]
    nodes: Nodes
    previous = before[-1] if before else None
    if previous is not None and record.began - _ended(previous) < WELL_BEFORE:
        between = [*earlier[earlier.index(previous) :], record]
        seen = _recharge(between, bank, fitted, record.began, last)
        what = shown[previous.id]
        used = np.resize(np.asarray(what.missing or FULL), _DRAWS) + what.by_itself
        used = used * _counts_here(previous, record, bank, fitted)
        removed = _removed(what)
        draws = after_recharge(used, removed, seen, crc32(record.id.encode()), draws=_DRAWS)
        nodes = nodes_of(draws)
    elif record.kind in OUTSIDE:
        return AS_LOGGED
    elif record.watched_s >= WATCHED_S and _is_kept_full(bank, off_v, cell_v):
        nodes = FULL
    else:
        nodes = by_rest(off_v, cell_v, current_c)
    if record.unseen_s is None:
        return tuple(sorted({*nodes, *IN_THE_MIDDLE}))
    if record.unseen_s > 0.0:
        more = _used_unseen(bank, fitted, record)
        nodes = later(nodes, more, 0.2 * more)
    return nodes


def _is_kept_full(bank: Bank, off_v: float | None, cell_v: float | None) -> bool:
    """Return whether a bank that was long on mains stands where one that is kept full does."""
    if off_v is None or cell_v is None:
        return True
    return off_v > _LOW_V or (bank.charging is Charging.INTERMITTENT and cell_v > RESTED_LOW_V)


def _ended(record: DischargeRecord) -> datetime:
    return record.ended or record.began


def _removed(what: DischargeEvidence) -> float:
    """Return what was out of the bank at a discharge's end, as a share of its rated ampere-hours."""
    if what.removed is None:
        return what.used * _AH_OF_USED
    return what.removed * what.used / max(what.by_itself, 1e-6)


def _rest_of(
    row: DischargeRow | None, bank: Bank, fitted: FittedBank
) -> tuple[float | None, float | None, float | None]:
    """Return V per cell over the float set point, V per cell, and amperes in per rated Ah, of a row on mains."""
    if row is None or row.voltage_v is None:
        return None, None, None
    cell_v = row.voltage_v / bank.reported_cells
    setpoint = float_setpoint_v(25.0 if row.temperature_c is None else row.temperature_c)
    rated_ah = (fitted.rated_capacity_ah or 0.0) * bank.strings
    current_c = None if row.current_a is None or not rated_ah else -row.current_a / rated_ah
    return cell_v - setpoint, cell_v, current_c


def _recharge(
    records: Sequence[DischargeRecord],
    bank: Bank,
    fitted: FittedBank,
    upto: datetime,
    last: DischargeRow | None,
) -> Recharge:
    """Return what was seen of a recharge: from the end of the first record on, over all that follow."""
    hours = max((upto - _ended(records[0])).total_seconds() / 3600.0, 0.0)
    off_v, cell_v, current_c = _rest_of(last, bank, fitted)
    full = any(r.full for r in records if r.until is not None and r.until <= upto)
    rated_ah = (fitted.rated_capacity_ah or 0.0) * bank.strings
    parts = [one for one in (r.recharge_seen() for r in records) if one is not None]
    amp_hours, seen_s = (sum(part[k] for part in parts) for k in (0, 1))
    # A meter that shows discharge only stands at 0 A while the charger holds the bank up.
    blind = amp_hours <= 0.0 and cell_v is not None and cell_v > OPEN_CIRCUIT_V
    if not parts or not rated_ah or blind:
        return Recharge(hours, None, 0.0, off_v, current_c, full)
    return Recharge(hours, amp_hours / rated_ah, min(seen_s / 3600.0, hours), off_v, current_c, full)


def _counts_here(
    previous: DischargeRecord, record: DischargeRecord, bank: Bank, fitted: FittedBank
) -> Floats:
    """Return what a share that one discharge used counts at the power of another, one a draw (`health.BY_CHARGE`)."""
    curve = curve_for(fitted)
    then_w, now_w = (_per_cell_w(r, bank, curve) for r in (previous, record))
    if then_w is None or now_w is None:
        return np.ones(_DRAWS)
    then_ws, now_ws = (w * float(curve.seconds(w)) for w in (then_w, now_w))
    return 1.0 + by_charge_draws(np.random.default_rng(crc32(bank.id.encode())), _DRAWS) * (
        then_ws / now_ws - 1.0
    )


def _per_cell_w(record: DischargeRecord, bank: Bank, curve: RuntimeCurve) -> float | None:
    """Return the mean W per cell of a record, not under its table's smallest; None where they are not known."""
    powers = [r.output_power_w for r in record.rows if r.on_battery and r.output_power_w]
    if not powers or curve.basis is Basis.NONE:
        return None
    return max(float(np.mean(powers)) * _LOSSES / (bank.cells * bank.strings), curve.smallest_w)


def _used_unseen(bank: Bank, fitted: FittedBank, record: DischargeRecord) -> float:
    """Return the share of published time that a bank had given when it was first read on battery."""
    powers = [r.output_power_w for r in record.rows if r.on_battery and r.output_power_w]
    curve = curve_for(fitted)
    if not powers or curve.basis is Basis.NONE:
        return 0.0
    per_cell = powers[0] * _LOSSES / (bank.cells * bank.strings)
    return (record.unseen_s or 0.0) / float(curve.seconds(max(per_cell, curve.smallest_w)))


def since_the_last(
    lines: Iterable[Evidence], bank: Bank, fitted: FittedBank | None, as_of: datetime
) -> Recharge | None:
    """Return what was seen since the last discharge; None where there is none, or it still runs."""
    records = [r for r in records_of(lines, bank) if r.kind not in QUICK]
    if not records or fitted is None or records[-1].ended is None:
        return None
    last = records[-1]
    return _recharge([last], bank, fitted, as_of, last.rows[-1] if last.rows else None)
