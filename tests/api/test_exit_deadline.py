"""Beyond a hard limit the process ends itself, and says what did not end."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
HANGS = """
import asyncio, sys, time
from api.exit_deadline import Ending

async def deaf():
    while True:
        try:
            await asyncio.sleep(60)
        except asyncio.CancelledError:
            pass

async def main():
    ending = Ending(within_s=0.5)
    asyncio.create_task(deaf(), name="channel site")
    await asyncio.sleep(0)
    ending.begin()
    {then}

asyncio.run(main())
"""


def ended(then: str) -> tuple[int, float, str]:
    """Return the exit code, how long it took from the beginning of the end, and what was said."""
    began_s = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", HANGS.replace("{then}", then)],
        cwd=ROOT, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    return done.returncode, time.monotonic() - began_s, done.stderr


def test_a_task_that_does_not_end_is_named_and_the_process_ends() -> None:
    code, took_s, said = ended("pass")
    assert code == 1
    assert took_s < 30.0
    assert "channel site (" in said
    assert "what was committed is safe" in said


def test_a_program_that_is_stuck_outside_of_any_task_ends_and_its_place_is_named() -> None:
    code, _, said = ended("time.sleep(50)")
    assert code == 1
    assert "the program itself (" in said


def test_what_outlasts_the_closing_of_the_stores_is_not_waited_for() -> None:
    code, took_s, said = ended(
        "asyncio.get_running_loop().run_in_executor(None, time.sleep, 50); ending.closed(0); return"
    )
    assert (code, said) == (0, "")
    assert took_s < 30.0
