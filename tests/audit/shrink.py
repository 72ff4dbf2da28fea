"""The smallest form of a story in which something is still wrong: cues left out, lies told no more, the end brought near."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from tests.audit.audit import audited
from tests.audit.stories import Story

AFTER_S = 20.0
"""How much later than its last cue a story ends at least."""


def shrunk(story: Story, kind: str, tries: int = 60) -> Story:
    """Return the smallest story found in at most `tries` plays in which a fault of a kind (`Audited.faults`) remains."""
    return smallest(story, lambda one: audited(one).faults()[kind] > 0, tries)


def smallest(story: Story, fails: Callable[[Story], bool], tries: int) -> Story:
    """Return the smallest story that still fails, taking each smaller form that does as the next to begin from."""
    left = tries
    found = True
    while found and left > 0:
        found = False
        for smaller in _smaller(story):
            left -= 1
            if fails(smaller):
                story, found = smaller, True
                break
            if left == 0:
                break
    return story


def _smaller(story: Story) -> Iterator[Story]:
    """Yield forms with less in them, the least first: half of the cues, one of them, the lies of a card, the time after."""
    cues = story.cues
    half = len(cues) // 2
    if half:
        yield replace(story, cues=cues[:half])
        yield replace(story, cues=cues[half:])
    for place in range(len(cues)):
        yield replace(story, cues=(*cues[:place], *cues[place + 1 :]))
    for card in story.lies:
        yield replace(story, lies={name: lies for name, lies in story.lies.items() if name != card})
    last_s = max((cue.at_s for cue in cues), default=0.0) + AFTER_S
    nearer_s = max(last_s, 0.6 * story.lasts_s)
    if nearer_s < story.lasts_s - 1.0:
        yield replace(story, lasts_s=float(round(nearer_s)))
