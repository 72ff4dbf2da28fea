"""Two sites and their centre, each a process of its own, by a real broker with the rights of `deploy/centre`.

Outages at both, the broker killed in one of them, the centre killed in another, a site killed: at the end the centre's journal is
that of the sites, line by line, and nothing that stood while something was away was shown as fresh. Prints what took how long.
"""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from time import monotonic
from typing import Any

import pytest

from tests.daemon import Daemon, daemon, eventually
from tests.trials.brokers import RightsBroker, word_of
from tests.trials.plant import Plant, Shape, plant

pytestmark = [pytest.mark.real_server, pytest.mark.slow]

SITES = ("north", "depot")
Line = tuple[str, str, str, str]


class Company:
    """The broker, two sites of one shape (their things have the same ids), and their centre."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self.folder, self.stack = folder, stack
        (folder / "broker").mkdir()
        self.broker = RightsBroker(folder / "broker", *SITES, "centre")
        self.broker.start()
        stack.callback(self.broker.stop)
        self.plants: dict[str, Plant] = {}
        self.sites: dict[str, Daemon] = {}
        for site in SITES:
            self.plants[site] = stack.enter_context(plant(Shape(sites=1, systems=1, units=2)))
            self.start(site)
        self.centre = self.start_centre()

    def start(self, site: str) -> None:
        folder = self.folder / site
        folder.mkdir(exist_ok=True)
        channel = (
            f'[delivery]\ncollector = "{site}"\n[[channel]]\nid = "company"\nkind = "mqtt"\nhost = "127.0.0.1"\n'
            f'port = {self.broker.port}\nauthority_file = "{self.broker.files.certificate}"\nsecret = "company"\n'
            "tells_centre = true\nkeep_alive_s = 5\n"
        )
        secrets = f'[cards]\ncommunity = "public"\n[company]\nuser = "{site}"\npassword = "{word_of(site)}"\n'
        (folder / "secrets.toml").write_text(secrets, "utf-8")
        estate = self.plants[site].write_estate(folder, channel)
        self.sites[site] = self.stack.enter_context(daemon(estate, folder / "data"))

    def start_centre(self) -> Daemon:
        folder = self.folder / "centre"
        folder.mkdir(exist_ok=True)
        sites = "".join(f'[[site]]\nid = "{s}"\naddress = "https://{s}.example.org:8470"\n' for s in SITES)
        file = folder / "centre.toml"
        file.write_text(
            f'[page]\ntitle = "Both"\n[[broker]]\nhost = "127.0.0.1"\nport = {self.broker.port}\nkeep_alive_s = 5\n'
            f'authority_file = "{self.broker.files.certificate}"\nsecret = "broker"\n{sites}',
            "utf-8",
        )
        secrets = folder / "secrets.toml"
        secrets.write_text(f'[broker]\nuser = "centre"\npassword = "{word_of("centre")}"\n', "utf-8")
        secrets.chmod(0o600)
        return self.stack.enter_context(daemon(file, folder / "data", runs="centre"))

    def dark(self, site: str) -> None:
        self.plants[site].to_battery(self.plants[site].units)

    def light(self, site: str) -> None:
        self.plants[site].to_mains(self.plants[site].units)

    def shows_dark(self, site: str, *, dark: bool = True) -> bool | None:
        """Return True once the centre shows a site on its banks, as heard now; or no longer, as asked."""
        state = self.system(site)
        if state is None or self.is_quiet(site) is not False:
            return None
        return True if (state["on_battery"] is not None) is dark else None

    def reckons(self, site: str) -> bool:
        """Return whether an outage that was heard of is reckoned on, and nothing else said to be known."""
        state = self.system(site)
        if state is None or state["on_battery"] is None or state["on_battery"]["reckoned_since"] is None:
            return False
        return {need["verdict"] for need in state["requirements"]} == {"cannot_tell"}

    def system(self, site: str) -> dict[str, Any] | None:
        body = self.centre.get("/v1/systems")[1] or {"items": []}
        return next((one for one in body["items"] if one["id"] == f"{site}:s0a"), None)

    def is_quiet(self, site: str) -> bool | None:
        body = self.centre.get("/v1/sites")[1] or {"items": []}
        return next((one["quiet"] for one in body["items"] if one["id"] == site), None)


@pytest.fixture
def company(tmp_path: Path) -> Iterator[Company]:
    with ExitStack() as stack:
        yield Company(tmp_path, stack)


def journal(of: Daemon) -> list[dict[str, Any]]:
    """Return the whole journal, oldest first."""
    found: list[dict[str, Any]] = []
    after = ""
    while True:
        status, body = of.get(f"/v1/events?limit=50{after}")
        assert status == 200
        found += body["items"]
        if body["next"] is None:
            return found[::-1]
        after = f"&after={body['next']}"


def incidents_of(of: Daemon) -> dict[str, str | None]:
    """Return when each incident was closed, None for one that is open."""
    return {one["id"]: one["closed"] for one in of.get("/v1/incidents")[1]["items"]}


def plain(lines: list[dict[str, Any]], site: str = "") -> list[Line]:
    """Return lines by what they say; of a centre's those about one site, under the names they have there."""
    before = f"{site}:"
    mine = [one for one in lines if not site or one["about"] == site or one["about"].startswith(before)]
    return [(one["at"], one["kind"], _bare(one["about"], site), one["text"]) for one in mine]


