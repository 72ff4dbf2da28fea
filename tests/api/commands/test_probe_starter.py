"""What `probe` prints for the estate file passes `check`, and a card whose figures contradict each other is doubted."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from api.commands.cards.probe import _doubt
from api.commands.main import main
from collector.configuration import load_text
from rules.plant.reading import Doubt, DoubtKind
from tests.trials.plant import Plant, Shape, plant

SITE = """
[[site]]
id = "s"
name = "S"
time_zone = "Europe/Paris"
[[supply]]
id = "m"
site = "s"
[[system]]
id = "A"
site = "s"
supply = "m"
spare_units = 0
"""
THOUSANDTHS = {"upsConfigOutputVA": 6, "upsConfigOutputPower": 5}
"""A card that gives kVA and kW where volt-amperes and watts belong."""
APART = {
    f"upsOutput{what}_{line}": value
    for line in (1, 2, 3)
    for what, value in (("Current", 183), ("Power", 34))
}


@pytest.fixture(scope="module")
def cards() -> Iterator[Plant]:
    with plant(Shape(units=4)) as made:
        made.say(["s0a-2"], **THOUSANDTHS, **APART, **{f"upsOutputPercentLoad_{n}": 1 for n in (1, 2, 3)})
        made.say(["s0a-3"], upsConfigOutputVA=0, upsConfigOutputPower=0)
        idle = {f"upsOutput{what}_{n}": 0 for n in (1, 2, 3) for what in ("Current", "Power", "PercentLoad")}
        made.say(["s0a-4"], **THOUSANDTHS, **idle)
        yield made


def probed(cards: Plant, unit: str, *options: str) -> int:
    host, port = cards.places[unit]
    return main(["probe", f"snmp://{host}:{port}", *options])


def checked(folder: Path, text: str) -> int:
    (folder / "estate.toml").write_text(text, "utf-8")
    secrets = folder / "secrets.toml"
    secrets.write_text('[cards]\ncommunity = "public"\n', "utf-8")
    secrets.chmod(0o600)
    return main(["check", str(folder / "estate.toml")])


def test_a_starter_file_passes_check_as_it_is(
    cards: Plant, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert probed(cards, "s0a-1", "--starter") == 0
    text = capsys.readouterr().out
    assert checked(tmp_path, text) == 0, capsys.readouterr().err
    unit = load_text(text, tmp_path / "estate.toml").estate.units["A1"]
    assert (unit.fitted[0].rating_va, unit.fitted[0].rating_w, unit.output_lines) == (30_000.0, 27_000.0, 3)


def test_the_entry_of_the_report_passes_check_below_a_system(
    cards: Plant, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert probed(cards, "s0a-1") == 0
    entry = capsys.readouterr().out.partition("For the estate file:")[2]
    assert checked(tmp_path, SITE + entry) == 0, capsys.readouterr().err


def test_amperes_that_contradict_watts_and_a_rating_of_six_are_doubted(
    cards: Plant, capsys: pytest.CaptureFixture[str]
) -> None:
    assert probed(cards, "s0a-2") == 0
    told = capsys.readouterr().out
    assert "output L1     230 V, A not known, W not known" in told
    for doubt in ("upsOutputCurrent line 1: 183 not used", "upsOutputPower line 1: 34 not used"):
        assert doubt in told
    assert "upsConfigOutputVA: 6 used as 6000: gives its rating in kVA and kW" in told
    assert "rating_va = 6000" in told


@pytest.mark.parametrize(
    ("raw", "used", "words"),
    [
        (0, 0.0, "upsBatteryCurrent: 0 is the same either way: counted the other way round"),
        (0, -0.0, "upsBatteryCurrent: 0 is the same either way: counted the other way round"),
        (-183, 18.3, "upsBatteryCurrent: -183 used as 18.3: counted the other way round"),
        (7, None, "upsBatteryCurrent: 7 not used: counted the other way round"),
    ],
)
def test_a_value_that_no_correction_changes_is_not_used_as_another(
    raw: int, used: float | None, words: str
) -> None:
    assert (
        _doubt(Doubt("upsBatteryCurrent", DoubtKind.SIGN, "counted the other way round", raw, used)) == words
    )


def test_without_load_a_rating_of_six_is_doubted_and_not_made_up(
    cards: Plant, capsys: pytest.CaptureFixture[str]
) -> None:
    assert probed(cards, "s0a-4") == 0
    told = capsys.readouterr().out
    assert (
        "upsConfigOutputVA: 6 not used: no cabinet is rated at 6: in thousands? read it from the plate"
        in told
    )
    assert "rating_va = 0  # not told by the card: read it from the plate" in told


@pytest.mark.parametrize("unit", ["s0a-3", "s0a-4"])
def test_a_rating_that_does_not_hold_is_asked_for_and_taken_from_the_plate(
    unit: str, cards: Plant, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert probed(cards, unit, "--starter") == 11
    told = capsys.readouterr()
    assert "--rating-va" in told.err
    assert checked(tmp_path, told.out) == 2
    capsys.readouterr()
    assert probed(cards, unit, "--starter", "--rating-va", "6000", "--rating-w", "5400") == 0
    assert checked(tmp_path, capsys.readouterr().out) == 0


def test_a_rating_in_kva_is_refused(cards: Plant, capsys: pytest.CaptureFixture[str]) -> None:
    assert probed(cards, "s0a-1", "--rating-va", "30") == 2
    assert "--rating-va: want 300 to 4_000_000, kVA times 1000; got 30" in capsys.readouterr().err
