"""Every setting is documented."""

from collector.configuration import settings_reference


def test_every_setting_says_what_it_means() -> None:
    assert [s.place for s in settings_reference() if len(s.description) < 4] == []


def test_every_setting_says_in_plain_words_what_it_takes() -> None:
    odd = [
        s.place
        for s in settings_reference()
        if "<" in s.type or "class" in s.type or "." in s.type.replace('"', "")
    ]
    assert odd == []


def test_a_setting_within_a_table_has_its_whole_place() -> None:
    by_place = {s.place: s for s in settings_reference()}
    assert by_place["[[unit]] fitted rating_va"].type == "number"
    assert by_place["[[system]] requirements for"].default == "required"
    assert by_place["[listen] port"].default == "8470"
    assert by_place['[[channel ("mqtt")]] host'].description == "the broker's host"


def test_places_are_unique() -> None:
    places = [s.place for s in settings_reference()]
    assert len(set(places)) == len(places)