def _bare(about: str | None, site: str) -> str:
    return "" if about is None or about == site else about.removeprefix(f"{site}:")


def test_nothing_is_lost_and_nothing_doubled_whoever_is_killed(company: Company) -> None:
    centre, sites = company.centre, company.sites
    eventually(
        lambda: company.shows_dark("north", dark=False) and company.shows_dark("depot", dark=False),
        "both sites, fresh",
    )
    began = monotonic()
    company.dark("depot")
    eventually(lambda: company.shows_dark("depot"), "the outage at the depot")
    print(f"from the cards to the centre's answer {monotonic() - began:.1f} s")
    assert company.shows_dark("north", dark=False)

    company.broker.stop()  # by SIGKILL
    company.dark("north")
    eventually(
        lambda: any(line["kind"] == "mains_lost" for line in journal(sites["north"])), "north's own journal"
    )
    eventually(lambda: company.is_quiet("north") and company.is_quiet("depot"), "both quiet")
    eventually(
        lambda: company.reckons("depot"), "what was dark to be reckoned on, and nothing judged as fresh"
    )
    began = monotonic()
    company.broker.start()
    eventually(lambda: company.shows_dark("north"), "the outage that began meanwhile")
    print(f"from the broker's return to the centre's answer {monotonic() - began:.1f} s")

    centre.end(signal.SIGKILL)
    company.light("north")
    company.light("depot")
    for site in SITES:
        eventually(
            lambda: any(line["kind"] == "supply_back" for line in journal(sites[site])),  # noqa: B023 - asked at once
            "its own journal",
        )
    company.centre = centre = company.start_centre()
    for site in SITES:
        eventually(lambda: company.shows_dark(site, dark=False), f"{site} fed again")  # noqa: B023 - asked at once

    sites["depot"].end(signal.SIGKILL)
    eventually(lambda: company.is_quiet("depot"), "a site that was killed")
    assert company.is_quiet("north") is False
    company.start("depot")
    eventually(lambda: company.is_quiet("depot") is False, "the site again")

    def same() -> bool:
        """Return whether the centre has what the sites have, line by line; what is new at one is a second on its way."""
        told, incidents = journal(centre), incidents_of(centre)
        return all(
            plain(told, site) == plain(journal(company.sites[site]))
            and {
                f"{site}:{name}": closed for name, closed in incidents_of(company.sites[site]).items()
            }.items()
            <= incidents.items()
            for site in SITES
        )

    eventually(same, "the centre's journal and incidents to be those of the sites, line by line and in order")
    print(f"{len(journal(centre))} lines of the journal, {len(incidents_of(centre))} incidents")
