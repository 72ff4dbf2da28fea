"""Which sites of a centre are heard, and since when each of the others is quiet: above all else that stands of them."""

from __future__ import annotations

from api.pages.markup.elements import Element, Nodes, el
from api.pages.markup.frame import clock_of
from collector.read_model.own_figures import HeardSite
from collector.read_model.sheet import Sheet


def heard_sites(sheet: Sheet) -> Element | None:
    """Return a line of the sites that are heard, and a sentence for each that is quiet; None where cards are read here.

    And what was done here and is not done at its site yet, or was not: the others stand in the journal.
    """
    if not sheet.heard:
        return None
    quiet = [_quiet(sheet, site) for site in sheet.heard if site.quiet]
    heard = [site for site in sheet.heard if not site.quiet]
    names: list[Nodes] = []
    for site in heard:
        names += [", " if names else "Heard: ", _way(site)]
    parts: list[Nodes] = [[sentence, " "] for sentence in quiet]
    acts = [el("p", f"{act.about}: {act.text}") for site in sheet.heard for act in site.acts]
    said = el("p", parts, [*names, "."] if names else None)
    return el("div", said, acts, class_="rest", id="heard", live=True)


def _quiet(sheet: Sheet, site: HeardSite) -> Element:
    if site.quiet_since is None:
        return el("b", "Nothing was heard of ", _way(site), " yet.")
    since = clock_of(sheet).at(site.quiet_since)
    return el(
        "b", "Nothing is heard of ", _way(site), f" since {since}: what stands here of it is as of then."
    )


def _way(site: HeardSite) -> Element:
    """Return a site by its name, with the way to its own page, where what is done for it is done."""
    return el("a", site.name, href=site.address)
