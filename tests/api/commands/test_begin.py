"""From nothing to a first estate file: cards found, read, written down, and what they cannot tell asked for."""

import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from api.commands.cards.first_file import cells_of
from api.commands.main import main
from collector.configuration import load
from tests.trials.plant import Plant, Shape, plant

SILENT = {"upsConfigOutputVA": 0, "upsConfigOutputPower": 0}


@pytest.fixture(scope="module")
def cards() -> Iterator[Plant]:
    with plant(Shape(units=4)) as made:
        made.say(["s0a-4"], **SILENT)
        yield made


def begin(cards: Plant, folder: Path, *options: str) -> int:
    first, port = cards.places["s0a-1"]
    last = first.rpartition(".")[0] + ".5"
    to = ["--to", str(folder / "estate.toml"), "--udp-port", str(port)]
    return main(["begin", f"{first}-{last}", *to, *options])


def test_a_first_file_passes_check_and_asks_what_no_card_can_tell(
    cards: Plant, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hosts = [cards.places[f"s0a-{n}"][0] for n in (1, 2)]
    pair = [
        "--system",
        f"hall={','.join(hosts)}",
        "--site",
        'The "old" works',
        "--time-zone",
        "Europe/Lisbon",
    ]
    assert begin(cards, tmp_path, *pair) == 0
    told = capsys.readouterr()
    assert "3 units in 2 systems" in told.out
    assert "tells no rating that holds" in told.err
    assert main(["check", str(tmp_path / "estate.toml")]) == 0, capsys.readouterr().err
    found = load(tmp_path / "estate.toml")
    assert found.estate.sites["site"].name == 'The "old" works'
    assert [unit.system for unit in found.estate.units.values()] == ["hall", "hall", "S3"]
    assert {unit.fitted[0].rating_va for unit in found.estate.units.values()} == {30_000.0}
    assert (found.estate.systems["hall"].spare_units, found.estate.systems["S3"].spare_units) == (1, 0)
    text = (tmp_path / "estate.toml").read_text("utf-8")
    assert "which is 40 blocks of 12 V" in text
    assert '# id = "U4"' in text
    for asked in (
        "which supplies",
        "how long must it hold",
        "who is told",
        "what feeds the computer",
        "what stands in its bank",
    ):
        assert asked in text.lower(), asked
    for path in tmp_path.iterdir():
        assert path.stat().st_mode & 0o077 == 0, path
    bank = text[text.index("# [[bank]]") :].partition("\n\n")[0].partition("\n# ?")[0]
    plain = "\n".join(line.removeprefix("# ") for line in bank.splitlines())
    assert tomllib.loads(plain)["bank"][0]["feeds"] == ["U1"]
    (tmp_path / "estate.toml").write_text(text.replace(bank, plain), "utf-8")
    assert load(tmp_path / "estate.toml").estate.banks["bank-U1"].cells_in_series == 240, (
        "an answered question"
    )
    assert begin(cards, tmp_path) == 2, "what is there is not written over"


def test_ratings_that_no_card_tells_are_given_from_the_plate(cards: Plant, tmp_path: Path) -> None:
    assert begin(cards, tmp_path, "--rating-va", "20000", "--rating-w", "18000") == 0
    units = load(tmp_path / "estate.toml").estate.units
    assert [unit.fitted[0].rating_va for unit in units.values()] == [20_000.0] * 4


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--time-zone", "Mars/Olympus"], "--time-zone"),
        (["--system", "hall"], "--system"),
        (["--rating-va", "30"], "kVA times 1000"),
        (["--udp-port", "0"], "--udp-port"),
    ],
)
def test_a_wrong_option_is_told_before_anything_is_asked(
    cards: Plant, tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], said: str
) -> None:
    assert begin(cards, tmp_path, *options) == 2
    assert said in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_where_nothing_answers_nothing_is_written(tmp_path: Path) -> None:
    to = ["--to", str(tmp_path / "estate.toml"), "--udp-port", "9"]
    assert main(["begin", "127.0.0.1-127.0.0.2", *to]) == 3
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("volts", "cells"),
    [(545.1, 240), (13.6, 6), (27.1, 12), (436.0, 192), (3.0, None), (18.0, None), (0.0, None)],
)
def test_a_banks_voltage_tells_how_many_cells_it_has(volts: float, cells: int | None) -> None:
    assert cells_of(volts) == cells
