"""Sessions of people who signed in: in memory, and in ``page.db`` so that they outlive a restart of the page.

Only the SHA-256 of a session's id is kept. One thread writes; whoever begins or ends a session waits for the disk.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import secrets
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, NamedTuple

import apsw

from nightrake.page.directory import Directory, Person
from nightrake.page.guesses import network_of
from nightrake.page.tokens import key_of, new_id

FILE = "page.db"
PER_PERSON = 20
"""Sessions of one person; one more ends their oldest."""
KEPT = 1000
FAMILIAR_DAYS = 30
"""For this long an address, and a browser, stays familiar after a sign-in."""
FAMILIARS = 2000
AHEAD_MS = 600_000
"""A sign-in that began later than now by more than this was made under a wrong clock, and would last too long."""
_TABLES = """
CREATE TABLE IF NOT EXISTS meta (name TEXT PRIMARY KEY, value BLOB NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS session (key BLOB PRIMARY KEY, person TEXT NOT NULL, mark BLOB NOT NULL,
    address TEXT NOT NULL, began_ms INTEGER NOT NULL, ends_ms INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS familiar (person TEXT, address TEXT, last_ms INTEGER NOT NULL,
    PRIMARY KEY (person, address)) WITHOUT ROWID;
"""


class Session(NamedTuple):
    """One sign-in.

    Attributes:
        key: SHA-256 of its id. person: Who. mark: Of their password hash then. address: Where from.
        began_ms, ends_ms: UTC.
    """

    key: bytes
    person: str
    mark: bytes
    address: str
    began_ms: int
    ends_ms: int


class Sessions:
    """All sessions.

    Args:
        folder: Where ``page.db`` is kept. now_ms: UTC. log: Takes one line where the file cannot be used.
    """

    def __init__(self, folder: Path, now_ms: Callable[[], int], log: Callable[[str], None]) -> None:
        self._path, self._now_ms, self._log = folder / FILE, now_ms, log
        self._thread = ThreadPoolExecutor(1, "page.db")
        self._db: apsw.Connection | None = None
        self._by_key: dict[bytes, Session] = {}
        self._familiar: dict[tuple[str, str], int] = {}  # by person and network or browser
        self._places: dict[str, int] = {}  # likewise, whoever it was
        self.secret = secrets.token_bytes(32)
        self._trouble = ""
        self._file = (0, 0)

    async def open(self) -> None:
        """Read what is kept; a damaged file is moved aside, and everybody signs in again."""
        await self._in_thread(self._opened)

    def _opened(self) -> None:
        try:
            self._read()
        except (apsw.CorruptError, apsw.NotADBError) as error:
            self._close_db()
            for ending in ("", "-journal", "-wal", "-shm"):
                with contextlib.suppress(OSError):
                    Path(f"{self._path}{ending}").replace(f"{self._path}{ending}.damaged")
            self._log(f"{self._path}: is damaged ({error}); moved aside, everybody has to sign in again")
            self._read()

    def _connect(self) -> apsw.Connection:
        db = self._db = apsw.Connection(str(self._path))
        self._file = self._file_now()
        self._path.chmod(0o600)
        db.set_busy_timeout(2000)
        db.execute(_TABLES)
        return db

    def _read(self) -> None:
        db = self._connect()
        with db:
            db.execute("INSERT OR IGNORE INTO meta VALUES ('secret', ?)", (self.secret,))
            db.execute("DELETE FROM session WHERE ends_ms <= ?", (self._now_ms(),))
        self.secret = bytes(next(iter(db.execute("SELECT value FROM meta WHERE name = 'secret'")))[0])
        rows = db.execute("SELECT key, person, mark, address, began_ms, ends_ms FROM session ORDER BY began_ms")
        self._by_key = {bytes(r[0]): Session(bytes(r[0]), r[1], bytes(r[2]), r[3], r[4], r[5]) for r in rows}
        kept = db.execute("SELECT person, address, last_ms FROM familiar ORDER BY last_ms")
        self._familiar = {(p, network_of(a)): last for p, a, last in kept}
        self._places = {place: last_ms for (_, place), last_ms in self._familiar.items()}

    async def begin(self, person: Person, address: str, hours: float, browser: str = "") -> str:
        """A new session under a new id.

        Args:
            person: Who. address: Where from. hours: How long it lasts. browser: The id of theirs, "" = none.

        Returns:
            The id, for the person's browser alone.
        """
        session_id, now_ms = new_id(), self._now_ms()
        session = Session(
            key_of(session_id), person.id, person.mark, address, now_ms, now_ms + round(hours * 3_600_000)
        )
        too_many = self._oldest(person.id)
        for old in too_many:
            self._by_key.pop(old.key, None)
        self._by_key[session.key] = session
        familiar = [network_of(address), *([_browser(browser)] if browser else [])]
        self._familiar.update({(person.id, place): now_ms for place in familiar})
        self._places.update(dict.fromkeys(familiar, now_ms))
        while len(self._familiar) > FAMILIARS:
            del self._familiar[min(self._familiar, key=lambda k: self._familiar[k])]
        while len(self._places) > FAMILIARS:
            del self._places[min(self._places, key=lambda place: self._places[place])]
        await self._write(
            [
                *(("DELETE FROM session WHERE key = ?", (old.key,)) for old in too_many),
                ("INSERT OR REPLACE INTO session VALUES (?, ?, ?, ?, ?, ?)", tuple(session)),
                *(("INSERT OR REPLACE INTO familiar VALUES (?, ?, ?)", (person.id, p, now_ms)) for p in familiar),
                ("DELETE FROM familiar WHERE last_ms < ?", (now_ms - FAMILIAR_DAYS * 86_400_000,)),
            ]
        )
        return session_id

    def _oldest(self, person: str) -> list[Session]:
        """Who has to go so that one more has room."""
        theirs = [s for s in self._by_key.values() if s.person == person]
        gone = theirs[: max(0, len(theirs) - PER_PERSON + 1)]
        return gone or list(self._by_key.values())[: max(0, len(self._by_key) - KEPT + 1)]

    def find(self, session_id: str, directory: Directory) -> tuple[Session, Person] | None:
        """Whose session an id is, if it still holds: not over, the person there and their password the same."""
        return self.held(key_of(session_id), directory) if session_id else None

    def on_record(self, session_id: str) -> Session | None:
        """The same whether or not it holds, and before it is known who there is: for somebody who wants it to end."""
        return self._by_key.get(key_of(session_id)) if session_id else None

    def held(self, key: bytes, directory: Directory) -> tuple[Session, Person] | None:
        """The same by what is kept of the id."""
        session = self._by_key.get(key)
        if session is None:
            return None
        person = directory.find(session.person)
        if person is None or person.mark != session.mark or not self._is_now(session):
            return None
        return session, person

    def _is_now(self, session: Session) -> bool:
        return session.began_ms - AHEAD_MS <= self._now_ms() < session.ends_ms

    def is_familiar(self, person: str, address: str) -> bool:
        """Whether the person has signed in from there lately."""
        return self._is_recent(self._familiar.get((person, network_of(address))))

    def is_familiar_browser(self, person: str, browser: str) -> bool:
        """Whether the person has signed in with this browser lately."""
        return bool(browser) and self._is_recent(self._familiar.get((person, _browser(browser))))

    def knows(self, place: str) -> bool:
        """Whether anybody has signed in lately from an address, or with a browser."""
        return any(self._is_recent(self._places.get(where)) for where in (network_of(place), _browser(place)))

    def _is_recent(self, last_ms: int | None) -> bool:
        return last_ms is not None and self._now_ms() - last_ms < FAMILIAR_DAYS * 86_400_000

    async def end(self, session: Session) -> None:
        """It holds no longer, also after a restart."""
        self._by_key.pop(session.key, None)
        await self._write([("DELETE FROM session WHERE key = ?", (session.key,))])

    async def end_all(self, person: str) -> list[bytes]:
        """End every session of a person; gives their keys."""
        keys = [s.key for s in self._by_key.values() if s.person == person]
        for key in keys:
            del self._by_key[key]
        await self._write([("DELETE FROM session WHERE person = ?", (person,))])
        return keys

    async def sweep(self, directory: Directory) -> list[bytes]:
        """Drop what holds no longer (over, person gone, other password); gives the keys."""
        keys = [key for key in self._by_key if self.held(key, directory) is None]
        for key in keys:
            del self._by_key[key]
        if keys:
            await self._write([("DELETE FROM session WHERE key = ?", (key,)) for key in keys])
        return keys

    async def close(self) -> None:
        """Close the file."""
        await self._in_thread(self._close_db)
        self._thread.shutdown()

    def _close_db(self) -> None:
        if self._db is not None:
            self._db.close()
            self._db = None

    async def _write(self, steps: list[tuple[str, tuple[Any, ...]]]) -> None:
        await self._in_thread(lambda: self._written(steps))

    def _written(self, steps: list[tuple[str, tuple[Any, ...]]]) -> None:
        try:
            if self._db is not None and self._file_now() != self._file:
                self._close_db()  # removed, or another in its place: what is written there would be lost
            db = self._db or self._made_anew()
            with db:
                for sql, values in steps:
                    db.execute(sql, values)
        except apsw.Error:
            self._close_db()
            if any(sql.startswith("DELETE FROM session") for sql, _ in steps):
                # An end that cannot be written would be undone by a restart; to take the file away needs no room.
                for ending in ("-journal", ""):
                    Path(f"{self._path}{ending}").unlink(missing_ok=True)
            raise

    def _file_now(self) -> tuple[int, int]:
        """Which file it is; (0, 0) = there is none."""
        try:
            told = os.stat(self._path)
        except OSError:
            return 0, 0
        return told.st_dev, told.st_ino

    def _made_anew(self) -> apsw.Connection:
        """The file could not be opened or written before; what is in memory counts."""
        db = self._connect()
        with db:
            db.execute("DELETE FROM familiar")
            db.execute("INSERT OR REPLACE INTO meta VALUES ('secret', ?)", (self.secret,))
            db.execute("DELETE FROM session")
            for session in list(self._by_key.values()):
                db.execute("INSERT OR REPLACE INTO session VALUES (?, ?, ?, ?, ?, ?)", tuple(session))
            for (person, address), last_ms in list(self._familiar.items()):
                db.execute("INSERT OR REPLACE INTO familiar VALUES (?, ?, ?)", (person, address, last_ms))
        return db

    async def _in_thread(self, work: Callable[[], None]) -> None:
        try:
            await asyncio.get_running_loop().run_in_executor(self._thread, work)
        except (apsw.Error, OSError) as error:
            words = f"{self._path}: {error}; sessions are kept in memory until it can be written"
            if words != self._trouble:
                self._log(words)
            self._trouble = words
        else:
            self._trouble = ""


def _browser(browser: str) -> str:
    """As it is kept: whoever reads the file cannot use it."""
    return f"browser {key_of(browser).hex()}"
