"""The file of a centre: every fault at once, with its place and what was wanted; the example is one without any."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.configuration import ConfigError
from collector.configuration.centre.file import load_centre
from collector.configuration.secrets import Login

EXAMPLE = Path(__file__).parents[3] / "deploy" / "centre" / "example-centre.toml"
SITE = '[[site]]\nid = "north"\naddress = "https://north.example.org:8470"\n'
BROKER = '[[broker]]\nhost = "127.0.0.1"\n'


def written(folder: Path, text: str, secrets: str = "") -> Path:
    path = folder / "centre.toml"
    path.write_text(text, "utf-8")
    if secrets:
        beside = folder / "secrets.toml"
        beside.write_text(secrets, "utf-8")
        beside.chmod(0o600)
    return path


def faults(path: Path) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        load_centre(path)
    return [str(fault).removeprefix(f"{path}: ") for fault in caught.value.faults]


def test_the_example_has_no_fault(tmp_path: Path) -> None:
    secrets = '[broker]\nuser = "centre"\npassword = "a long one"\n'
    file = load_centre(written(tmp_path, EXAMPLE.read_text("utf-8"), secrets))
    assert [site.id for site in file.sites] == ["north", "depot", "control"]
    login = file.login(file.brokers[0])
    assert isinstance(login, Login)
    assert login.user.reveal() == "centre"
    assert file.page.title == "All sites"


def test_a_centre_that_needs_no_secret_needs_no_file_of_them(tmp_path: Path) -> None:
    file = load_centre(written(tmp_path, SITE + BROKER))
    assert file.login(file.brokers[0]) is None


def test_every_fault_is_told_with_its_place(tmp_path: Path) -> None:
    text = (
        SITE
        + SITE
        + '[[site]]\nid = "depot"\n[[broker]]\nhots = "a"\n[[sites]]\nid = "x"\n[listen]\nport = 0\n'
    )
    found = faults(written(tmp_path, text))
    told = "\n".join(found)
    for place in ("site.north", "site#3.address", "broker#1.host", "sites", "listen.port"):
        assert place in told, told
    assert "nearest known: 'host'" in told


def test_a_secret_that_is_not_there_is_a_fault(tmp_path: Path) -> None:
    found = faults(
        written(tmp_path, f'{SITE}{BROKER}secret = "broker"\n', '[other]\ntoken = "long enough"\n')
    )
    assert any("broker#1.secret" in line for line in found), found


def test_without_sites_or_brokers_there_is_nothing_to_show(tmp_path: Path) -> None:
    found = faults(written(tmp_path, '[page]\ntitle = "None"\n'))
    assert [line.partition(": ")[0] for line in found] == ["site", "broker"]


def test_a_sites_token_and_authorities_are_checked_with_the_rest(tmp_path: Path) -> None:
    (tmp_path / "empty.pem").write_text("nothing\n", "utf-8")
    wrong = (
        SITE + 'secret = "nobodys"\nauthority_file = "missing.pem"\nacts_wait_s = 5\n'
        + SITE.replace("north", "depot") + 'secret = "broker"\nauthority_file = "empty.pem"\n'
        + SITE.replace("north", "east").replace("https://east.example.org", "http://127.0.0.1") + 'authority_file = "empty.pem"\n'
        + SITE.replace("north", "west").replace("https", "http") + BROKER
    )  # fmt: skip
    secrets = '[broker]\nuser = "centre"\npassword = "a long one"\n'
    told = "\n".join(faults(written(tmp_path, wrong, secrets)))
    for place in ("site#1.acts_wait_s", "site#4.address"):
        assert place in told, told
    right = wrong.replace("acts_wait_s = 5\n", "").replace("http://west", "https://west")
    told = "\n".join(faults(written(tmp_path, right, secrets)))
    for place in (
        "site#1.secret",
        "site#1.authority_file",
        "site#2.secret",
        "site#2.authority_file",
        "site#3.authority_file",
    ):
        assert place in told, told


def test_a_site_that_takes_acts_has_its_token_and_a_time(tmp_path: Path) -> None:
    secrets = '[north]\ntoken = "rt_ab_cdefghij"\n'
    file = load_centre(written(tmp_path, SITE + 'secret = "north"\n' + BROKER, secrets))
    (site,) = file.sites
    token = file.token(site)
    assert token is not None
    assert (token.token.reveal(), site.acts_wait_s) == ("rt_ab_cdefghij", 120)
    assert file.token(load_centre(written(tmp_path, SITE + BROKER)).sites[0]) is None
