"""The quick door: one sample, judgement, tick or action in; changes out. Pure, deterministic, replayable.

    state, changes = step(state, sample, book)

Theory of operation. The watch keeps its own seconds (`WatchState.now_s`). Within one run of the collector
they follow the monotonic clock of the stamps; from one run to the next they follow UTC, and the gap counts
for shelving, escalation and re-alarm but for no delay, since nobody saw the plant meanwhile. So a state
restored from its snapshot goes on exactly where it stood.

Every input first updates what is remembered of a unit or system, then the conditions it decides, then
the supply's odd ones out, then the incidents. Samples may come late or twice: seconds never run backwards.

Read in this order: `state` (what is remembered, and what the watch goes by), `draft` (the next state in the making),
`samples`, `judgements`, `windows` (planned work and the passing of time), `people` (what each input does), `step`
(the whole step); `parts` (what of the state must be kept).
"""
