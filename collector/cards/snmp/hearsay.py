"""What an unsigned Report says (RFC 3414 section 3.2): it is hearsay, since anybody on the way can forge it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from collector.cards.snmp.errors import NoReply, SecurityFailure, SnmpError
from collector.cards.snmp.secured_message import Engine, Header

STATS: Final = "1.3.6.1.6.3.15.1.1."


UNSUPPORTED_LEVEL: Final = STATS + "1.0"


NOT_IN_WINDOW: Final = STATS + "2.0"


UNKNOWN_USER: Final = STATS + "3.0"


UNKNOWN_ENGINE: Final = STATS + "4.0"


WRONG_DIGEST: Final = STATS + "5.0"


DECRYPTION: Final = STATS + "6.0"


_MOST_HEARD: Final = 8


REASONS: Final = {
    UNSUPPORTED_LEVEL: (
        "unsupported security level",
        "the card does not let this user in at the level asked for: compare it with the user's settings there",
    ),
    NOT_IN_WINDOW: (
        "not in time window",
        "the card's engine boots or time do not hold still: let it keep them over restarts, or set its clock",
    ),
    UNKNOWN_USER: (
        "unknown user",
        "the card knows no user of this name: check its spelling and letter case",
    ),
    UNKNOWN_ENGINE: (
        "unknown engine",
        "the card does not keep to the engine id it gave: restart its network side",
    ),
    WRONG_DIGEST: (
        "wrong digest",
        "authentication password or algorithm differ from the card's: enter both anew on both sides",
    ),
    DECRYPTION: ("wrong privacy", "privacy password or algorithm differ from the card's: enter both anew"),
}


def failure(reason_oid: str) -> SecurityFailure:
    """Return the error for a Report's object."""
    reason, remedy = REASONS.get(reason_oid, (f"refused with {reason_oid}", "see the card's manual"))
    return SecurityFailure(reason, remedy)


class ReportReceived(Exception):  # noqa: N818 - says what came, and is always caught
    """A Report that came instead of a response."""

    def __init__(self, oid: str, header: Header, signed: bool) -> None:
        super().__init__(oid)
        self.oid = oid
        self.header = header
        self.signed = signed


@dataclass(slots=True)
class Hearsay:
    """The unsigned Reports that came while one reply was awaited: what each says, and of which engine."""

    reports: list[ReportReceived] = field(default_factory=list)

    def mind(self, report: ReportReceived) -> None:
        """Keep one Report, once, as long as there is room."""
        said = (report.oid, report.header.engine_id)
        if len(self.reports) < _MOST_HEARD and said not in {
            (r.oid, r.header.engine_id) for r in self.reports
        }:
            self.reports.append(report)

    def engines(self, now_s: float) -> list[Engine]:
        """Return the engines that are said to be there instead of the one that was asked."""
        return [
            Engine(r.header.engine_id, r.header.boots, r.header.time_s, now_s)
            for r in self.reports
            if r.oid == UNKNOWN_ENGINE and 5 <= len(r.header.engine_id) <= 32
        ]

    def told(self, silence: NoReply, *, worked: bool) -> SnmpError:
        """Return the error for a wait in which nothing signed came: hearsay is told as hearsay.

        Where the credentials have `worked`, what is known is the silence: a caller goes on as after any other.
        """
        if not self.reports:
            return silence
        found = failure(self.reports[-1].oid)
        told = SecurityFailure(found.reason, found.remedy, hearsay=f"{silence}; {HEARSAY}")
        return NoReply(str(told)) if worked else told


HEARSAY: Final = "an unsigned report, which anybody on the way can forge, says"
