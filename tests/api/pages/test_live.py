import json
from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import timedelta
from typing import Any

from api.pages.live import KEPT_FRAMES, Frames, difference, event, fragments, frame, stream
from api.pages.sheets import registry as sheets
from collector.read_model.sheet import Sheet
from tests.api.pages import many, samples


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


def events(chunks: list[bytes]) -> list[tuple[str, dict[str, Any]]]:
    """Return the events of a stream: id and payload."""
    found = []
    for chunk in chunks:
        lines = dict(line.split(": ", 1) for line in chunk.decode().splitlines() if ": " in line)
        if "data" in lines:
            found.append((lines["id"], json.loads(lines["data"])))
    return found


async def told(*sheets: Sheet, after: str | None = None, frames: Frames) -> list[tuple[str, dict[str, Any]]]:
    async def coming() -> AsyncIterator[Sheet]:
        for sheet in sheets:
            yield sheet

    return events([chunk async for chunk in stream(coming(), "/", frames, after)])


async def test_who_comes_back_after_a_broken_line_is_sent_what_changed_since_and_nothing_twice() -> None:
    frames, sheet = Frames(), samples.short()
    (first, whole), (second, little) = await told(sheet, later(sheet, 5), frames=frames)
    assert "s-works" in whole["fragments"]
    assert second == first, "seconds alone make no other page"
    assert set(little["fragments"]) == {"asof"}
    meanwhile = replace(later(sheet, 60), alarms=sheet.alarms[1:])
    ((third, since),) = await told(meanwhile, after=first, frames=frames)
    assert third != first
    assert set(since["fragments"]) == {"asof", "wrong", "lead", "s-works"}
    assert since["said"] == "One alarm has gone."
    ((_, nothing),) = await told(later(meanwhile, 1), after=third, frames=frames)
    assert set(nothing["fragments"]) == {"asof"}
    ((_, again),) = await told(meanwhile, after="0" * 18, frames=frames)
    assert set(again["fragments"]) == set(whole["fragments"]), "an id that nobody knows begins whole"


async def test_a_page_says_what_the_stream_goes_on_from() -> None:
    frames, sheet = Frames(), many.sheet_of(100)
    seen = frame(sheet, "/?only=short")
    assert seen is not None
    html = sheets.render_at(sheet, "/?only=short", seen.id)
    assert html is not None
    assert f'data-event="{seen.id}"' in html
    frames.remember(seen)
    ((_, first),) = await told_of("/?only=short", later(sheet, 1), frames, seen.id)
    assert set(first["fragments"]) == {"asof"}


async def told_of(address: str, sheet: Sheet, frames: Frames, after: str) -> list[tuple[str, dict[str, Any]]]:
    async def coming() -> AsyncIterator[Sheet]:
        yield sheet

    return events([chunk async for chunk in stream(coming(), address, frames, after)])


async def test_few_frames_are_remembered_and_without_their_parts() -> None:
    frames, seen = Frames(), frame(samples.short())
    assert seen is not None
    ids = [str(n) for n in range(KEPT_FRAMES + 3)]
    for name in ids:
        frames.remember(replace(seen, id=name))
    assert frames.recall("/", ids[0]) is None
    last = frames.recall("/", ids[-1])
    assert last is not None
    assert last.parts == {}


async def test_what_differs_is_written_once_for_all_who_look() -> None:
    sheet = samples.short()
    both = [[chunk async for chunk in stream(_once(sheet), "/", Frames())] for _ in range(2)]
    assert both[0][1] is both[1][1]


async def _once(sheet: Sheet) -> AsyncIterator[Sheet]:
    yield sheet


async def test_a_stream_begins_whole_and_ends_with_its_page() -> None:
    async def coming() -> AsyncIterator[Sheet]:
        yield samples.short()
        yield later(samples.short(), 15)

    made = [chunk async for chunk in stream(coming(), "/systems/works")]
    first, second = (json.loads(chunk.split(b"data: ")[1]) for chunk in made[1:])
    assert "q1-big" in first["fragments"]
    assert "q1-big" not in second["fragments"]
    assert [chunk async for chunk in stream(coming(), "/systems/nobody")] == [b"retry: 10000\n\n"]
