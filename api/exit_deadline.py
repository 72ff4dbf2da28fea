"""The end of the process: soon after it was asked for, whatever does not end by itself.

A thread of its own keeps the time, since the event loop may be what does not end. The stores are sound at any
moment (`collector.storage.database`): a transaction is on the disk whole or not at all. What outlasts the stores' closing (a
thread that waits for a server which does not answer) is not waited for.
"""

from __future__ import annotations

import asyncio
import logging
import os
import sys
import threading
from typing import Any, Final

GONE_WITHIN_S: Final = 4.0
"""After so long the process ends itself. The second that is left of five is for the system, which takes back what the
process had."""
CLOSED_SPARE_S: Final = 0.2
"""How long the program has to leave by itself once all is closed."""
log = logging.getLogger(__name__)


class Ending:
    """Ends the process in time. `begin` when it is asked to stop, `closed` once the stores are.

    After `stand_by` a signal's own handler may `begin`: it starts no thread, and waits for no turn of the loop.
    """

    def __init__(self, within_s: float = GONE_WITHIN_S) -> None:
        self._within_s = within_s
        self._begun = threading.Event()
        self._closed = threading.Event()
        self._code = 0
        self._loop: asyncio.AbstractEventLoop | None = None

    def begin(self) -> None:
        """Start to count. A second call changes nothing."""
        self.stand_by()
        self._begun.set()

    def stand_by(self) -> None:
        """Be ready to count. To be called on the event loop; a second call changes nothing."""
        if self._loop is None:
            self._loop = asyncio.get_running_loop()
            threading.Thread(target=self._keep_time, name="ending", daemon=True).start()

    def closed(self, code: int) -> None:
        """Note that nothing is left to be kept; the process ends with this code."""
        self._code = code
        self._closed.set()

    def _keep_time(self) -> None:
        self._begun.wait()
        if self._closed.wait(self._within_s):
            if not threading.Event().wait(CLOSED_SPARE_S):
                self._leave(self._code)
            return
        log.error(
            "the service did not stop within %g s and ends itself; what was committed is safe. Not ended: %s",
            self._within_s, "; ".join(self._left()) or "nothing that is known",
        )  # fmt: skip
        self._leave(1)

    def _left(self) -> list[str]:
        """Return what has not ended: the tasks, each with the place where it waits, and where the program is."""
        loop = self._loop
        tasks = [] if loop is None else sorted(asyncio.all_tasks(loop), key=asyncio.Task.get_name)
        found = [f"{task.get_name()} ({_place(task)})" for task in tasks]
        frame = sys._current_frames().get(threading.main_thread().ident or 0)
        if frame is not None:
            found.append(f"the program itself ({frame.f_code.co_filename}:{frame.f_lineno})")
        return found

    @staticmethod
    def _leave(code: int) -> None:
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
        os._exit(code)


def _place(task: asyncio.Task[Any]) -> str:
    stack = task.get_stack(limit=1)
    return f"{stack[-1].f_code.co_filename}:{stack[-1].f_lineno}" if stack else "not begun"
