"""What a bank does: its physics, whatever was seen of it.

Read in this order: `runtime_curve` (the maker's constant-power table as a curve: seconds for watts per cell),
`temperature` (what it does to that), `float_voltage` (that suits it), `inverter_losses` (what the inverter takes on
the way), `health` (a bank as equally likely draws: what hold-up is played with), `charge_carried`, `recharge` (spent and
got back), `same_error` (what several discharges say together), `ageing` (effective age),
`size_factors` (what a size is reckoned with).
"""
