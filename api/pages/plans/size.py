"""What size the replacement should be: a sentence, and what each usual rating would give behind it."""

from __future__ import annotations

from collections.abc import Sequence

from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.format import with_figures
from api.pages.markup.frame import question, slug
from collector.read_model.sheet import Sheet
from rules.phrasing.cold import the_cold
from rules.phrasing.figures import down, kilo, plural, spoken, up, whole_percent
from rules.phrasing.reasons import said, say
from rules.planning.sizing.bank import BankAdvice
from rules.planning.sizing.replacement import Sizes
from rules.planning.sizing.units import SizeAdvice, UnitSize

HOW_TO_READ = "From the peaks on record, with the season taken off their growth. A range and its grounds, not a purchase order."
HEAD = (
    "rating, kVA",
    "usual load",
    "at the peak",
    "then",
    "left with the spares gone, then",
    "stated bank holds",
    "standing loss a year",
    "answer",
)


def in_depth(sheet: Sheet, system: str) -> Element | None:
    """Return what size a system's replacement should be, or None where nothing is known of it yet."""
    found = sheet.sizes.get(system)
    if found is None and sheet.acts:
        waits = "Not reckoned yet: it waits for a mean of the load over five whole minutes on every line, in W and in VA."
        return question(
            None,
            "What size should the replacement be?",
            HOW_TO_READ,
            el("div", el("p", waits, class_="waiting"), id=f"size-{slug(system)}", live=True),
            id_="size",
        )
    if found is None:
        return None
    grounds = [
        el("details", el("summary", "What each rating gives"), el("div", _table(found.units), class_="tw")),
        el(
            "details",
            el("summary", "What this rests on"),
            el(
                "ul",
                _items((*said(found.units.because), *_bank_grounds(found), *said(found.units.assumptions))),
                class_="rests-on",
            ),
            el("h3", "Not checked"),
            el("ul", _items(said(found.units.not_checked)), class_="rests-on"),
        ),
    ]
    return question(
        None,
        "What size should the replacement be?",
        HOW_TO_READ,
        el(
            "div",
            el("p", with_figures_of(answer(found.units)), class_="prose answer"),
            el("p", with_figures_of(bank_answer(found)), class_="prose"),
            [el("p", with_figures_of(said), class_="prose") for said in retire_answer(found)],
            grounds,
            id=f"size-{slug(system)}",
            live=True,
        ),
        id_="size",
    )


def with_figures_of(text: str) -> list[Nodes]:
    """Return a sentence with its quantities set apart."""
    return list(with_figures(text))


def answer(advice: SizeAdvice) -> str:
    """Return in a sentence which rating suits, and how the present one stands to it."""
    if advice.advised_from_va is None:
        return f"No usual rating is enough: {kilo(advice.needed_va)} kVA would be asked of each unit, so more units are needed."
    low, high = advice.advised_from_va, advice.advised_to_va or advice.advised_from_va
    rating = f"{kilo(low, 0)} kVA" if low == high else f"{kilo(low, 0)} to {kilo(high, 0)} kVA"
    chosen = next((size for size in advice.sizes if size.rating_va == low), None)
    loaded = (
        "" if chosen is None else f", loaded to {up(100 * chosen.load_now_fraction, 0):.0f} % at the peak now"
    )
    return f"{rating} a unit{loaded}{_beside_present(advice)}."


def _beside_present(advice: SizeAdvice) -> str:
    present, low = advice.present, advice.advised_from_va
    if present is None or low is None:
        return ""
    now = f"{kilo(present.rating_va, 0)} kVA now"
    saved, cost = advice.saved_kwh_a_year or 0.0, advice.saved_cost_a_year
    if present.rating_va > (advice.advised_to_va or low) and saved > 0.0:
        money = "" if cost is None else f", {down(cost, 0):.0f} in money"
        return f"; {now}: larger than asked, which costs {down(saved, 0):.0f} kWh a year in standing losses{money}"
    if not present.enough:
        return f"; {now}: too small for what is to come"
    return f"; {now}: enough"


