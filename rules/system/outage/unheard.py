"""A system of which nothing is heard any more where it is shown: what was so is no longer known to be so.

For whoever shows what others judged. A verdict rests on evidence that is fresh (three poll periods, never under 15 s);
told from afar it is fresh only as long as its teller is heard. What remains is what time alone goes on with: a system that was on its
banks is reckoned on from then, as one is whose cards fell silent.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from rules.system.state import (
    UNKNOWN_HOLD_UP,
    EndOfLife,
    HoldUps,
    Load,
    Standing,
    SystemState,
)
from rules.values.reason import Reason
from rules.values.verdict import Verdict


def unheard(state: SystemState, why: Reason, since: datetime) -> SystemState:
    """Return a system as it is known when nothing was heard of it from `since` on, which `why` says."""
    because, unknown = (why,), Verdict.CANNOT_TELL
    redundancy, partner, dark = state.redundancy, state.partner, state.on_battery
    lines = tuple(replace(line, power_w=None, apparent_va=None) for line in state.load.lines)
    return replace(
        state,
        load=Load(None, None, lines),
        units=tuple(replace(u, standing=Standing.UNKNOWN, share_fraction=None) for u in state.units),
        redundancy=None
        if redundancy is None
        else replace(
            redundancy,
            verdict=unknown,
            because=because,
            margin_w=None,
            margin_fraction=None,
            tightest_line=None,
            tightest_limit=None,
            lines=tuple(replace(line, now_w=None, now_va=None) for line in redundancy.lines),
            at=(),
            gone=(),
        ),
        hold_up=HoldUps(
            now=UNKNOWN_HOLD_UP,
            one_unit_lost=UNKNOWN_HOLD_UP,
            each_unit_lost=tuple(
                replace(lost, hold_up=UNKNOWN_HOLD_UP) for lost in state.hold_up.each_unit_lost
            ),
            at_end_of_life=EndOfLife(UNKNOWN_HOLD_UP, UNKNOWN_HOLD_UP),
            because=because,
        ),
        requirements=tuple(
            replace(need, verdict=unknown, because=because, margin_s=None, would_tell=())
            for need in state.requirements
        ),
        on_battery=None if dark is None else replace(dark, reckoned_since=dark.reckoned_since or since),
        findings=(),
        partner=None
        if partner is None
        else replace(
            partner,
            verdict=unknown,
            because=because,
            margin_w=None,
            margin_fraction=None,
            tightest_line=None,
            tightest_limit=None,
            at=(),
        ),
    )
