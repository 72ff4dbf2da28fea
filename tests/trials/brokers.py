"""A broker in a trial: a real one, as a channel of the estate file, and somebody who listens to all of it."""

from __future__ import annotations

import getpass
import json
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from tests.collector.messaging.sinks import PASSWORD, USER, Broker
from tests.servers import need_program


def broker_toml(broker: Broker, folder: Path) -> str:
    """Return the broker as a channel; the secrets beside the estate file get its login."""
    secrets = folder / "secrets.toml"
    secrets.write_text(
        f'{secrets.read_text("utf-8")}[broker]\nuser = "{USER}"\npassword = "{PASSWORD}"\n', "utf-8"
    )
    return (
        f'[[channel]]\nid = "site"\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {broker.port}\n'
        f'authority_file = "{broker.files.certificate}"\nsecret = "broker"\n'
    )


@dataclass
class Listener:
    """What the broker gave to somebody who listens to the incidents: topic and content, in order."""

    process: subprocess.Popen[str]
    lines: Path

    def incidents(self) -> list[dict[str, Any]]:
        """Return the notices so far."""
        lines = self.lines.read_text("utf-8").splitlines()
        return [
            json.loads(line.partition(" ")[2]) for line in lines if "/incident/" in line.partition(" ")[0]
        ]


@contextmanager
def listening(broker: Broker, folder: Path, *more: str) -> Iterator[Listener]:
    """Listen to all of a broker's topics until the block ends; `more` goes to the listening program."""
    broker.start()
    lines = folder / "heard.txt"
    program = need_program("mosquitto_sub")
    with lines.open("w", encoding="utf-8") as out:
        process = subprocess.Popen(
            [program, "-h", "127.0.0.1", "-p", str(broker.port), "--cafile", str(broker.files.certificate),
             "-u", USER, "-P", PASSWORD, "-t", "#", "-q", "1", "-F", "%t %p", *more],
            stdout=out, text=True,
        )  # fmt: skip
        try:
            yield Listener(process, lines)
        finally:
            process.kill()
            process.wait()
            broker.stop()


RIGHTS: Final = Path(__file__).parents[2] / "deploy" / "centre"


class RightsBroker(Broker):
    """The broker of `deploy/centre`, with its rights: a user for each name, whose password is the name and "'s word"."""

    def __init__(self, folder: Path, *users: str) -> None:
        super().__init__(folder)
        passwords = folder / "passwords"
        for user in users:
            subprocess.run(
                [need_program("mosquitto_passwd"), "-b", str(passwords), user, word_of(user)],
                check=True, capture_output=True,
            )  # fmt: skip
        given = {
            "listener 8883": f"user {getpass.getuser()}\nlog_type none\nlistener {self.port} 127.0.0.1",
            "/etc/mosquitto/certs/server.crt": str(self.files.certificate),
            "/etc/mosquitto/certs/server.key": str(self.files.key),
            "/etc/mosquitto/passwords": str(passwords),
            "/etc/mosquitto/rights.acl": str(RIGHTS / "rights.acl"),
            "/var/lib/mosquitto/": f"{folder}/",
        }
        text = (RIGHTS / "mosquitto.conf").read_text("utf-8")
        for line in text.splitlines():
            if not line.startswith("#"):
                for before, after in given.items():
                    text = text.replace(line, line.replace(before, after)) if before in line else text
        self.settings.write_text(text, "utf-8")


def word_of(user: str) -> str:
    """Return the password of a user of a `RightsBroker`."""
    return f"{user}'s word"
