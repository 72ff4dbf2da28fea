"""A text that cannot be read names its line and the remedy; never what may be a secret."""

from pathlib import Path

import pytest

from collector.configuration import ConfigError, load
from collector.configuration.toml_text import Lines

SITE = '[[site]]\nid = "s"\n'


def told(path: Path, content: str | bytes) -> str:
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(ConfigError) as caught:
        load(path)
    return str(caught.value.faults[0])


@pytest.mark.parametrize(
    ("content", "line", "want"),
    [
        ("[[channel]]\nkind = webhook\n", 2, 'want text in quotes: kind = "webhook"; got webhook'),
        (SITE + "name = Main hall\n", 3, 'want text in quotes: name = "Main hall"; got Main hall'),
        (SITE + "x = True\n", 3, "want x = true; got True"),
        (
            SITE + "community = hush\n",
            3,
            "want the value of community in quotes; got a word without (not shown)",
        ),
        (SITE + 'name = "S\n', 3, "want a closing quote on the same line; got the end of the line"),
        (SITE + 'id = "t"\n', 3, "want each setting and each table once; got one a second time"),
        (SITE + "rating = 30 kVA\n", 3, "want one value: a number without its unit"),
        (SITE + "name =", 3, "line 3 is begun and not ended; got the end of the file (is it cut off?)"),
        (SITE + "na", 3, "line 3 is begun and not ended; got the end of the file (is it cut off?)"),
        ("t_s,bank_voltage_v\n0,540\n", 1, "want TOML: NAME = VALUE, or [[TABLE]]; got a line without ="),
        (b'[[site]]\nname = "caf\xc3', 2, "got an end within a character: the file is cut off"),
        (b"a = \xff\n", 1, "byte 5: want text in UTF-8; got a byte that is none"),
    ],
)
def test_the_line_and_the_remedy(content: str | bytes, line: int, want: str, tmp_path: Path) -> None:
    found = told(tmp_path / "e.toml", content)
    assert found.startswith(f"{tmp_path}/e.toml:{line}: ")
    assert want in found
    assert "hush" not in found


@pytest.mark.parametrize(
    ("content", "got"),
    [
        (b"\x00\x01\x02", "a binary file"),
        (b"%PDF-1.7", "a PDF file"),
        (b"SQLite format 3\0", "an SQLite store"),
        (b"cells_in_series = 240\n", "the file of one bank, as `ridethrough capacity --bank` reads it"),
        (
            b'[cards]\ncommunity = "public"\n',
            "a secrets file: name the estate file, which names this one in [secrets]",
        ),
    ],
)
def test_another_file_than_an_estate_file_is_named(content: bytes, got: str, tmp_path: Path) -> None:
    found = told(tmp_path / "e.toml", content)
    assert "want an estate file" in found
    assert found.endswith(f"got {got}")
    assert "public" not in found


def test_places_stand_on_their_lines() -> None:
    text = (
        '[[unit]]\nsystem = "A"\nid = "A.1"\n[[unit.fitted]]\nfrom = 1\n[[unit.fitted]]\nmodel = "x"\n'
        '[[unit]]\nsystem = "B"\n[[unit.fitted]]\nmodel = "y"\n[watch]\nbox_fed_by = "A"\n'
    )
    lines = Lines(text)
    assert [lines.of(place) for place in ("unit.A.1", "unit.A.1.system", "unit.A.1.fitted#2.model")] == [
        1,
        2,
        7,
    ]
    assert [lines.of(place) for place in ("unit#2.fitted#1.model", "unit#2.fitted#1.rating_va")] == [11, 10]
    assert [lines.of(place) for place in ("watch.box_fed_by", "watch.way_out_fed_by", "polling.every_s")] == [
        13,
        12,
        None,
    ]
