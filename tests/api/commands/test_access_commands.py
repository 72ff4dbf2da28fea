"""Users and tokens at the command line: beside a running service, never with a password among the arguments."""

import io
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from api.access.passwords import HashCost
from api.commands import listening
from api.commands.access import user
from api.commands.main import main
from collector.configuration import ConfigError, load_text
from collector.storage.data_folder import LEDGER_FILE
from collector.storage.maintenance.backup import backup
from collector.storage.maintenance.export import export_ledger
from tests.api.test_service_http import ESTATE, SECRETS

PASSWORD = "a plain long password"
Say = Callable[..., int]


@pytest.fixture
def say(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Say:
    monkeypatch.setattr(user, "USUAL_COST", HashCost(passes=1, memory_kib=8, lanes=1))

    def run(*arguments: str, typed: str = "") -> int:
        monkeypatch.setattr("sys.stdin", io.StringIO(typed))
        return main([*arguments, "--data", str(tmp_path / "data")])

    return run


def test_a_user_is_added_changed_listed_and_removed(say: Say, capsys: pytest.CaptureFixture[str]) -> None:
    assert say("user", "add", "amir", "--role", "act", typed=PASSWORD + "\n") == 0
    assert say("user", "add", "amir", typed=PASSWORD + "\n") == 2
    assert say("user", "add", "ines", "--no-password") == 0
    assert say("user", "password", "amir", typed=PASSWORD + " 2\n") == 0
    assert say("user", "role", "amir", "administer") == 0
    assert say("user", "sign-out", "amir") == 0
    capsys.readouterr()
    assert say("user", "list") == 0
    told = capsys.readouterr().out.splitlines()
    assert told == [
        "amir\tadminister\tby password\tsigned in 0 times",
        "ines\tlook\tby a proxy only\tsigned in 0 times",
    ]
    assert say("user", "remove", "amir") == 0
    for what in (("remove",), ("sign-out",), ("role", "look")):
        assert say("user", what[0], "amir", *what[1:]) == 2
    assert "there is no user 'amir'" in capsys.readouterr().err


@pytest.mark.parametrize(
    "typed", ["", "short\n", "aaaaaaaaaaaaaaaa\n", "amir likes long ones\n", "x" * 200 + "\n"]
)
def test_a_password_that_is_soon_guessed_is_refused(say: Say, typed: str) -> None:
    assert say("user", "add", "amir", typed=typed) == 2


def test_a_token_is_shown_once_listed_without_its_secret_and_revoked(
    say: Say, capsys: pytest.CaptureFixture[str]
) -> None:
    assert say("token", "make", "night round", "--role", "look", "--days", "30") == 0
    token = capsys.readouterr().out.strip()
    begins, name, secret = token.split("_")
    assert (begins, len(bytes.fromhex(secret))) == ("rt", 32)
    assert say("token", "list") == 0
    told = capsys.readouterr().out
    assert told.startswith(f"{name}\tnight round\tlook\tuntil ")
    assert secret not in told
    assert say("token", "revoke", name) == 0
    assert say("token", "revoke", name) == 2
    with pytest.raises(SystemExit):
        say("token", "make", "x", "--days", "4000")


def test_no_export_holds_a_user_and_a_backup_only_when_asked(say: Say, tmp_path: Path) -> None:
    assert say("user", "add", "amir", typed=PASSWORD + "\n") == 0
    assert say("token", "make", "night round") == 0
    data = tmp_path / "data"
    export_ledger(data, tmp_path / "ledger.jsonl")
    told = (tmp_path / "ledger.jsonl").read_text("utf-8")
    assert "amir was added" in told
    assert "argon2" not in told
    assert '"table": "tokens"' not in told
    counts = {}
    for with_access in (False, True):
        copy = tmp_path / f"copy {with_access}"
        backup(data, copy, with_access=with_access)
        assert (b"argon2" in (copy / LEDGER_FILE).read_bytes()) is with_access
        with sqlite3.connect(copy / LEDGER_FILE) as ledger:
            counts[with_access] = [
                ledger.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in ("users", "tokens")
            ]
        ledger.close()
    assert counts == {False: [0, 0], True: [1, 1]}


def estate(folder: Path, listen: str) -> None:
    (folder / "secrets.toml").write_text(SECRETS, "utf-8")
    (folder / "secrets.toml").chmod(0o600)
    load_text(ESTATE.replace("[listen]\n", f"[listen]\n{listen}\n"), folder / "estate.toml")


@pytest.mark.parametrize(
    ("listen", "place"),
    [
        ('host = "0.0.0.0"', "listen.host"),
        ('certificate_file = "none.pem"\nkey_file = "none.key"', "listen.certificate_file"),
        ('certificate_file = "secrets.toml"', "listen.key_file"),
        ('proxies = ["192.0.2.300"]', "listen.proxies"),
        ('proxy_user_header = "Remote-User"', "listen.proxies"),
        ('proxy_user_header = "Cookie"\nproxies = ["192.0.2.3"]', "listen.proxy_user_header"),
        ('proxy_user_header = "Remote-User"\nproxies = ["127.0.0.1"]', "listen.proxy_secret"),
        ('proxy_secret = "cards"', "listen.proxy_secret"),
        ('openid_issuer = "https://id.example"', "listen.openid_client"),
        ('openid_client = "ridethrough"', "listen.openid_issuer"),
        ('openid_secret = "site"', "listen.openid_issuer"),
        ('openid_issuer = "http://id.example"\nopenid_client = "ridethrough"', "listen.openid_issuer"),
        ("session_idle_minutes = 1", "listen.session_idle_minutes"),
    ],
)
def test_a_door_that_would_let_strangers_in_is_a_fault_of_the_file(
    tmp_path: Path, listen: str, place: str
) -> None:
    with pytest.raises(ConfigError) as raised:
        estate(tmp_path, listen)
    assert any(place in str(fault) for fault in raised.value.faults), raised.value.faults


def test_doors_that_ask_who_comes_are_none(tmp_path: Path) -> None:
    estate(tmp_path, 'host = "0.0.0.0"\nproxies = ["192.0.2.0/28"]\nproxy_user_header = "Remote-User"')
    estate(tmp_path, 'proxies = ["127.0.0.1"]\nproxy_user_header = "Remote-User"\nproxy_secret = "site"')


def test_the_local_token_is_new_at_each_start_and_only_its_owners_to_read(tmp_path: Path) -> None:
    first, second = listening.local_token(tmp_path), listening.local_token(tmp_path)
    path = tmp_path / listening.LOCAL_TOKEN_FILE
    assert first != second == path.read_text("ascii").strip()
    assert path.stat().st_mode & 0o777 == 0o600
