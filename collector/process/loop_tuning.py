"""Gives the event loop its turn soon, whatever the threads beside it do.

Folding, reading and writing run on threads, and take turns with the loop at the interpreter's lock. Two things
would make it wait longer than it needs to: a thread may hold the lock for 5 ms at a time as Python comes, and
with three of them the loop waits for all; and a full collection of garbage looks at every object there is,
which with all modules loaded holds the lock for 20 to 30 ms, and with what a thousand units bring for 100 to 200, several
times in the first minutes, as they bring it.

The threads that all share are few as Python comes, six on two cores, and each name that is looked up holds one until
the name server answers. In an outage it may not, for half a minute: what stores, judges and measures would wait as well.
"""

from __future__ import annotations

import asyncio
import gc
import sys
from concurrent.futures import ThreadPoolExecutor
from typing import Final

TURN_S: Final = 0.001
"""How long a thread keeps the interpreter's lock while another wants it."""
COLLECTED_AFTER: Final = (2_000, 20, 50)
"""New objects before the youngest are looked at for garbage in cycles, and how many of these looks before older ones are,
and all. What is in no cycle, nearly everything, is freed at once whatever stands here; a reading that comes and goes
is no longer there to be looked at."""
THREADS: Final = 32
"""Made as they are needed; more than all channels together ever wait in, and a fraction of the unit file's `TasksMax`."""


def let_many_wait() -> None:
    """Have enough threads to share. To be called once, on the loop, before anything is handed to a thread."""
    asyncio.get_running_loop().set_default_executor(ThreadPoolExecutor(THREADS, "shared"))


def favour_the_loop() -> None:
    """Shorten the turns of threads, collect garbage seldom, and leave what is loaded by now out of all later collections.

    To be called once, when everything is opened and before the loop has work. What is let go of later is
    freed as ever, unless it was there now and is part of a cycle.
    """
    sys.setswitchinterval(TURN_S)
    gc.set_threshold(*COLLECTED_AFTER)
    gc.collect()
    gc.freeze()
