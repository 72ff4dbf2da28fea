import json
from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import timedelta

from api.pages.live import difference, event, fragments, frame, stream
from api.pages.sheets import registry as sheets
from collector.read_model.sheet import Sheet
from tests.api.pages import samples


def later(sheet: Sheet, seconds: float) -> Sheet:
    return replace(sheet, now=sheet.now + timedelta(seconds=seconds))


def test_every_fragment_has_its_place_on_the_page() -> None:
    for make in samples.ALL.values():
        sheet = make()
        for address in ("/", "/systems/works", "/units/W3", "/banks/3", "/alarms"):
            html = sheets.render_at(sheet, address)
            if html is None:
                continue
            for name, inside in fragments(sheet, address).items():
                assert f'id="{name}"' in html
                assert inside in html


def test_ticking_seconds_alone_change_no_sentence() -> None:
    old = frame(samples.short())
    new = frame(later(samples.short(), 1))
    assert old is not None
    assert new is not None
    changed = difference(old, new)["fragments"]
    assert set(changed) <= {"asof", "judged"}


def test_only_what_changed_is_sent() -> None:
    sheet = samples.short()
    old, new = frame(sheet), frame(replace(sheet, alarms=sheet.alarms[1:]))
    assert old is not None
    assert new is not None
    payload = difference(old, new)
    assert set(payload["fragments"]) == {"wrong", "lead", "s-works"}
    assert payload["said"] == "One alarm has gone."


def test_an_outage_builds_the_page_otherwise_and_says_so_once() -> None:
    before, during = frame(samples.short()), frame(samples.outage())
    assert before is not None
    assert during is not None
    payload = difference(before, during)
    assert payload["skeleton"] != before.skeleton
    assert "Treatment works: on its banks." in payload["said"]
    after = frame(samples.outage(166.0))
    assert after is not None
    assert after.skeleton == during.skeleton
    assert "said" not in difference(during, after)


def test_an_event_is_one_line_of_json() -> None:
    made = event({"fragments": {"lead": "a\nb\r\u2028"}})
    assert made.startswith(b"event: sheet\ndata: {")
    assert made.endswith(b"}\n\n")
    assert made.count(b"\n") == 3
    assert json.loads(made.split(b"data: ")[1])["fragments"]["lead"] == "a\nb\r\u2028"


async def test_a_stream_begins_whole_and_ends_with_its_page() -> None:
    async def coming() -> AsyncIterator[Sheet]:
        yield samples.short()
        yield later(samples.short(), 15)

    made = [chunk async for chunk in stream(coming(), "/systems/works")]
    first, second = (json.loads(chunk.split(b"data: ")[1]) for chunk in made[1:])
    assert "q1-big" in first["fragments"]
    assert "q1-big" not in second["fragments"]
    assert [chunk async for chunk in stream(coming(), "/systems/nobody")] == [b"retry: 10000\n\n"]
