"""Secrets: kept apart, checked, and never shown."""

import pickle
from collections.abc import Callable
from pathlib import Path

import pytest

from collector.configuration import ConfigError, load_text
from collector.configuration.secrets import Secret, read_secrets

Faults = Callable[[str], list[str]]
WORD = "tell-no-one-ever"


def secrets(path: Path, text: str, mode: int = 0o600) -> Path:
    path.write_text(text, encoding="utf-8")
    path.chmod(mode)
    return path


def test_a_secret_prints_as_stars_in_every_way() -> None:
    secret = Secret(WORD)
    shown = [
        str(secret),
        repr(secret),
        f"{secret}",
        f"{secret:>20}",
        str([secret]),
        str({1: secret}),
    ]
    assert not [text for text in shown if WORD in text]
    assert secret.reveal() == WORD


def test_a_secret_leaves_the_process_by_no_pickle() -> None:
    with pytest.raises(TypeError, match="not pickled"):
        pickle.dumps(Secret(WORD))


def test_secrets_compare_by_their_text() -> None:
    assert Secret(WORD) == Secret(WORD)
    assert Secret(WORD) != Secret("another")
    assert len({Secret(WORD), Secret(WORD)}) == 1


@pytest.mark.parametrize(
    ("text", "place"),
    [
        (f'[cards]\ncommunity = "{WORD}"\nuser = "{WORD}"\n', "cards"),
        (f'[cards]\nuser = "{WORD}"\nauth = "{WORD}"\nauth_key = "{WORD}"\n', "cards.auth"),
        (f'[cards]\nuser = "{WORD}"\nauth_key = "{WORD}"\n', "cards.auth"),
        (f'[cards]\nuser = "{WORD}"\nprivacy = "aes128"\nprivacy_key = "{WORD}"\n', "cards.auth"),
        (f'[cards]\ncommunity = ["{WORD}"]\n', "cards.community"),
        (f'[cards]\ncommunity = "{WORD}\n', "line 2, column"),
        (f'cards = "{WORD}"\n', "cards"),
        (f'["{WORD} x"]\ncommunity = "x"\n', "a secret's name"),
    ],
)
def test_a_fault_in_the_secrets_file_shows_its_place_and_no_value(
    text: str, place: str, tmp_path: Path
) -> None:
    _, notes = read_secrets(secrets(tmp_path / "secrets.toml", text))
    assert notes.faults
    assert notes.faults[0].place.startswith(place)
    assert not [fault for fault in notes.faults if WORD in str(fault)]


def test_a_key_shorter_than_the_standard_asks_is_a_fault(tmp_path: Path) -> None:
    # RFC 3414, 11.2: at least eight characters
    text = '[v3]\nuser = "u"\nauth = "sha256"\nauth_key = "seven77"\n'
    _, notes = read_secrets(secrets(tmp_path / "secrets.toml", text))
    assert str(notes.faults[0]) == f"{tmp_path}/secrets.toml: v3.auth_key: want 8 or more characters; got ***"


@pytest.mark.parametrize(
    ("mode", "faults", "warnings"),
    [(0o600, 0, 0), (0o400, 0, 0), (0o640, 0, 1), (0o644, 0, 1), (0o666, 1, 0), (0o660, 1, 0)],
)
def test_a_secrets_file_that_others_may_read_or_write_is_complained_of(
    mode: int, faults: int, warnings: int, tmp_path: Path
) -> None:
    _, notes = read_secrets(secrets(tmp_path / "secrets.toml", '[a]\ncommunity = "x"\n', mode))
    assert (len(notes.faults), len(notes.warnings)) == (faults, warnings)


def test_a_missing_secrets_file_is_one_fault(small: str, estate: Path, faults: Faults) -> None:
    (estate.parent / "secrets.toml").unlink()
    assert faults(small) == [
        "secrets.toml: file: want a secrets file that can be read; got No such file or directory"
    ]


def test_a_secret_pasted_where_its_name_belongs_is_not_repeated(small: str, faults: Faults) -> None:
    for wrong in (
        small.replace('secret = "cards"', f'secret = "{WORD}"'),
        small.replace('secret = "cards"', f'secret = "cards"\ncommunity = "{WORD}"'),
        small.replace("snmp://192.0.2.1", f"snmp://{WORD}@192.0.2.1"),
    ):
        assert WORD not in "\n".join(faults(wrong))


def test_a_card_wants_a_community_or_a_user(small: str, faults: Faults) -> None:
    (found,) = faults(small.replace('secret = "cards"', 'secret = "post"'))
    assert found == (
        "estate.toml: card.c1.secret: want a secret with community or user; got one with user and password"
    )


def test_a_version_that_does_not_fit_the_secret_is_a_fault(small: str, faults: Faults) -> None:
    (found,) = faults(small.replace('secret = "cards"', 'secret = "cards"\nsnmp_version = "3"'))
    assert "card.c1.snmp_version: want '3' with a user, '1' or '2c' with a community; got '3'" in found


def test_a_configuration_shows_no_secret_when_printed(small: str, estate: Path) -> None:
    assert "hush-hush" not in repr(load_text(small, estate))


def test_an_error_of_the_whole_file_shows_no_secret(small: str, estate: Path) -> None:
    with pytest.raises(ConfigError) as caught:
        load_text(small.replace("blocks = 40", "blocks = 41"), estate)
    assert "hush-hush" not in str(caught.value)
