"""`import back`: names what goes, and refuses what it does not know."""

import asyncio
from pathlib import Path

import pytest

from api.commands.exits import Exit
from api.commands.main import main
from collector.assessment.past.taking_back import note_path
from tests.collector.assessment.past.brought import ready, stores, written
from tests.collector.assessment.past.test_taking import HEADER, quarters

BY = ("--by", "R. Haugen")


@pytest.fixture
def imported(tmp_path: Path) -> str:
    """A data folder with one import; return its id."""
    (tmp_path / "data").mkdir(mode=0o700)
    made = ready(tmp_path / "data", written(tmp_path / "past.csv", HEADER, quarters("A1")))

    async def take() -> None:
        async with stores(tmp_path / "data") as kept:
            await kept.takes.once()

    asyncio.run(take())
    return made.about.id


def test_it_says_what_would_go_and_leaves_a_note(
    imported: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = ("--data", str(tmp_path / "data"))
    assert main(["import", "back", imported, *BY, *data, "--look"]) == Exit.DONE
    said = capsys.readouterr().out
    assert f"{imported}: past.csv, 96 readings of A1, imported by R. Haugen on " in said
    assert "Nothing was taken back." in said
    assert not note_path(tmp_path / "data", imported).exists()

    assert main(["import", "back", imported, *BY, *data]) == Exit.DONE
    assert "Nothing that a card gave is touched." in capsys.readouterr().out
    assert note_path(tmp_path / "data", imported).exists()
    assert main(["import", "back", imported, *BY, *data]) == Exit.DONE
    assert "asked back before" in capsys.readouterr().out


def test_an_id_that_is_none_is_refused_with_those_that_are(
    imported: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("past.csv", "../ledger"):
        assert main(["import", "back", name, *BY, "--data", str(tmp_path / "data")]) == Exit.WRONG_INPUT
        refused = capsys.readouterr().err
        assert repr(name) in refused
        assert imported in refused
    (tmp_path / "none").mkdir(mode=0o700)
    assert main(["import", "back", imported, *BY, "--data", str(tmp_path / "none")]) == Exit.WRONG_INPUT
    assert "no readings were imported" in capsys.readouterr().err
