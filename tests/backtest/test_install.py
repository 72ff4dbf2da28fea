"""Put into service from nothing: a bare Debian root, the script, a first reading, an upgrade, a way back, an end.

The root is made by debootstrap, or taken from RIDETHROUGH_BARE_ROOT (a folder that debootstrap made with python3 and
python3-venv). Every package comes from a folder of wheels, so that what is shown needs no network inside. No service
manager runs in a root of this kind: what systemd does of it is not shown here but by `tests/test_unit_file.py`.

    pytest -s tests/backtest/test_install.py
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import httpx
import pytest

from tests.daemon import ROOT, eventually, free_tcp_port
from tests.trials.plant import Shape, plant

SOURCE: Final = ("rules", "collector", "api", "deploy", "pyproject.toml", "README.md", "LICENSE")
CLEAN: Final = {"PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "LANG": "C.UTF-8"}
PROGRAM: Final = "/opt/ridethrough/current/bin/ridethrough"
DATA: Final = "/var/lib/ridethrough"

pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="a root of one's own is made by root alone")


def say(what: str) -> None:
    print(f"  {what}", flush=True)


class BareRoot:
    """A folder that is somebody's whole machine."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def command(self, *words: str) -> list[str]:
        return ["chroot", str(self.path), *words]

    def run(self, *words: str) -> str:
        done = subprocess.run(
            self.command(*words), env=CLEAN, capture_output=True, text=True, timeout=600, check=False
        )
        assert done.returncode == 0, f"{' '.join(words)}: {done.stdout}{done.stderr}"
        return done.stdout

    def install(self, *options: str) -> str:
        told = self.run("sh", "/src/deploy/install.sh", *options)
        for line in told.splitlines():
            say(f"| {line}")
        return told

    def inside(self, path: str) -> Path:
        return self.path / path.lstrip("/")

    def take_source(self, number: str) -> None:
        """Put the program there as somebody would unpack it, under a version's number."""
        shutil.rmtree(self.inside("/src"), ignore_errors=True)
        self.inside("/src").mkdir()
        for name in SOURCE:
            place = ROOT / name
            if place.is_dir():
                shutil.copytree(
                    place, self.inside("/src") / name, ignore=shutil.ignore_patterns("__pycache__")
                )
            else:
                shutil.copy(place, self.inside("/src"))
        project = self.inside("/src/pyproject.toml")
        text, count = re.subn(r'(?m)^version = ".*"$', f'version = "{number}"', project.read_text())
        assert count == 1
        project.write_text(text)

    def version(self) -> str:
        return self.inside("/opt/ridethrough/current").readlink().as_posix()


@pytest.fixture
def bare(tmp_path: Path) -> Iterator[BareRoot]:
    root = tmp_path / "root"
    made = os.environ.get("RIDETHROUGH_BARE_ROOT")
    if made:
        subprocess.run(["cp", "-a", made, str(root)], check=True)
    else:
        debootstrap = shutil.which("debootstrap")
        if debootstrap is None:
            pytest.skip("debootstrap is missing: apt-get install debootstrap")
        packages = "--include=python3,python3-venv,ca-certificates"
        subprocess.run(
            [debootstrap, "--variant=minbase", packages, "bookworm", str(root)], check=True, timeout=900
        )
    (root / "wheels").mkdir(exist_ok=True)
    subprocess.run(
        [sys.executable, "-m", "pip", "download", "--quiet", "--require-hashes", "--dest", str(root / "wheels"),
         "--requirement", str(ROOT / "deploy" / "requirements.txt")],
        check=True, timeout=600,
    )  # fmt: skip
    subprocess.run(["mount", "-t", "proc", "proc", str(root / "proc")], check=True)
    try:
        yield BareRoot(root)
    finally:
        subprocess.run(["umount", "--lazy", str(root / "proc")], check=True)


@contextmanager
def serving(root: BareRoot) -> Iterator[httpx.Client]:
    """The service as the unit file starts it, but for the manager: as its own user, on its data."""
    port = free_tcp_port()
    with (root.path / "log").open("ab") as log:
        process = subprocess.Popen(
            root.command(
                "setpriv", "--reuid=ridethrough", "--regid=ridethrough", "--clear-groups", "--",
                PROGRAM, "run", "/etc/ridethrough/estate.toml", "--port", str(port),
            ),
            env={**CLEAN, "STATE_DIRECTORY": DATA}, stdout=log, stderr=log,
        )  # fmt: skip
    try:
        with httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=30.0) as client:
            yield client
    finally:
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0, (root.path / "log").read_text()


