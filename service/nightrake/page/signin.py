"""Signing in, changing the person, signing out."""

from __future__ import annotations

import asyncio
import contextlib
import unicodedata
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple

from argon2.exceptions import Argon2Error, InvalidHashError, VerifyMismatchError
from argon2.low_level import Type, verify_secret

from nightrake.domain.cleantext import clean
from nightrake.errors import ControlError
from nightrake.page.budget import Budget
from nightrake.page.directory import Directory
from nightrake.page.guesses import Guesses
from nightrake.page.ports import Watch
from nightrake.page.problems import Problem
from nightrake.page.sessions import Session, Sessions

WAITING = 16
"""Passwords that may wait for being looked at; further ones are sent away."""
LONGEST = 1024
"""Characters of a password."""
REFUSALS_A_MINUTE = 10
"""Of them the journal gets so many rows."""
LONGEST_NAME = 200
NO_ROOM = "the page's machine has no memory left to look at a password"
WRONG = "this person and password do not go together; try again"


class Passwords:
    """Looks at passwords, two at once, for each takes tens of MB on purpose: one of strangers, and one of people who
    are known where they are, so that no crowd of strangers keeps them waiting."""

    def __init__(self) -> None:
        self._threads = {known: ThreadPoolExecutor(1, "password") for known in (False, True)}
        self._busy = {False: 0, True: 0}

    async def hold(self, password_hash: str, password: str, *, known: bool = False) -> bool:
        """Whether a password is the one of a hash (Argon2id, PHC string).

        Args:
            password_hash: Of the person. password: As typed. known: They have signed in there before.

        Raises:
            Problem: Too many are being looked at, or it cannot be now.
        """
        if self._busy[known] > WAITING:
            raise Problem(503, "many people are signing in at once; try again in a few seconds", {"Retry-After": "5"})
        self._busy[known] += 1
        try:
            loop = asyncio.get_running_loop()
            return await loop.run_in_executor(self._threads[known], _holds, password_hash, password)
        finally:
            self._busy[known] -= 1

    def close(self) -> None:
        """End the threads."""
        for thread in self._threads.values():
            thread.shutdown()


def _holds(password_hash: str, password: str) -> bool:
    try:
        typed = unicodedata.normalize("NFC", password)  # as `nightrake operator password` hashes it
        return verify_secret(password_hash.encode(), typed.encode(), Type.ID)
    except (VerifyMismatchError, InvalidHashError, UnicodeError):
        return False
    except (Argon2Error, MemoryError) as error:  # the password may be the right one, and must not count as wrong
        words = f"{NO_ROOM} ({clean(str(error), 80)}); try again in a minute"
        raise Problem(503, words, {"Retry-After": "60"}) from error


class Way(NamedTuple):
    """By what a try counts; see `Guesses`."""

    person: str
    address: str
    familiar: bool
    browser: str = ""


class SignIn:
    """The door for people.

    Args:
        directory: Who there is. sessions: Theirs. watch: Journals it.
        now_s: Monotonic. hours: How long a sign-in lasts.
    """

    def __init__(
        self, directory: Directory, sessions: Sessions, watch: Watch, now_s: Callable[[], float], hours: float
    ) -> None:
        self._directory, self._sessions, self._watch = directory, sessions, watch
        self._now_s, self._hours = now_s, hours
        self._guesses = Guesses()
        self._refusals = Budget(REFUSALS_A_MINUTE, now_s)
        self._untold = 0
        self._passwords = Passwords()

    async def enter(self, person: str, password: str, address: str, old: Session | None, browser: str = "") -> str:
        """Check a password and begin a session; the one before, on the same screen, ends.

        Args:
            person: Id, or a whole name. password: As typed. address: Where from.
            old: The session that the browser has now.
            browser: The browser's own id, "" = it has none.

        Returns:
            The new session's id.

        Raises:
            Problem: 401 where they do not go together; 429 where it was guessed too often; 503 where it is too busy.
        """
        person = self._directory.meant(clean(person, LONGEST_NAME).strip())[:64]
        way = self._way(person, address, browser)
        await self._let_wait(way)
        self._guesses.tried(*way[:3], self._now_s(), way.browser)
        try:
            holds = await self._hold(person, password, known=way.familiar or bool(way.browser))
        except Problem:
            self._guesses.untried(*way[:3], self._now_s(), way.browser)
            raise
        found = self._directory.find(person)  # they may have been removed meanwhile
        if not holds or found is None:
            await self._note_refusal(person, address, "password" if found else "unknown")
            raise Problem(401, WRONG)
        self._guesses.right(*way)
        session_id = await self._sessions.begin(found, address, self._hours, browser)
        if old is not None:
            await self._sessions.end(old)
            if old.person != person:
                await self._note("signed_out", old.person, address)
        await self._note("signed_in", person, address)
        return session_id

    def _way(self, person: str, address: str, browser: str) -> Way:
        """By their browser where that is known and need not wait, else by the address."""
        at = Way(person, address, self._sessions.is_familiar(person, address))
        if not self._sessions.is_familiar_browser(person, browser):
            return at
        known = at._replace(browser=browser)
        return known if self._wait_s(known) <= self._wait_s(at) else at

    def _wait_s(self, way: Way) -> float:
        return self._guesses.wait_s(*way[:3], self._now_s(), way.browser)

    async def _let_wait(self, way: Way) -> None:
        wait_s = self._wait_s(way)
        if wait_s <= 0.0:
            return
        await self._note_refusal(way.person, way.address, "waiting")
        words = f"{wait_s:.0f} s" if wait_s < 90 else f"{wait_s / 60:.0f} min"
        seconds = str(max(1, round(wait_s)))
        raise Problem(429, f"too many wrong passwords; try again in {words}", {"Retry-After": seconds})

    async def _hold(self, person: str, password: str, *, known: bool) -> bool:
        """The same work whoever it is: for a name that nobody has, on somebody's hash, whatever comes of it."""
        found = self._directory.find(person)
        worked_on = found or self._directory.stand_in()
        if worked_on is None:
            return False
        holds = await self._passwords.hold(worked_on.password, password[:LONGEST], known=known)
        return holds and found is not None and len(password) <= LONGEST

    async def leave(self, session: Session, address: str, *, everywhere: bool) -> list[bytes]:
        """Sign out here, or everywhere; gives the keys of the sessions that ended."""
        if everywhere:
            keys = await self._sessions.end_all(session.person)
            await self._note("signed_out_everywhere", session.person, address, sessions=len(keys))
            return keys
        await self._sessions.end(session)
        await self._note("signed_out", session.person, address)
        return [session.key]

    async def _note_refusal(self, person: str, address: str, why: str) -> None:
        """A few a minute, and how many there were besides: guessing at full speed must cost the watch nothing."""
        if not self._refusals.take():
            self._untold += 1
            return
        times, self._untold = 1 + self._untold, 0
        await self._note("sign_in_refused", person, address, why=why, times=times)

    async def _note(self, event: str, person: str, address: str, **data: str | int) -> None:
        """The journal gets it where the watch is there; signing in works without."""
        with contextlib.suppress(ControlError):
            await self._watch.note(event, person, {"address": address, **data})

    def close(self) -> None:
        """End the threads."""
        self._passwords.close()
