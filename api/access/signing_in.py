"""Signing in and out, passwords asked for again or changed: what is allowed, what is counted, what the journal is told."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import Final

from api.access.callers import Caller, Means, Refused
from api.access.passwords import MOST, Passwords, PasswordsBusy, fault_in
from api.access.terms import AccessTerms
from api.access.tries import TRIES_ALLOWED, Tries, TriesAllowed
from collector.read_model.kept import AccessTables, SessionLine, UserLine, digest

ID_BYTES: Final = 32
"""Of a session's id: 256 bits from the system's own source of chance."""
LONGEST_NAME: Final = 80


class SigningIn:
    """Who comes in by name and password. `now`: the service's time of day; `now_s`: seconds that no set clock changes."""

    def __init__(
        self,
        tables: AccessTables,
        terms: AccessTerms,
        now: Callable[[], datetime],
        now_s: Callable[[], float],
        allowed: TriesAllowed = TRIES_ALLOWED,
    ) -> None:
        self._tables = tables
        self._terms = terms
        self._now = now
        self.passwords = Passwords(terms.cost)
        self.tries = Tries(now_s, allowed)

    async def sign_in(self, name: str, password: str, address: str, *, instead_of: str | None = None) -> str:
        """Return the id of a new session. Raises Refused, which says the same of a wrong name and a wrong password.

        `instead_of`: the session that the same browser shows; it ends, so that nobody goes on with an id known before.
        """
        user = await self._proven(name, password, address)
        return await self._begun(user, address, "", instead_of)

    async def vouched_for(self, name: str, address: str, by: str, *, instead_of: str | None = None) -> str:
        """Return the id of a new session of a user whom a provider vouches for. Raises Refused for one that is not known here."""
        user = await self._tables.user(name) if 0 < len(name) <= LONGEST_NAME else None
        if user is None:
            text = f"{by} vouched for {name[:LONGEST_NAME]!r}, who is no user here, from {address or 'this machine'}."
            await self._tables.note(self._now(), "not_a_user", text)
            why = "The provider knows you, and nobody of that name may sign in here; `ridethrough user add` adds one."
            raise Refused(403, "not-a-user", why)
        return await self._begun(user, address, f", vouched for by {by}", instead_of)

    async def _begun(self, user: UserLine, address: str, how: str, instead_of: str | None) -> str:
        now = self._now()
        session_id = secrets.token_urlsafe(ID_BYTES)
        session = SessionLine(digest(session_id), user.name, address, now, now, now + self._terms.lasts)
        text = f"{user.name} signed in from {address or 'this machine'}{how}."
        await self._tables.begin(session, text, instead_of=instead_of)
        return session_id

    async def again(self, caller: Caller, password: str) -> None:
        """Raise Refused where a person who is to sign does not show their password again."""
        if caller.means in {Means.LOCAL_USER, Means.LOCAL_TOKEN}:
            return  # there are no users, or whoever it is reads the service's own files
        if caller.means is Means.TOKEN or caller.name is None:
            raise Refused(403, "password-again", "Only a person can do this, who shows their password again.")
        if not password:
            raise Refused(403, "password-again", "This asks for your password again: want password.")
        user = await self._tables.user(caller.name)
        if user is not None and user.password is None:
            why = "This asks for a password of this service, and you have none: `ridethrough user password` sets one."
            raise Refused(403, "password-again", why)
        await self._proven(caller.name, password, caller.address, again=True)

    async def change(self, caller: Caller, old: str, new: str) -> None:
        """Set a new password; every session of this user ends, that of the caller too. Raises Refused."""
        if caller.name is None or caller.means is not Means.SESSION:
            raise Refused(403, "not-signed-in", "Only who is signed in changes their password here.")
        user = await self._proven(caller.name, old, caller.address, again=True)
        fault = fault_in(new, user.name)
        if fault is not None:
            raise Refused(422, "wrong-input", f"The new password: {fault}.")
        hashed = await self._hashed(new)
        text = f"{user.name} changed the password; all sessions of that name ended."
        await self._tables.save_user(replace(user, password=hashed, changed=self._now()), text, sign_out=True)

    async def sign_out(self, caller: Caller) -> None:
        """End the caller's session, if there is one."""
        if caller.session_id is not None and caller.name is not None:
            await self._tables.end(caller.session_id, caller.name, self._now(), f"{caller.name} signed out.")

    async def _proven(self, name: str, password: str, address: str, *, again: bool = False) -> UserLine:
        """Return the user whose password this is. Raises Refused."""
        if not 0 < len(name) <= LONGEST_NAME or not 0 < len(password) <= MOST:
            raise Refused(401, "wrong-password", WRONG)
        wait_s = self.tries.begin(name, address)
        if wait_s > 0.0:
            raise Refused(
                429, "too-many-tries", f"Too many wrong tries. Try again in {wait_s / 60 + 1:.0f} min."
            )
        user = await self._tables.user(name)
        try:
            fits = await self.passwords.fits(None if user is None else user.password, password)
        except PasswordsBusy:
            self.tries.take_back(name, address)
            raise Refused(503, "busy", "Many sign in at once; try again in a moment.") from None
        if user is None or user.password is None or not fits:
            what = "to do what asks for the password again" if again else "to sign in"
            await self._tables.note(
                self._now(),
                "wrong_password",
                f"A wrong name or password was given {what}, from {address or 'this machine'}.",
            )
            raise Refused(401, "wrong-password", WRONG)
        self.tries.right(name, address)
        if self.passwords.ages(user.password):
            user = replace(user, password=await self._hashed(password))
            await self._tables.rehashed(user)
        return user

    async def _hashed(self, password: str) -> str:
        try:
            return await self.passwords.hashed(password)
        except PasswordsBusy:
            raise Refused(503, "busy", "Many sign in at once; try again in a moment.") from None


WRONG: Final = "The name or the password is wrong."
