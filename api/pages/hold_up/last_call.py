"""The last moment to do something about the generator of a system on its banks, and what stands in place of it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Final

from api.pages.markup.elements import Nodes, el
from collector.read_model.wall_clock import WallClock
from rules.generator.outage_source import SetSays
from rules.phrasing.figures import minutes
from rules.system.state import OnBattery

SET_WORDS: Final[Mapping[SetSays, str]] = {
    SetSays.STANDS: "stands",
    SetSays.RUNS: "runs, does not carry",
    SetSays.CARRIES: "runs and carries",
}


def act_words(on: OnBattery) -> str:
    """Return what the last moment for the generator is for."""
    return "to send somebody to the generator" if on.set_out_before else "to start the generator"


def last_call(on: OnBattery, clock: WallClock, now: datetime) -> Nodes | None:
    """Return the first thing to do of a system on its banks, and by when: to see its supply taken, or its generator."""
    if on.taking(now) and on.takes_by is not None:
        return f"Supply is there again, to be taken by {clock.second(on.takes_by)}."
    if on.set_says is not None and on.set_says is not SetSays.STANDS:
        return el("b", f"The site says that its generator {SET_WORDS[on.set_says]}.", class_="short-ink")
    moment = on.act_before
    if moment is None:
        return None
    if moment > now:
        must = "Somebody must set out for the generator" if on.set_out_before else "The generator must run"
        words = f"{must} before {clock.second(moment)}."
    elif on.set_out_before and on.hand_s is not None:
        took = minutes(on.hand_s, favours=False)
        words = f"It is too late to start the generator by hand: that takes {took} min until it carries."
    else:
        words = f"The last moment to start the generator was {clock.second(moment)}."
    return el("b", words, class_="short-ink")
