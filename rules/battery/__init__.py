"""Battery physics of a lead-acid bank, one topic a module; units and sources in every docstring.

Read in this order:

1. `runtime`       the maker's constant-power table as a curve: seconds for watts per cell
2. `temperature`   what the temperature does to it; `losses`: what the inverter takes on the way
3. `belief`        a bank as equally likely draws: what hold-up is played with; `energy`, `recharge`: spent and got back
4. `discharge`     a logged discharge, made fit to be judged; `voltage`, `shape`, `_prior`: its expected course, learnt
5. `posterior`, `likelihood`, `capacity`   how much the bank gives, from a part of a discharge; `resistance`
6. `shown`, `estimated`, `live`   one discharge ended, or running
7. `evidence`      everything a judgement rests on
8. `ageing`, `fusion`, `replacement`   effective age, age fused with all discharges, the three dates;
   `too_small`: what renewing like for like does not help; `settled`: what stands until there is a reason
9. `charging`, `condition`, `findings`  how the bank is kept, and signs that something is wrong
"""
