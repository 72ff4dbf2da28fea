"""What is one reader's own on a page that is drawn for all."""

import pytest

from api.pages.markup.reader import PageReader, dressed
from api.pages.sheets import registry as sheets
from tests.api.pages import samples, shutdowns

PROOF = "0123abcd"


@pytest.mark.parametrize("address", ["/", "/alarms", "/systems/CC"])
def test_a_page_is_sent_as_it_was_drawn_to_whom_nobody_knows(address: str) -> None:
    html = sheets.render_at(samples.good(), address) or ""
    assert dressed(html, PageReader()) == html


def test_a_signed_in_reader_gives_no_name_proves_the_page_and_signs_with_the_password_again() -> None:
    sheet = shutdowns.waiting()
    html = sheets.system(sheet, next(iter(sheet.estate.systems))) or ""
    forms = html.count("<form")
    assert forms > 0
    assert html.count('name="by"') == forms == html.count('name="csrf" type="hidden"')
    own = dressed(html, PageReader("amir", PROOF))
    assert 'name="by"' not in own
    assert own.count("<small>As amir.</small>") == forms
    assert own.count(f'name="csrf" type="hidden" value="{PROOF}"') == forms
    assert own.count('type="password"') == 1, "the one that signs"
    assert '<a href="/account">amir</a>' in own


def test_a_name_is_text_wherever_it_stands() -> None:
    html = sheets.index(samples.good())
    own = dressed(html, PageReader('<b>"x"', PROOF))
    assert "<b>&quot;x" not in own
    assert "&lt;b&gt;&quot;x&quot;" in own
