"""The quick door: one sample, judgement, tick or action in; changes out. Pure, deterministic, replayable.

    state, changes = step(state, sample, book)
    changes = advance(live, sample)

Theory of operation. The watch keeps its own seconds (`WatchState.now_s`). Within one run of the collector they
follow the monotonic clock of the stamps; from one run to the next they follow UTC, and the gap counts for shelving,
escalation and re-alarm but for no delay, since nobody saw the plant meanwhile. So a state restored from its
snapshot goes on exactly where it stood.

Every input first updates what is remembered of a unit or system, then the conditions it decides, then the supply's
odd ones out, then the incidents. Samples may come late or twice: seconds never run backwards.

A running watch is one live state, changed in place, so that an input costs what it touches and not the estate; a
`step` makes one of a value, moves it on and returns the value after. `tests/rules/monitor/full_step.py` looks at
everything each time instead, and after every input of random stories both must be equal.

Read in this order: `inputs` and `outputs` (what goes in, and what comes out), `unit_memory` and `state` (what is
remembered, and what the watch goes by), `store` (how a step finds it and where it puts what is new), `transition`
(a step under way), `reading_or_silence`, `judgements`, `planned_work` (and the passing of time), `operator_commands` (what each input
does), `index` and `live` (the state of a running watch), `calm_bounds` (what need not be looked at), `step` (the whole
step); `state_diff` (what of the state must be kept); `clock_moved` (when a clock was set).
"""
