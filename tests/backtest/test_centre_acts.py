"""What people do at a centre, the whole way: sites and centre each a process, a real broker, sites killed and stopped midway.

Whatever becomes of the site, an act is done once or not at all, the centre says which, and its page is as the site's journal.
"""

from __future__ import annotations

import random
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from time import monotonic
from typing import Any

import httpx
import pytest

from tests.backtest.test_centre import SITES, Company, journal
from tests.daemon import Daemon, command, daemon, eventually

pytestmark = [pytest.mark.real_server, pytest.mark.slow]

KILLS = 5
WAIT_S = 45
NAME = "R. Haugen"


class ActingCompany(Company):
    """Two sites and their centre, which has a token of each."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self.tokens: dict[str, str] = {}
        self.looks: dict[str, str] = {}
        super().__init__(folder, stack)

    def start_centre(self) -> Daemon:
        folder = self.folder / "centre"
        folder.mkdir(exist_ok=True)
        said = secrets = ""
        for site in SITES:
            if site not in self.tokens:
                self.tokens[site] = self.token(site, "centre", "pass_on")
                self.looks[site] = self.token(site, "reader", "look")
                self.show(site)
            said += f'[[site]]\nid = "{site}"\naddress = "http://127.0.0.1:{self.sites[site].port}"\n'
            said += f'secret = "{site}"\nacts_wait_s = {WAIT_S}\n'
            secrets += f'[{site}]\ntoken = "{self.tokens[site]}"\n'
        super().start_centre().close()
        file = folder / "centre.toml"
        before = file.read_text("utf-8").partition("[[site]]")[0]
        file.write_text(before + said, "utf-8")
        with (folder / "secrets.toml").open("a", encoding="utf-8") as beside:
            beside.write(secrets)
        return self.stack.enter_context(daemon(file, folder / "data", runs="centre"))

    def token(self, site: str, label: str, role: str) -> str:
        made = command("token", "make", label, "--role", role, "--data", str(self.folder / site / "data"))
        assert made.returncode == 0, made.stderr
        return made.stdout.strip()

    def show(self, site: str) -> None:
        """Let the test look at a site that lets nobody in unknown."""
        self.sites[site].show(self.looks[site])

    def again(self, site: str) -> None:
        """Start a site again where it was."""
        folder, port = self.folder / site, self.sites[site].port
        self.sites[site] = self.stack.enter_context(
            daemon(folder / "estate.toml", folder / "data", port=port)
        )
        self.show(site)

    def act(self, path: str, **said: Any) -> httpx.Response:
        return httpx.post(
            f"http://127.0.0.1:{self.centre.port}{path}", json={"by": NAME, **said}, timeout=60.0
        )

    def acts(self, site: str) -> list[dict[str, Any]]:
        """Return what is open at the centre, or was not done."""
        body = self.centre.get("/v1/sites")[1] or {"items": []}
        return next((one["acts"] for one in body["items"] if one["id"] == site), [])

    def done(self, of: Daemon, act: str) -> list[str]:
        """Return the lines of a journal that say that an act was done."""
        return [line["text"] for line in journal(of) if (line["asked"] or {}).get("act") == act]


@pytest.fixture
def company(tmp_path: Path) -> Iterator[ActingCompany]:
    with ExitStack() as stack:
        yield ActingCompany(tmp_path, stack)


def test_an_act_at_the_centre_is_done_once_at_its_site_whatever_becomes_of_the_site(
    company: ActingCompany,
) -> None:
    north = company.sites["north"]
    alarm = an_alarm(company)

    began = monotonic()
    given = company.act(f"/v1/alarms/{alarm}/acknowledge", note="seen")
    assert given.status_code == 202, given.text
    act = given.json()["act"]
    eventually(lambda: company.done(company.centre, act), "the act in the centre's journal")
    print(f"from the act to its line in the centre's journal {monotonic() - began:.1f} s")
    (line,) = company.done(north, act)
    assert line.startswith(f"{NAME}, acknowledge, {alarm.replace('north:', '')}: seen (at the centre, ")
    assert company.done(company.centre, act) == [line]
    eventually(lambda: acknowledged(company, alarm), "the alarm acknowledged, as the site says")
    assert company.acts("north") == []

    killed_midway(company, alarm)
    stopped(company, alarm)
    away(company, alarm)
    revoked(company, alarm)


def an_alarm(company: ActingCompany) -> str:
    """Have north lose its mains; return an alarm of it, by its name at the centre."""
    company.dark("north")

    def found() -> str | None:
        body = company.centre.get("/v1/alarms")[1] or {"items": []}
        names = [one["id"] for one in body["items"] if one["state"] == "active_unacknowledged"]
        return next((name for name in names if ":north:" in name), None)

    return eventually(found, "an alarm of north at the centre")


def acknowledged(company: ActingCompany, alarm: str) -> bool:
    body = company.centre.get(f"/v1/alarms/{alarm}")[1]
    return bool(body and body["acknowledged"] and body["acknowledged"]["by"] == NAME)


def killed_midway(company: ActingCompany, alarm: str) -> None:
    """Kill the site a moment after the act was given, and start it again at once: the act is done, once."""
    draw = random.Random(22)
    for number in range(KILLS):
        answers: list[httpx.Response] = []
        asking = threading.Thread(
            target=lambda n=number, into=answers: into.append(
                company.act(f"/v1/alarms/{alarm}/note", note=f"no. {n}")
            )
        )
        asking.start()
        time.sleep(draw.uniform(0.0, 0.12))
        company.sites["north"].end(signal.SIGKILL)
        company.again("north")
        asking.join()
        (answer,) = answers
        assert answer.status_code == 202, answer.text
        act = answer.json()["act"]
        eventually(lambda: not open_acts(company), "nothing open")
        assert company.acts("north") == [], number
        eventually(lambda: company.done(company.centre, act), "the act in the centre's journal")  # noqa: B023 - asked at once
        assert len(company.done(company.sites["north"], act)) == 1, number
        assert len(company.done(company.centre, act)) == 1, number


def stopped(company: ActingCompany, alarm: str) -> None:
    """Have the site's process stand still until the act's time is over: it was given, and is not done when it goes on."""
    process = company.sites["north"].process
    process.send_signal(signal.SIGSTOP)
    given = company.act(f"/v1/alarms/{alarm}/note", note="while it stood still")
    assert (given.status_code, given.json()["standing"]) == (202, "waiting"), given.text
    one = eventually(
        lambda: told(company, given.json()["act"], "unanswered"), "told as not answered", WAIT_S + 30.0
    )
    assert "Look at the site's own page before it is done again" in one["text"]
    process.send_signal(signal.SIGCONT)
    after = company.act(f"/v1/alarms/{alarm}/note", note="after it")
    eventually(lambda: company.done(company.centre, after.json()["act"]), "the next act done")
    assert company.done(company.sites["north"], given.json()["act"]) == [], "done late"


def away(company: ActingCompany, alarm: str) -> None:
    """Have the site away until the act's time is over: it is told as not delivered, and never done."""
    company.sites["north"].end(signal.SIGKILL)
    given = company.act(f"/v1/alarms/{alarm}/note", note="while it was away")
    act = given.json()["act"]
    one = eventually(lambda: told(company, act, "undelivered"), "told as not delivered", WAIT_S + 30.0)
    assert "not delivered, and nothing was done" in one["text"]
    company.again("north")
    after = company.act(f"/v1/alarms/{alarm}/note", note="once it was back")
    eventually(lambda: company.done(company.centre, after.json()["act"]), "the next act done")
    assert company.done(company.sites["north"], act) == []


def revoked(company: ActingCompany, alarm: str) -> None:
    """Revoke the centre's token: what is done from then on is refused, with the remedy."""
    name = company.tokens["north"].split("_")[1]
    gone = command("token", "revoke", name, "--data", str(company.folder / "north" / "data"))
    assert gone.returncode == 0, gone.stderr
    refused = company.act(f"/v1/alarms/{alarm}/note", note="without a token")
    assert refused.status_code == 409, refused.text
    assert "ridethrough token make centre --role pass_on" in refused.json()["detail"]


def open_acts(company: ActingCompany) -> list[dict[str, Any]]:
    """Return what is on its way, or taken and not told by the site's journal yet."""
    if company.centre.get("/v1/sites")[0] != 200:
        return [{}]
    return [one for one in company.acts("north") if one["standing"] in {"waiting", "taken"}]


def told(company: ActingCompany, act: str, standing: str) -> dict[str, Any] | None:
    return next(
        (one for one in company.acts("north") if one["id"] == act and one["standing"] == standing), None
    )
