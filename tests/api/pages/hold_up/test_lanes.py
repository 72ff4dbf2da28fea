"""While a system is on its banks: a line a unit, what waits until it is over, whom to call."""

import re
from dataclasses import replace
from datetime import timedelta

from api.pages.hold_up.lanes import said
from api.pages.sheets import registry as sheets
from collector.messaging.delivery.letter import Telling
from collector.read_model.outages.chores import parted
from collector.read_model.outages.feeds import FedBy, fed_again, unit_feeds
from collector.read_model.sheet import Fed, Sheet, ShownAlarm
from rules.system.state import Standing
from tests.api.pages import samples
from tests.api.pages.sheets.test_registry import check


def coming_back() -> Sheet:
    """Return the outage of the works with two of its three units fed again by the journal and by their cards."""
    sheet = samples.outage()
    state = sheet.system("works")
    assert state is not None
    assert state.on_battery is not None
    lost = state.on_battery.since
    stands = (Standing.CARRYING, Standing.CARRYING, Standing.ON_BATTERY)
    units = tuple(replace(unit, standing=now) for unit, now in zip(state.units, stands, strict=True))
    on = replace(state.on_battery, offered_since=sheet.now - timedelta(seconds=40), fed=("W1", "W2"))
    fed = [Fed(u, lost - timedelta(seconds=90), "supply") for u in ("W1", "W2", "W3")]
    fed += [Fed(u, lost, "banks") for u in ("W1", "W2", "W3")]
    fed += [
        Fed("W1", sheet.now - timedelta(seconds=34), "supply"),
        Fed("W2", sheet.now - timedelta(seconds=4), "supply"),
    ]
    event = replace(
        samples.past_outage(),
        id="power-9:works",
        at=lost,
        until=None,
        took_s=None,
        fed=tuple(fed),
        carried=None,
    )
    states = tuple(replace(s, units=units, on_battery=on) if s.id == "works" else s for s in sheet.systems)
    return replace(sheet, systems=states, events=(event,))


def text(html: str | None) -> str:
    assert html is not None
    return " ".join(" ".join(check(html).text).split())


def test_each_unit_says_what_feeds_it_since_when_and_when_it_is_due_back() -> None:
    sheet = coming_back()
    w1, w2, w3 = unit_feeds(sheet, "works")
    assert [feed.by for feed in (w1, w2, w3)] == [FedBy.SUPPLY, FedBy.SUPPLY, FedBy.BANK]
    assert w1.since == sheet.now - timedelta(seconds=34)
    assert w1.due_back is None
    assert w3.due_back == sheet.now + timedelta(seconds=-40 + 20 + 60 + 20)
    assert fed_again((w1, w2, w3)) == 2
    shown = text(sheets.system(sheet, "works"))
    assert "Two of three units are fed again; unit W3 is on its bank." in shown
    assert "due back in 1:00 , as declared" in shown
    assert "fed by mains or generator since 14:34:21, 34 s" in shown


def test_before_the_journal_is_read_the_units_are_on_their_banks_since_the_outage_began() -> None:
    sheet = replace(samples.outage(), events=())
    feeds = unit_feeds(sheet, "works")
    state = sheet.system("works")
    assert state is not None
    assert state.on_battery is not None
    assert {feed.since for feed in feeds} == {state.on_battery.since}
    assert said(feeds) == "Three units on their banks."
    assert unit_feeds(sheet, "control") == ()


def test_of_units_that_are_not_heard_on_their_banks_it_is_said_that_they_are_not() -> None:
    """A system of one unit that ended, its card with it, was said to have "None units on their banks; one unit of one not"."""
    feeds = [replace(feed, by=FedBy.UNKNOWN, lost=True) for feed in unit_feeds(samples.outage(), "works")]
    assert said(feeds[:1]) == "One unit last seen on its bank is not heard now."
    assert said(feeds) == "Three units last seen on their banks are not heard now."


def test_a_unit_that_never_lost_its_supply_is_not_counted_as_fed_again() -> None:
    sheet = coming_back()
    event = replace(
        sheet.events[0], fed=tuple(f for f in sheet.events[0].fed if f.unit != "W1" or f.source != "banks")
    )
    feeds = unit_feeds(replace(sheet, events=(event,)), "works")
    assert not feeds[0].lost
    assert fed_again(feeds) == 1
    assert said(feeds) == "One of two units is fed again; unit W3 is on its bank."


def alarm(sheet: Sheet, kind: str, severity: str, before_s: float) -> ShownAlarm:
    state = sheet.system("works")
    assert state is not None
    assert state.on_battery is not None
    return replace(
        samples.alarms()[0],
        id=f"{kind}:works",
        severity=severity,
        since=state.on_battery.since - timedelta(seconds=before_s),
    )


def test_what_is_planned_or_slight_and_stood_before_waits_and_nothing_grave_does() -> None:
    sheet = samples.outage()
    old_s = 86_400.0
    starts = alarm(sheet, "starts_failed", "critical", -80.0)
    order = alarm(sheet, "bank_order_now", "major", old_s)
    fan = alarm(sheet, "no_such_kind", "minor", old_s)
    hot = alarm(sheet, "bank_hot", "critical", old_s)
    began = alarm(sheet, "no_such_kind", "warning", 30.0)
    mine, waiting = parted(sheet, "works", [starts, order, fan, hot, began])
    assert mine == [starts, hot, began]
    assert waiting == [order, fan]
    assert parted(sheet, "control", [order]) == ([order], [])


def test_chores_are_folded_away_until_it_is_over_and_still_readable() -> None:
    sheet = samples.outage()
    chore = replace(alarm(sheet, "no_such_kind", "minor", 86_400.0), about="works", what="The fan is old.")
    html = sheets.index(replace(sheet, alarms=(*sheet.alarms, chore)))
    fold = html[html.index('<details class="chores">') :]
    assert "matters wait until it is over" in fold
    assert "The fan is old." in fold[: fold.index("</details>")]
    calm = replace(samples.short(), alarms=(chore,))
    assert 'class="chores"' not in sheets.index(calm)


def test_whom_to_call_has_the_numbers_as_links_and_what_came_back() -> None:
    sheet = coming_back()
    told = Telling("R. Haugen", "sms", sheet.now - timedelta(seconds=60), "answered")
    mine = replace(
        alarm(sheet, "starts_failed", "critical", -80.0), told=(told,), call=("R. Haugen, +44 1632 960114",)
    )
    known = replace(sheet.outages["works"], call=("R. Haugen, +44 1632 960114", "Control room, 01632 960120"))
    html = sheets.index(replace(sheet, outages={"works": known}, alarms=(mine,)))
    assert 'href="tel:+441632960114"' in html
    assert 'href="tel:01632960120"' in html
    shown = text(html[html.index('id="whom-works"') :])
    assert re.search(r"R\. Haugen \+44 1632 960114 sms 14:33:55, answered", shown)
    assert "Control room 01632 960120 not told yet" in shown


def test_an_outage_whose_end_is_not_known_has_its_lanes_all_the_same() -> None:
    sheet = coming_back()
    states = tuple(
        replace(s, on_battery=replace(s.on_battery, ends_earliest=None, ends_latest=None))
        if s.on_battery
        else s
        for s in sheet.systems
    )
    unknown = replace(sheet, systems=states)
    assert "What feeds each unit" in text(sheets.system(unknown, "works"))
    assert "What feeds each unit" in text(sheets.index(unknown))