def retire_answer(found: Sizes) -> list[str]:
    """Return in a sentence or two whether one of the present units may go; none where none could."""
    if not found.retire:
        return []
    best, may = found.retire[0], [r.unit for r in found.retire if r.may]
    if not may:
        return [f"None of the present units may be retired. {' '.join(said(best.because))}"]
    which = "any one" if len(may) == len(found.retire) else " or ".join(may)
    return [f"Of the present units {which} may be retired. {' '.join(said(best.because))}"]


def bank_answer(found: Sizes) -> str:
    """Return in a sentence what bank would suit, or why that cannot be said."""
    bank = found.bank
    if bank is None:
        return say(found.bank_missing) or "Nothing can be said of the bank."
    if not bank.sizes:
        return f"No type now fitted reaches {spoken(bank.required_s, favours=False)} by its table."
    size = bank.sizes[0]
    blocks = "" if size.blocks is None else f" ({size.blocks} blocks)"
    return (
        f"Its bank: {plural(size.strings, 'string')} of {size.type}{blocks} for {spoken(bank.required_s, favours=False)} of "
        f"{kilo(bank.output_w)} kW, its part of the peak as the load grows over its life, at the end of that life and in "
        f"{the_cold(bank.coldest_c, bank.cold)}."
    )


def _bank_grounds(found: Sizes) -> Sequence[str]:
    return () if found.bank is None else (*said(found.bank.because), _factors(found.bank))


def _factors(bank: BankAdvice) -> str:
    return (
        f"Constant-power method: {bank.watts_per_cell:.1f} W a cell times {bank.ageing_factor:.2f} for ageing (IEEE 485, "
        f"IEEE 1184), times {bank.design_margin:.2f} design margin, over each type's own factor for the cold."
    )


def _items(texts: Sequence[str]) -> list[Element]:
    return [el("li", with_figures_of(text)) for text in texts]


def _table(advice: SizeAdvice) -> Element:
    head = el("tr", [el("th", name, scope="col", class_="num" if n else None) for n, name in enumerate(HEAD)])
    return el(
        "table", el("thead", head), el("tbody", [_row(size, advice) for size in advice.sizes]), class_="tight"
    )


def _row(size: UnitSize, advice: SizeAdvice) -> Element:
    now = advice.present is not None and advice.present.rating_va == size.rating_va
    cells = (
        f"{whole_percent(size.load_usual_fraction)} %",
        f"{up(100 * size.load_now_fraction, 0):.0f} %",
        f"{up(100 * size.load_then_fraction, 0):.0f} %",
        f"{down(100 * size.margin_then_fraction, 0):.0f} %",
        _holds(size),
        _loss(size),
    )
    name = el("th", kilo(size.rating_va, 0), el("small", " now") if now else None, scope="row")
    return el("tr", name, [el("td", cell, class_="num") for cell in cells], el("td", _verdict(size)))


def _holds(size: UnitSize) -> str:
    if size.holds_new_s is None:
        return "cannot tell"
    old = (
        "cannot tell" if size.holds_end_of_life_s is None else spoken(size.holds_end_of_life_s, favours=True)
    )
    return f"{spoken(size.holds_new_s, favours=True)} new, {old} old"


def _loss(size: UnitSize) -> str:
    cost = size.standing_loss_cost_a_year
    money = "" if cost is None else f", {up(cost, 0):.0f}"
    return f"{up(size.standing_loss_kwh_a_year, 0):.0f} kWh{money}"


def _verdict(size: UnitSize) -> str:
    said = "enough" if size.enough else "too small"
    if size.enough and size.enough_at_high_growth is False:
        said = "enough, unless it grows faster"
    if size.within_set is False:
        said += "; the generator is small for it"
    return said
