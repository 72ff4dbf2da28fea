"""People and rotas that several sites share: one file, of which each takes what is its own, told with its own file and line."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.configuration import ConfigError, Configuration, load
from tests.api.test_service_http import ESTATE, SECRETS

HOOK = '[[channel]]\nid = "hook"\nkind = "webhook"\nurl = "https://desk.example.org/x"\n'
PEOPLE = """\
[[person]]
name = "R. Haugen"
telephone = "+44 20 7946 0001"
reach = [{ channel = "hook" }]
tell = [{ on_call = "duty" }]

[[person]]
name = "K. Lind"
sites = ["north", "east"]
reach = [{ channel = "hook" }]
tell = [{ on_call = "duty" }]

[[person]]
name = "A. Moss"
sites = ["depot"]
reach = [{ channel = "hook" }]

[[rota]]
id = "duty"
sites = ["north"]
people = ["R. Haugen", "K. Lind"]
from = 2026-01-05T08:00:00

[[rota]]
id = "duty"
sites = ["depot"]
people = ["R. Haugen"]
from = 2026-01-05T08:00:00
"""


def a_site(folder: Path, name: str, people: str, more: str = "") -> Path:
    (folder / "people.toml").write_text(people, "utf-8")
    here = folder / name
    here.mkdir(exist_ok=True)
    (here / "secrets.toml").write_text(SECRETS, "utf-8")
    (here / "secrets.toml").chmod(0o600)
    own = f'[delivery]\ncollector = "{name}"\n[shared]\npeople = "../people.toml"\n'
    (here / "estate.toml").write_text(ESTATE + HOOK + own + more, "utf-8")
    return here / "estate.toml"


def people_of(configuration: Configuration) -> list[str]:
    return [person.name for person in configuration.people.persons]


def faults(path: Path) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        load(path)
    return [str(fault) for fault in caught.value.faults]


def test_each_site_takes_what_is_its_own_beside_what_it_has_itself(tmp_path: Path) -> None:
    own = '[[person]]\nname = "Porter"\nreach = [{ channel = "hook" }]\n'
    north, depot = load(a_site(tmp_path, "north", PEOPLE, own)), load(a_site(tmp_path, "depot", PEOPLE))
    assert people_of(north) == ["Porter", "R. Haugen", "K. Lind"]
    assert people_of(depot) == ["R. Haugen", "A. Moss"]


def test_another_text_of_the_shared_file_is_another_version(tmp_path: Path) -> None:
    before = load(a_site(tmp_path, "depot", PEOPLE)).version
    assert load(a_site(tmp_path, "depot", PEOPLE.replace("0001", "0002"))).version != before


def test_what_is_wrong_in_the_shared_file_is_told_with_its_own_place_and_line(tmp_path: Path) -> None:
    wrong = PEOPLE.replace(
        'reach = [{ channel = "hook" }]\ntell = [{ on_call = "duty" }]\n\n[[person]]\nname = "K',
        'reech = 1\n\n[[person]]\nname = "K',
    )
    own = '[[person]]\nname = "Porter"\nreach = [{ channel = "nowhere" }]\n'
    told = faults(a_site(tmp_path, "north", wrong, own))
    file = tmp_path / "north" / ".." / "people.toml"
    assert any(one.startswith(f"{file}:1: person.R. Haugen.reach: ") for one in told), told
    assert any(
        one.startswith(f"{tmp_path / 'north' / 'estate.toml'}:") and "person.Porter" in one for one in told
    ), told


@pytest.mark.parametrize(
    ("more", "place"),
    [
        ('[[channel]]\nid = "x"\n', ": channel: want [[person]], [[rota]] and [[rota_calendar]] alone"),
        ('[[person]]\nname = "B"\nsites = "north"\n', ".sites: want names of collectors"),
        (
            '[[person]]\nname = "R. Haugen"\nreach = [{ channel = "hook" }]\n',
            "person.R. Haugen: want a name of its own",
        ),
        ('[[person]]\nname = "B"\nreach = [{ channel = "none" }]\n', "person.B"),
        ("[[person]\n", "people.toml"),
    ],
)
def test_every_fault_of_a_shared_file_names_it(tmp_path: Path, more: str, place: str) -> None:
    told = faults(a_site(tmp_path, "north", PEOPLE + more))
    assert any("people.toml" in one and place in one for one in told), told


def test_a_shared_file_that_is_not_there_is_a_fault(tmp_path: Path) -> None:
    path = a_site(tmp_path, "north", PEOPLE)
    (tmp_path / "people.toml").unlink()
    assert any("a file of people that sites share that can be read" in one for one in faults(path))


def test_of_two_sites_rotas_of_one_name_the_line_is_that_of_the_one_that_was_taken(tmp_path: Path) -> None:
    wrong = PEOPLE.replace('people = ["R. Haugen"]', 'people = ["Nobody"]')
    line = wrong[: wrong.index('people = ["Nobody"]')].count("\n") + 1
    file = tmp_path / "depot" / ".." / "people.toml"
    assert any(
        one.startswith(f"{file}:{line}: rota.duty.people") for one in faults(a_site(tmp_path, "depot", wrong))
    )
    load(a_site(tmp_path, "north", wrong))
