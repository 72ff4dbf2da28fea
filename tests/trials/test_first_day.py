"""The first day with real cards, and an hour in which nothing happens: only what is known is said, and it stays.

Healthy plant with banks of two to four years, singles, pairs and threes, with and without the maker's table; the whole
day of six such estates stands in `tests/backtest/test_first_days.py`.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from rules.values.verdict import Verdict
from tests.trials.played import Healthy, Site, flips, healthy, played

POLLS_S = 10.0


def check_nothing_is_made_up(site: Site) -> None:
    """Without evidence: one warning, no dates, no bad verdict, and redundancy in plain watts."""
    assert [(alarm.kind, alarm.severity) for alarm in site.raised] == [("banks_unproven", "warning")]
    assert not any(Verdict.INADEQUATE in said for said in site.verdicts.values())
    for bank in site.present.banks.values():
        assert bank.unproven
        assert (bank.dates.expected_end, bank.dates.order_by, bank.dates.replace_by) == (None, None, None)
        assert bank.dates.by_age_alone is not None
        assert bank.dates.by_age_alone.from_day >= site.clock.now().date()
        assert bank.would_tell
    (state,) = site.present.systems.values()
    for need in state.requirements:
        assert need.verdict is Verdict.ADEQUATE or need.would_tell
    for held in (state.hold_up.now, state.hold_up.one_unit_lost):
        assert held.low_s is None or held.low_s > 0.0
    if state.redundancy is not None:
        assert state.redundancy.verdict is Verdict.ADEQUATE
        assert state.redundancy.unproven_banks == tuple(site.present.banks)


def check_what_one_test_each_tells(made: Healthy, site: Site) -> None:
    """With evidence: the true end lies in the interval that is told, nothing is overdue, and the dates come before it."""
    today = site.clock.now().date()
    assert not {alarm.severity for alarm in site.raised} & {"major", "critical"}
    for place, bank in enumerate(site.present.banks.values()):
        rests, dates = bank.rests_on, bank.dates
        assert rests is not None
        assert rests.required_s is not None
        assert rests.asked_w is not None
        truth = made.true_end(place, rests.required_s, rests.asked_w)
        assert dates.ends_early is not None
        assert dates.ends_late is not None
        assert dates.order_by is not None
        assert dates.replace_by is not None
        assert dates.ends_early <= truth <= dates.ends_late
        assert today <= dates.order_by < dates.replace_by < truth
    assert Verdict.INADEQUATE not in {need.verdict for need in site.present.systems["trial"].requirements}


def check_it_is_steady(site: Site) -> None:
    """Nothing that was said moved: no verdict, no date, no low end, no alarm, no line in the journal."""
    assert {name: flips(said) for name, said in site.verdicts.items()} == dict.fromkeys(site.verdicts, 0)
    assert all(len(set(said)) == 1 for said in site.dates.values())
    assert len(set(site.lows)) == 1
    assert (site.raised, site.moved) == ([], [])


@pytest.mark.parametrize(("seed", "table"), [(46, False), (20, True), (50, False)])
async def test_on_the_first_day_only_what_is_known_is_said(seed: int, table: bool, tmp_path: Path) -> None:
    made = healthy(seed, table=table)
    async with played(made, tmp_path) as site:
        await site.go(720.0, every_s=POLLS_S)  # over the 600 s that a question may stand open
        check_nothing_is_made_up(site)
        site.forget()
        await site.import_tests()
        await site.judged_anew()
        # what the dates ask for has come up: a bank may have to be ordered today
        await site.go(150.0, every_s=POLLS_S)
        check_what_one_test_each_tells(made, site)
        site.forget()
        await site.go(300.0, every_s=POLLS_S)
        check_it_is_steady(site)
