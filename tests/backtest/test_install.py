"""Put into service from nothing: a bare Debian root, the script, a first reading, an upgrade, a way back, an end.

The root is made by debootstrap, or taken from RIDETHROUGH_BARE_ROOT (a folder that debootstrap made with python3 and
python3-venv). Every package comes from a folder of wheels, so that what is shown needs no network inside. No service
manager runs in a root of this kind: what systemd does of it is not shown here but by `tests/test_unit_file.py`. People come
from a network namespace of their own, over a pair of virtual cables: another machine, as far as the kernel can tell.

    pytest -s tests/backtest/test_install.py
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any, Final

import httpx
import pytest

from tests.api.http.test_tls import write_certificate
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
def serving(root: BareRoot, port: int | None = None) -> Iterator[httpx.Client]:
    """The service as the unit file starts it, but for the manager: as its own user, on its data."""
    port = port or free_tcp_port()
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


HERE, THERE, NAME, PASSWORD = "10.231.7.1", "10.231.7.2", "ups.example", "a plain long password"
LISTEN = f"""
[listen]
host = "{HERE}"
names = ["{NAME}"]
certificate_file = "/etc/ridethrough/chain.pem"
key_file = "/etc/ridethrough/key.pem"
"""
AT_THE_DESK = """
import json, ssl, sys, time, httpx
chain, base, name, password, act = sys.argv[1:]
context = ssl.create_default_context(cafile=chain)
with httpx.Client(base_url=base, verify=context, timeout=20.0, headers={"Host": name, "Origin": "https://" + name}) as desk:
    def ask(method, path, **more):
        return desk.request(method, path, extensions={"sni_hostname": name.partition(":")[0]}, **more)
    strange = ask("GET", "/v1/systems").status_code
    said = {"name": "amir", "password": password, "next": "/account"}
    came = ask("POST", "/sign-in", data=said)
    cookie = came.headers["set-cookie"].partition(";")[0]
    signed = {"Cookie": cookie}
    proof = ask("GET", "/account", headers=signed).text.partition('name="csrf" type="hidden" value="')[2].partition('"')[0]
    end, page, done = time.monotonic() + 120, None, None
    while act == "acknowledge" and done != 200 and time.monotonic() < end:
        items = ask("GET", "/v1/alarms", headers=signed).json()["items"]
        for alarm in items[:1]:
            where = "/v1/alarms/" + alarm["id"] + "/acknowledge"
            done = ask("POST", where, json={"note": "seen"}, headers={**signed, "X-CSRF-Token": proof}).status_code
        time.sleep(1)
    page = ask("GET", "/", headers=signed)
    acts = [e["text"] for e in ask("GET", "/v1/events?limit=1000", headers=signed).json()["items"] if e["kind"] == "act"]
print(json.dumps([strange, came.status_code, page.status_code, cookie.partition("=")[0], done, acts]))
"""


@contextmanager
def desk() -> Iterator[str]:
    """A network namespace with one cable to this machine; gives its name."""
    name = f"desk{os.getpid() % 10_000}"
    here, there = f"{name}h", f"{name}t"
    run = partial(subprocess.run, check=True, timeout=30)
    run(["ip", "netns", "add", name])
    try:
        run(["ip", "link", "add", here, "type", "veth", "peer", "name", there])
        run(["ip", "link", "set", there, "netns", name])
        run(["ip", "addr", "add", f"{HERE}/30", "dev", here])
        run(["ip", "link", "set", here, "up"])
        run(["ip", "-n", name, "addr", "add", f"{THERE}/30", "dev", there])
        run(["ip", "-n", name, "link", "set", there, "up"])
        yield name
    finally:
        subprocess.run(["ip", "link", "del", here], check=False)
        run(["ip", "netns", "del", name])


def from_the_desk(name: str, chain: Path, port: int, act: str = "look") -> list[Any]:
    """Have somebody there sign in, look and act; return what came of it."""
    asked = [
        sys.executable,
        "-c",
        AT_THE_DESK,
        str(chain),
        f"https://{HERE}:{port}",
        f"{NAME}:{port}",
        PASSWORD,
        act,
    ]
    done = subprocess.run(
        ["ip", "netns", "exec", name, *asked], capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0, done.stderr
    found: list[Any] = json.loads(done.stdout)
    say(f"from {THERE} by TLS: {found}")
    return found


def test_people_on_another_machine_sign_in_by_tls_and_what_they_did_outlives_an_upgrade_and_the_way_back(
    bare: BareRoot,
) -> None:
    with plant(Shape(sites=1, systems=1, units=2)) as cards, desk() as name:
        bare.take_source("1.0.0")
        bare.install("--wheels", "/wheels")
        first = bare.version()
        folder = bare.inside("/etc/ridethrough")
        port = free_tcp_port()
        estate = cards.write_estate(folder, LISTEN)
        estate.replace(folder / "estate.toml")
        chain, _ = write_certificate(folder)
        bare.run("chown", "--recursive", "ridethrough:", "/etc/ridethrough")
        as_its_user = ("setpriv", "--reuid=ridethrough", "--regid=ridethrough", "--clear-groups", "--")
        added = (PROGRAM, "user", "add", "amir", "--role", "act", "--data", DATA)
        bare.run("sh", "-c", f'echo "{PASSWORD}" | exec "$@"', "sh", *as_its_user, *added)

        say("a page by TLS from another machine")
        with serving(bare, port):
            answers(port)
            cards.to_battery(cards.units)
            strange, came, page, cookie, done, acts = from_the_desk(name, chain, port, "acknowledge")
            assert (strange, came, page, done) == (401, 303, 200, 200)
            assert cookie.startswith("__Host-")
            (act,) = acts
            assert act.startswith("amir, acknowledge, ")
            assert f"from {THERE}" in act
            cards.to_mains(cards.units)

        say("the next version, with its data")
        bare.take_source("1.1.0")
        bare.install("--wheels", "/wheels")
        assert bare.version().startswith("1.1.0-")
        with serving(bare, port):
            answers(port)
            assert from_the_desk(name, chain, port)[1:] == [303, 200, cookie, None, [act]]

        say("back to the version before")
        bare.install("--roll-back")
        assert bare.version() == first
        with serving(bare, port):
            answers(port)
            assert from_the_desk(name, chain, port)[1:] == [303, 200, cookie, None, [act]]


def answers(port: int) -> None:
    """Wait until something listens."""

    def listens() -> bool:
        with socket.socket() as line:
            line.settimeout(1.0)
            return line.connect_ex((HERE, port)) == 0

    eventually(listens, "somebody who listens")


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
