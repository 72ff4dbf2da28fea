"""A logged discharge as columns: what was written down, before anything is believed of it."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Self

import numpy as np
from numpy.typing import ArrayLike

from rules.battery.model.runtime_curve import Floats


@dataclass(frozen=True)
class DischargeLog:
    """Rows as logged: seconds, volts of the bank, amperes of the bank, degC, watts out. NaN: not known.

    `on_battery`: the unit's own word, 1 while its bank carries the load, 0 while it does not; None where the
    log has no such column.
    """

    t_s: Floats
    bank_voltage_v: Floats
    bank_current_a: Floats
    temperature_c: Floats
    output_power_w: Floats
    on_battery: Floats | None = None

    @classmethod
    def of(  # noqa: PLR0917 - the columns in the order of a log file
        cls,
        t_s: ArrayLike,
        bank_voltage_v: ArrayLike,
        bank_current_a: ArrayLike | None = None,
        temperature_c: ArrayLike | None = None,
        output_power_w: ArrayLike | None = None,
        on_battery: ArrayLike | None = None,
    ) -> Self:
        """Return a log from columns; a column that is None is not known anywhere."""
        t = np.asarray(t_s, dtype=np.float64)

        def column(values: ArrayLike | None) -> Floats:
            return np.full(t.shape, np.nan) if values is None else np.asarray(values, dtype=np.float64)

        return cls(
            t,
            column(bank_voltage_v),
            column(bank_current_a),
            column(temperature_c),
            column(output_power_w),
            None if on_battery is None else column(on_battery),
        )

    @property
    def word(self) -> Floats:
        """Return the unit's own word by row, NaN where it gave none."""
        return np.full(self.t_s.shape, np.nan) if self.on_battery is None else self.on_battery

    def rows(self, keep: ArrayLike) -> DischargeLog:
        """Return the rows that `keep` (a mask or row numbers) names."""
        k = np.asarray(keep)
        return DischargeLog(
            self.t_s[k],
            self.bank_voltage_v[k],
            self.bank_current_a[k],
            self.temperature_c[k],
            self.output_power_w[k],
            None if self.on_battery is None else self.on_battery[k],
        )

    def until(self, t_s: float) -> DischargeLog:
        """Return the rows earlier than or at `t_s`."""
        return self.rows(self.t_s <= t_s)

    def with_columns(self, **columns: Floats) -> DischargeLog:
        """Return the log with other values in the columns named."""
        values = {field.name: getattr(self, field.name) for field in fields(self)}
        return DischargeLog(**(values | columns))
