"""Who may look and act: users, their sessions, and tokens of programs. Nothing here can be turned into what is shown to get in.

A password is kept as its argon2id hash, a session's id and a token as their SHA-256: both are long and random, so a slow
hash would buy nothing. Times are UTC by the machine's clock; a session ends by its own columns, whoever looks.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from collector.storage.ledger.ledger import Ledger
from collector.storage.ledger.records import AccessToken, JournalLine, SessionLine, UserLine
from collector.storage.ledger.transaction import Transaction

LANE: Final = "access"
"""Who is let in waits for no answer about the past."""
MOST_SESSIONS: Final = 10
"""Of one user; the one used least recently makes room."""


def digest(secret: str) -> str:
    """Return under what a session's id or a token's secret is kept."""
    return hashlib.sha256(secret.encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class SignedIn:
    """A session with its user as the ledger has them now."""

    session: SessionLine
    user: UserLine


class AccessTables:
    """The tables of access of one ledger. Every method may raise `collector.storage.database.StoreError`."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger

    # --- reading ------------------------------------------------------------------------------------------

    async def in_use(self) -> bool:
        """Return whether there is a user or a token, so that nobody is let in unknown."""
        users = await self._ledger.lines(UserLine, "LIMIT 1", lane=LANE)
        return bool(users or await self._ledger.lines(AccessToken, "LIMIT 1", lane=LANE))

    async def users(self) -> tuple[UserLine, ...]:
        """Return all users by name."""
        return await self._ledger.lines(UserLine, "ORDER BY name", lane=LANE)

    async def user(self, name: str) -> UserLine | None:
        """Return one user."""
        found = await self._ledger.lines(UserLine, "WHERE name = ?", name, lane=LANE)
        return found[0] if found else None

    async def tokens(self) -> tuple[AccessToken, ...]:
        """Return all tokens, the newest first."""
        return await self._ledger.lines(AccessToken, "ORDER BY made DESC, id", lane=LANE)

    async def token(self, name: str) -> AccessToken | None:
        """Return one token."""
        found = await self._ledger.lines(AccessToken, "WHERE id = ?", name, lane=LANE)
        return found[0] if found else None

    async def sessions(self, user: str | None = None) -> tuple[SessionLine, ...]:
        """Return the sessions of a user or of all, the one used last first."""
        where, values = ("", ()) if user is None else ("WHERE user = ? ", (user,))
        return await self._ledger.lines(SessionLine, f"{where}ORDER BY used DESC", *values, lane=LANE)

    async def signed_in(self, session_id: str) -> SignedIn | None:
        """Return the session of an id with its user; None where either is gone. Whether it is over is not looked at."""
        found = await self._ledger.lines(SessionLine, "WHERE id = ?", digest(session_id), lane=LANE)
        user = await self.user(found[0].user) if found else None
        return None if user is None else SignedIn(found[0], user)

    async def act_done(self, act: str, since: datetime) -> bool:
        """Return whether an act that a centre handed on is in the journal, since then."""
        return await self._ledger.act_done(act, since, LANE)

    # --- writing ------------------------------------------------------------------------------------------

    async def save_user(self, user: UserLine, text: str, *, sign_out: bool) -> None:
        """Keep a user new or changed, with a line in the journal; with `sign_out` all their sessions end with it."""
        async with self._ledger.transaction(at_once=True) as tx:
            tx.save_line(user)
            if sign_out:
                _sign_out(tx, user.name)
            tx.add_event(_line(user.changed, "user_changed", user.name, text))

    async def rehashed(self, user: UserLine) -> None:
        """Keep the same password hashed anew: it costs more to guess than when it was set."""
        async with self._ledger.transaction() as tx:
            tx.save_line(user)

    async def remove_user(self, name: str, now: datetime, text: str) -> None:
        """Remove a user and their sessions."""
        async with self._ledger.transaction(at_once=True) as tx:
            tx.drop_line(UserLine, name)
            _sign_out(tx, name)
            tx.add_event(_line(now, "user_removed", name, text))

    async def begin(self, session: SessionLine, text: str, *, instead_of: str | None = None) -> None:
        """Keep a new session; the one that the same browser had before ends with it, and those that are over."""
        others = await self.sessions(session.user)
        async with self._ledger.transaction() as tx:
            _let_go(tx, session.made)
            if instead_of is not None:
                tx.drop_line(SessionLine, digest(instead_of))
            for crowded in others[MOST_SESSIONS - 1 :]:
                tx.drop_line(SessionLine, crowded.id)
            tx.save_line(session)
            tx.add_event(_line(session.made, "signed_in", session.user, text))

    async def touch(self, session: SessionLine, now: datetime) -> None:
        """Note that a session was used; one that has ended meanwhile stays ended."""
        async with self._ledger.transaction() as tx:
            tx.change_line(replace(session, used=now))

    async def touch_token(self, token: AccessToken, now: datetime) -> None:
        """Note that a token was used; one that was revoked meanwhile stays revoked."""
        async with self._ledger.transaction() as tx:
            tx.change_line(replace(token, used=now))

    async def end(self, session_id: str, user: str, now: datetime, text: str) -> None:
        """End one session."""
        async with self._ledger.transaction() as tx:
            tx.drop_line(SessionLine, digest(session_id))
            tx.add_event(_line(now, "signed_out", user, text))

    async def end_all(self, user: str, now: datetime, text: str) -> None:
        """End all sessions of a user."""
        async with self._ledger.transaction(at_once=True) as tx:
            _sign_out(tx, user)
            tx.add_event(_line(now, "signed_out", user, text))

    async def save_token(self, token: AccessToken, text: str) -> None:
        """Keep a new token."""
        async with self._ledger.transaction(at_once=True) as tx:
            tx.save_line(token)
            tx.add_event(_line(token.made, "token_made", token.id, text))

    async def revoke(self, token: str, now: datetime, text: str) -> None:
        """Revoke a token."""
        async with self._ledger.transaction(at_once=True) as tx:
            tx.drop_line(AccessToken, token)
            tx.add_event(_line(now, "token_revoked", token, text))

    async def note(self, now: datetime, kind: str, text: str) -> None:
        """Keep a line in the journal about access: wrong passwords, refusals."""
        async with self._ledger.transaction() as tx:
            tx.add_event(_line(now, kind, None, text))


def _line(at: datetime, kind: str, about: str | None, text: str) -> JournalLine:
    return JournalLine(at, kind, about, text, schema="access/1")


def _sign_out(tx: Transaction, user: str) -> None:
    tx.drop_lines(SessionLine, "user = ?", user)


def _let_go(tx: Transaction, now: datetime) -> None:
    tx.drop_lines(SessionLine, "ends < ?", now)
