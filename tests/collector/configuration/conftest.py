"""A small estate to spoil, and the faults that come of it."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from collector.configuration import ConfigError, load_text

SECRETS = '[cards]\ncommunity = "hush-hush"\n[post]\nuser = "u"\npassword = "pw-pw-pw"\n'
SMALL = """
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
requirements = [{ id = "down", for = "orderly_shutdown", required_s = 300 }]
[[unit]]
id = "A1"
system = "A"
[[unit.fitted]]
from = 2020-01-01
model = "X"
rating_va = 30000
rating_w = 27000
[[card]]
id = "c1"
target = "snmp://192.0.2.1"
secret = "cards"
covers = ["A1"]
[[bank]]
id = "b1"
feeds = ["A1"]
cells_in_series = 240
[[bank.fitted]]
from = 2020-01-01
type = "T"
blocks = 40
rated_capacity_ah = 9.0
rated_hours = 20
constant_power = [[5, 66.0], [10, 43.0], [30, 19.5]]
"""


def unplaced(fault: str) -> str:
    """Return a fault without the folder and the line of its file, which change with what a test adds."""
    return re.sub(r"^\S*/([\w-]+\.toml)(:\d+)?: ", r"\1: ", fault)


@pytest.fixture
def small() -> str:
    """Return the text of the smallest sound estate file."""
    return SMALL


@pytest.fixture
def estate(tmp_path: Path) -> Path:
    """Return where the estate file would stand, beside a sound secrets file."""
    secrets = tmp_path / "secrets.toml"
    secrets.write_text(SECRETS, encoding="utf-8")
    secrets.chmod(0o600)
    return tmp_path / "estate.toml"


@pytest.fixture
def faults(estate: Path) -> Callable[[str], list[str]]:
    """Return a function that gives the faults of an estate file's text."""

    def find(text: str) -> list[str]:
        with pytest.raises(ConfigError) as caught:
            load_text(text, estate)
        return [unplaced(str(fault)) for fault in caught.value.faults]

    return find
