"""Which units' cards nobody confirmed at the cabinet."""

import asyncio
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from api.commands.check import never_confirmed
from api.commands.main import main
from collector.configuration import latest_today, load
from collector.simulation.estate import SimulatedEstate
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import LearntFact
from tests.api.test_service_http import ESTATE, SECRETS
from tests.rules.sample_plants import NOON, estate

DEPLOY = Path(__file__).resolve().parents[3] / "deploy"


def test_a_unit_whose_card_was_confirmed_is_not_named(tmp_path: Path) -> None:
    plant = estate(2)
    card = plant.card_of("A1")
    assert card is not None
    body = {"unit": "A1", "card": card.id, "who": "R. Haugen", "proof": "confirmed"}
    fact = LearntFact(card.id, "confirmed:A1", NOON, "confirmation/1", body)

    async def keep() -> None:
        async with Ledger(tmp_path / "ledger.sqlite") as ledger, ledger.transaction() as tx:
            tx.learn(fact)

    asyncio.run(keep())
    assert never_confirmed(plant, tmp_path) == ["A2"]


async def test_the_demonstration_and_the_example_have_no_finding(tmp_path: Path) -> None:
    today = latest_today(datetime.now(UTC))
    async with SimulatedEstate(tmp_path / "plant") as plant:
        assert load(plant.estate_file, today).warnings == ()
    for name in ("example-estate.toml", "example-secrets.toml"):
        (tmp_path / name).write_bytes((DEPLOY / name).read_bytes())
    (tmp_path / "example-secrets.toml").chmod(0o600)
    assert load(tmp_path / "example-estate.toml", today).warnings == ()


def test_a_unit_of_the_day_after_tomorrow_is_a_fault_on_its_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    day = (datetime.now(UTC) + timedelta(days=2)).date()
    text = (DEPLOY / "example-estate.toml").read_text("utf-8").replace("from = 2023-09-03", f"from = {day}")
    (tmp_path / "mine.toml").write_text(text, "utf-8")
    (tmp_path / "example-secrets.toml").write_bytes((DEPLOY / "example-secrets.toml").read_bytes())
    (tmp_path / "example-secrets.toml").chmod(0o600)
    assert main(["check", f"{tmp_path}/mine.toml"]) == 2
    (told,) = capsys.readouterr().err.splitlines()
    line = text.splitlines().index(f"from = {day}") + 1
    assert told.startswith(
        f"{tmp_path}/mine.toml:{line}: unit.core-2.fitted#1.from: want the day it was put in, today"
    )
    assert told.endswith(f"got {day}")


def test_a_folder_without_a_ledger_proves_nothing_and_gets_none(tmp_path: Path) -> None:
    assert never_confirmed(estate(2), tmp_path) == ["A1", "A2"]
    assert list(tmp_path.iterdir()) == []


def test_a_centres_file_is_checked_as_such(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "centre.toml"
    text = (DEPLOY / "centre" / "example-centre.toml").read_text("utf-8").replace("# secret =", "secret =")
    file.write_text(text, "utf-8")
    beside = tmp_path / "secrets.toml"
    beside.write_text('[broker]\nuser = "centre"\npassword = "a long one"\n', "utf-8")
    beside.chmod(0o600)
    assert main(["check", "--centre", str(file)]) == 2
    assert "site#1.secret" in capsys.readouterr().err
    with beside.open("a", encoding="utf-8") as more:
        more.write('[north]\ntoken = "rt_ab_cdefghij"\n')
    assert main(["check", "--centre", str(file)]) == 0
    assert "in order. 3 sites, of which 1 take what people do at the centre." in capsys.readouterr().out
    assert main(["check", "--centre", str(file), "--data", str(tmp_path)]) == 2


CENTRE = """
[[broker]]
host = "broker.example.org"
[[site]]
id = "north"
address = "https://north.example.org:8470"
[[site]]
id = "depot"
address = "https://depot.example.org:8470"
"""
TELLS = '[[channel]]\nid = "company"\nkind = "mqtt"\nhost = "broker.example.org"\ntells_centre = true\n'


def a_site(folder: Path, name: str, more: str = TELLS) -> str:
    """Write the estate file of a site whose collector has a name; return its path."""
    here = folder / name
    here.mkdir(exist_ok=True)
    own = f'[delivery]\ncollector = "{name}"\n'
    (here / "secrets.toml").write_text(SECRETS, "utf-8")
    (here / "secrets.toml").chmod(0o600)
    (here / "estate.toml").write_text(ESTATE + own + more, "utf-8")
    return str(here / "estate.toml")


def test_several_sites_and_their_centre_are_held_against_each_other(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    centre = tmp_path / "centre.toml"
    centre.write_text(CENTRE, "utf-8")
    north, depot = a_site(tmp_path, "north"), a_site(tmp_path, "depot")
    assert main(["check", "--centre", str(centre), north, depot]) == 0
    out, err = capsys.readouterr()
    assert [line.partition(": ")[0] for line in out.splitlines()] == [north, depot, str(centre)]
    assert not [line for line in err.splitlines() if "site.depot" in line]
    assert main(["check", "--centre", str(centre), north]) == 0
    assert f"warning: {centre}: site.depot: want its estate file" in capsys.readouterr().err
    assert main(["check", "--centre", str(centre), north, a_site(tmp_path, "deppot")]) == 2
    assert "(nearest known: 'depot')" in capsys.readouterr().err
    for more, words in (
        ("", "one with tells_centre = true"),
        (TELLS + 'topics_below = "other"\n', "company.topics_below"),
    ):
        assert main(["check", "--centre", str(centre), north, a_site(tmp_path, "depot", more)]) == 2
        assert words in capsys.readouterr().err


def test_two_sites_of_one_name_and_two_numbers_of_one_person_are_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def person(number: str) -> str:
        return (
            TELLS + f'[[channel]]\nid = "hook"\nkind = "webhook"\nurl = "https://desk.example.org/x"\n'
            f'[[person]]\nname = "R. Haugen"\ntelephone = "{number}"\nreach = [{{ channel = "hook" }}]\n'
        )

    one, other = (
        a_site(tmp_path, "north", person("+44 20 7946 0001")),
        a_site(tmp_path, "depot", person("+44 20 7946 0002")),
    )
    assert main(["check", one, other]) == 0
    assert (
        f"warning: {other}: person.R. Haugen.telephone: want the number that {one} has"
        in capsys.readouterr().err
    )
    twin = tmp_path / "twin"
    twin.mkdir()
    for name in ("estate.toml", "secrets.toml"):
        (twin / name).write_bytes((tmp_path / "north" / name).read_bytes())
        (twin / name).chmod(0o600)
    assert main(["check", one, str(twin / "estate.toml")]) == 2
    assert f"a name of its own: {one} has this one" in capsys.readouterr().err
    assert main(["check"]) == 2
    assert main(["check", one, other, "--data", str(tmp_path)]) == 2
