"""A program of the site's own."""

from __future__ import annotations

import asyncio
import json
import signal
import sys
from pathlib import Path

import pytest

from collector.configuration.channel_tables import CommandSettings as Settings
from collector.messaging.channels.channel import ChannelDown, NeverTaken, NotNow
from collector.messaging.channels.command import CommandChannel
from tests.collector.messaging.cases import until
from tests.collector.messaging.channels.test_webhook import message


def channel(*arguments: str, deadline_s: float = 10.0) -> CommandChannel:
    return CommandChannel(Settings(id="hook", kind="command", command=arguments, deadline_s=deadline_s))


def program(folder: Path, text: str) -> CommandChannel:
    script = folder / "hook.py"
    script.write_text(text)
    return channel(sys.executable, str(script), "$HOME; rm -rf /", str(folder / "out"), deadline_s=10.0)


async def test_it_gets_the_event_on_standard_input_its_arguments_as_they_are_and_a_bare_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SECRET_OF_THE_SERVICE", "x")
    hook = program(
        tmp_path,
        "import sys, os, json\n"
        "json.dump([json.load(sys.stdin), sys.argv[1], dict(os.environ)], open(sys.argv[2], 'w'))\nprint('told')\n",
    )
    assert await hook.send(message()) == "exit code 0: told"
    event, argument, environment = json.loads((tmp_path / "out").read_text())
    assert event["data"]["incident"] == "power-north-1"
    assert argument == "$HOME; rm -rf /", "no shell saw it"
    assert "SECRET_OF_THE_SERVICE" not in environment
    assert set(environment) <= {"PATH", "LANG", "LC_CTYPE"}


async def test_exit_codes_say_whether_to_try_again(tmp_path: Path) -> None:
    with pytest.raises(NotNow, match="exit code 1: no line"):
        await program(tmp_path, "print('no line'); raise SystemExit(1)").send(message())
    with pytest.raises(NeverTaken, match="exit code 65"):
        await program(tmp_path, "raise SystemExit(65)").send(message())


DIES = """
import asyncio, os, signal, sys
sys.path.insert(0, sys.argv[1])
from tests.collector.messaging.channels.test_command import channel
from tests.collector.messaging.channels.test_webhook import message

start = asyncio.create_subprocess_exec

async def started_and_killed(*words, **how):
    await start(*words, **how)
    os.kill(os.getpid(), signal.SIGKILL)

asyncio.create_subprocess_exec = started_and_killed
asyncio.run(channel(*sys.argv[2:]).send(message()))
"""


async def test_it_gets_the_whole_event_though_the_service_is_killed_as_it_starts(tmp_path: Path) -> None:
    script, out = tmp_path / "hook.py", tmp_path / "out"
    script.write_text(
        "import os, sys\nread = sys.stdin.read()\n"
        "open(sys.argv[1] + '.part', 'w').write(read)\nos.rename(sys.argv[1] + '.part', sys.argv[1])\n"
    )
    here = str(Path(__file__).parents[4])
    words = (sys.executable, "-c", DIES, here, sys.executable, str(script), str(out))
    service = await asyncio.create_subprocess_exec(*words)
    assert await service.wait() == -signal.SIGKILL
    await until(out.exists)
    assert json.loads(out.read_text())["data"]["incident"] == "power-north-1"


async def test_one_that_hangs_is_stopped_with_all_it_started(tmp_path: Path) -> None:
    script = tmp_path / "hang.sh"
    script.write_text(f"#!/bin/sh\nsleep 60 &\necho $! > {tmp_path}/pid\nsleep 60\n")
    script.chmod(0o755)
    with pytest.raises(NotNow, match=r"stopped after 0\.5 s"):
        await channel(str(script), deadline_s=0.5).send(message())
    child = int((tmp_path / "pid").read_text())
    await until(lambda: not alive(child))


def alive(process: int) -> bool:
    """Return whether a process runs; one that only waits to be collected does not."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


async def test_one_that_cannot_be_run_is_a_channel_that_is_down() -> None:
    with pytest.raises(ChannelDown, match="No such file"):
        await channel("/no/such/program").send(message())
