"""The sentences that stand in every plan, isolation check and printed report."""

from __future__ import annotations

from typing import Final

SAFETY: Final = (
    "Battery banks stay live when isolated, and a UPS can feed back into a supply thought dead. Isolation and "
    "battery work belong to qualified people under the site's permits and the maker's instructions; local "
    "codes decide."
)
ADVICE_ONLY: Final = "This is advice from what can be read. It switches nothing; the site's switching schedule is the authority."