def readings(client: httpx.Client) -> int:
    """Return how many readings of the first unit are kept since a day ago, once one was taken by this process."""

    def first() -> bool:
        try:
            return bool(client.get("/v1/units").json()["items"][0]["reading"])
        except (httpx.TransportError, KeyError, IndexError, TypeError):
            return False

    assert eventually(first, "a first reading")
    lines = client.get("/metrics").text
    return int(float(re.findall(r"(?m)^ridethrough_polls_count\S* (\S+)$", lines)[0]))


def test_from_nothing_to_a_reading_to_the_next_version_and_back(bare: BareRoot) -> None:
    with plant(Shape(sites=1, systems=1, units=2)) as cards:
        say("a bare root, without network inside")
        bare.take_source("1.0.0")
        told = bare.install("--wheels", "/wheels")
        first = bare.version()
        assert first.startswith("1.0.0-")
        assert "ridethrough begin" in told, "it says what to do next"
        assert bare.run("ridethrough", "check", "/etc/ridethrough/example-estate.toml")
        for place, mode in (("/etc/ridethrough", "700"), (DATA, "700"), ("/opt/ridethrough", "755")):
            assert bare.run("stat", "--format=%a", place).strip() == mode
        assert bare.run("stat", "--format=%U", DATA).strip() == "ridethrough"
        assert not list(bare.inside("/src").rglob("*.egg-info")), "nothing is left where it was unpacked"

        say("installed again: nothing changes")
        assert "installed already" in bare.install("--wheels", "/wheels")
        assert bare.version() == first

        folder = bare.inside("/etc/ridethrough")
        estate = cards.write_estate(folder)
        if estate.name != "estate.toml":
            estate.rename(folder / "estate.toml")
        bare.run("chown", "--recursive", "ridethrough:", "/etc/ridethrough")
        with serving(bare) as client:
            say(f"{readings(client)} polls, the page answers {client.get('/').status_code}")
            assert client.get("/").status_code == 200

        say("the next version")
        bare.take_source("1.1.0")
        told = bare.install("--wheels", "/wheels")
        second = bare.version()
        assert second.startswith("1.1.0-")
        assert "--roll-back" in told
        copy = f"{DATA}/before-leaving-{first}"
        bare.run(PROGRAM, "verify", "--data", copy)
        with serving(bare) as client:
            readings(client)
        (bare.inside(DATA) / "kept-by-the-next").write_text("and gone from here with it")

        say("back to the version before")
        bare.install("--roll-back")
        assert bare.version() == first
        bare.run(PROGRAM, "verify", "--data", DATA)
        (aside,) = bare.inside(DATA).glob("of-1.1.0-*")
        assert (aside / "kept-by-the-next").exists(), "nothing that was kept is lost by going back"
        with serving(bare) as client:
            readings(client)
        bare.run(PROGRAM, "verify", "--data", DATA)

        say("taken away")
        told = bare.install("--remove")
        assert not bare.inside("/opt/ridethrough").exists()
        assert not bare.inside("/etc/systemd/system/ridethrough.service").exists()
        assert (bare.inside(DATA) / "ledger.sqlite").exists(), "data stay"
        assert (folder / "estate.toml").exists()


def test_what_is_wrong_is_said_and_changes_nothing(bare: BareRoot) -> None:
    bare.take_source("1.0.0")
    for options, words in (
        (("--wheel", "/wheels"), "--help says more"),
        (("--wheels", "/none"), "wants a folder"),
        (("--roll-back",), "no version before"),
        (("--wheels", "/tmp"), "Nothing that was installed before has changed"),
    ):
        done = subprocess.run(
            bare.command("sh", "/src/deploy/install.sh", *options),
            env=CLEAN, capture_output=True, text=True, timeout=300, check=False,
        )  # fmt: skip
        assert done.returncode == 2, done.stderr
        assert words in done.stderr
        assert not bare.inside("/opt/ridethrough/current").exists()
