"""A cut, a wrong and a binary file, and a day to come: each is told with its place and the remedy, by every command."""

from pathlib import Path

import pytest

from api.commands.main import main

ESTATE = str(Path(__file__).resolve().parents[3] / "deploy" / "example-estate.toml")
BINARY, LONG = b"\x00\x01\x02", b"[[site]]\nid = 1\nname = 2\n"


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (BINARY, "want a file with the word, which is text in UTF-8; got a binary file"),
        (LONG, "want the one line with the word; got 3 lines: is it another file?"),
        (b"\n", "want the one line with the word; got an empty file"),
        (None, "want a file with the word that can be read; got No such file or directory"),
    ],
)
def test_a_file_that_is_no_community_is_told_and_not_shown(
    content: bytes | None, told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "community.txt"
    if content is not None:
        file.write_bytes(content)
    assert main(["probe", "snmp://127.0.0.1:9", "--community-file", str(file)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("--community-file: ")
    assert str(file) in line
    assert told in line
    assert "site" not in line


def test_a_binary_secrets_file_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "secrets.toml"
    file.write_bytes(BINARY)
    file.chmod(0o600)
    assert main(["probe", "snmp://127.0.0.1:9", "--secret", "cards", "--secrets-file", str(file)]) == 2
    assert (
        f"{file}: file: want a secrets file, which is text in UTF-8; got a binary file"
        in capsys.readouterr().err
    )


@pytest.mark.parametrize(
    ("content", "at", "told"),
    [
        (BINARY, "2024-05-01", "want a CSV file, which is text in UTF-8; got a binary file"),
        (b"t_s,bank_voltage_v\n0,540\n", "2096-05-01", "--at: want a time that is past"),
        (
            b"t_s,bank_voltag_v\n0,540\n",
            "2024-05-01",
            "log.csv: line 1: want columns out of t_s, bank_voltage_v",
        ),
    ],
)
def test_what_cannot_be_imported_is_told(
    content: bytes, at: str, told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "log.csv"
    file.write_bytes(content)
    arguments = [
        "--bank",
        "bank-1",
        "--at",
        at,
        "--by",
        "Ada",
        "--estate",
        ESTATE,
        "--data",
        str(tmp_path / "data"),
    ]
    assert main(["import", "discharge", str(file), *arguments]) == 2
    assert told in capsys.readouterr().err
    assert not (tmp_path / "data").exists()


@pytest.mark.parametrize(
    ("cells_of_log", "amperes", "told"),
    [
        (240, True, []),
        (240, False, ["note: current stands at 0 beside output power: not believed"]),
        (
            200,
            True,
            [
                "Cannot tell from it what the bank gives: by its 240 cells the bank carries on for",
                "see the number of cells",
            ],
        ),
    ],
)
def test_what_is_odd_about_an_imported_log_is_said_to_who_brings_it(
    cells_of_log: int, amperes: bool, told: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """15 kW out of a bank whose table gives them for half an hour, for fifteen minutes."""
    file = tmp_path / "log.csv"
    rows = ["t_s,bank_voltage_v,bank_current_a,temperature_c,output_power_w"]
    for t in range(0, 900, 10):
        volts = cells_of_log * (2.02 - 0.02 * min(t, 60) / 60 - 0.06 * t / 900)
        current = 4700.0 / volts if amperes else 0.0
        rows.append(f"{t},{volts:.1f},{current:.2f},25,4380")
    file.write_text("\n".join(rows) + "\n", "utf-8")
    arguments = ["--bank", "bank-1", "--at", "2024-05-01", "--by", "Ada", "--estate", ESTATE]
    assert main(["import", "discharge", str(file), *arguments, "--data", str(tmp_path / "data")]) == 0
    said = capsys.readouterr().out
    for words in told:
        assert words in said
    if not told:
        assert "note:" not in said
        assert "Cannot tell" not in said
