"""The hot tail as the historian reads it: store.db, read-only, in short transactions, beside a running watch.

A reader that stops reading would keep the store's write-ahead log from being reset. So every answer is read to its end
before it is handed out, and takes two seconds at most.
"""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import apsw

from nightrake.domain.rows import TailRecord
from nightrake.errors import StoreError
from nightrake.longterm.sql import SLOW, Slow, fetch

SLICE = 5000
"""Records given in one answer at most."""
LESS, LEAST = 8, 10
"""On a busy machine fewer are tried, by this factor, and not below so many."""
SCANNED = 50_000
"""Records looked through for reloads in one answer."""
QUERY_S, STEPS = 2.0, 20_000
"""That, and after how many of SQLite's steps it is looked."""
_TAIL = f"select {', '.join(TailRecord._fields)} from tail"
_BLOB_TAIL = (
    "select seq, cast(kind as blob), cast(endpoint as blob), cast(layout as blob), mono_ns, utc_ms, payload from tail"
)


class Tail:
    """One store's hot tail, and what is kept beside it.

    Args:
        state_dir: Folder of the store.

    Raises:
        StoreError: There is no readable store.
    """

    def __init__(self, state_dir: Path) -> None:
        self._path = state_dir / "store.db"
        self._deadline_s = 0.0
        try:
            self._inode = self._path.stat().st_ino
            self._db = apsw.Connection(str(self._path), flags=apsw.SQLITE_OPEN_READONLY)
        except (apsw.Error, OSError) as error:
            why = getattr(error, "strerror", None) or error
            raise StoreError(f"{self._path}: no readable store ({why}); check the folder") from error
        self._db.set_busy_timeout(int(QUERY_S * 1000))
        self._db.set_progress_handler(lambda: time.monotonic() > self._deadline_s, STEPS)

    def _ask(self, statement: str, *bindings: Any) -> list[tuple[Any, ...]]:
        self._deadline_s = time.monotonic() + QUERY_S
        try:
            return fetch(self._db, statement, bindings)
        except SLOW as error:
            raise Slow(f"{self._path}: no answer within {QUERY_S:g} s") from error
        except apsw.Error as error:
            raise StoreError(f"{self._path}: cannot be read ({error})") from error

    def is_left(self) -> bool:
        """Whether the file that is open here is no longer the one at its path."""
        try:
            return self._path.stat().st_ino != self._inode
        except OSError:
            return True

    # --- records ------------------------------------------------------------------------------------------------------

    def after(self, seq: int, limit: int = SLICE) -> list[TailRecord]:
        """Records after an input number, in order, at most `limit` and `SLICE`; types as the file has them.

        Fewer where so many cannot be read in time: a busy machine has two seconds for ten, if not for thousands.
        """
        limit = max(0, min(limit, SLICE))
        while True:
            try:
                return self._after(seq, limit)
            except Slow:
                if limit <= LEAST:
                    raise
                limit = max(LEAST, limit // LESS)

    def _after(self, seq: int, limit: int) -> list[TailRecord]:
        where = "where seq > ? order by seq limit ?"
        try:
            return [TailRecord(*v) for v in self._ask(f"{_TAIL} {where}", seq, limit)]
        except UnicodeDecodeError:
            found = self._ask(f"{_BLOB_TAIL} {where}", seq, limit)
            return [TailRecord(v[0], _text(v[1]), _text(v[2]), _text(v[3]), *v[4:]) for v in found]

    def scans(self, endpoint: str, after: int, to: int) -> list[TailRecord]:
        """Scans of one PLC after an input number, up to another; at most `SCANNED` numbers are looked through.

        Raises:
            StoreError: They cannot be read, or a text among them is damaged.
        """
        where = "where seq > ? and seq <= ? and kind = 'scan' and endpoint = ? order by seq"
        try:
            found = self._ask(f"{_TAIL} {where}", after, min(to, after + SCANNED), endpoint)
        except UnicodeDecodeError as error:
            raise StoreError(f"{self._path}: a record in it cannot be read ({error})") from error
        return [TailRecord(*v) for v in found]

    def newest(self) -> tuple[int, int, int] | None:
        """Number, monotonic ns and UTC ms of the newest record; None = the tail is empty."""
        found = self._ask("select seq, mono_ns, utc_ms from tail order by seq desc limit 1")
        return (int(found[0][0]), int(found[0][1]), int(found[0][2])) if found else None

    def span(self) -> tuple[int, int]:
        """First and last number; (0, 0) when it is empty."""
        first = self._ask("select seq from tail order by seq limit 1")
        last = self._ask("select seq from tail order by seq desc limit 1")
        return (int(first[0][0]), int(last[0][0])) if first and last else (0, 0)

    def stretch(self, after: int, from_utc_ms: int, to_utc_ms: int) -> tuple[int, int, int, int] | None:
        """Of records behind an input whose stamps lie in a time, its end not included; None = there is none.

        Returns:
            First and last number; lowest and highest stamp.
        """
        first, last = self.span()
        found: list[tuple[int, int, int, int]] = []
        for begin in range(max(after, first - 1), last, SCANNED):
            statement = (
                "select min(seq), max(seq), min(utc_ms), max(utc_ms) from tail"
                " where seq > ? and seq <= ? and utc_ms >= ? and utc_ms < ?"
            )
            low, *rest = self._ask(statement, begin, begin + SCANNED, from_utc_ms, to_utc_ms)[0]
            found += [] if low is None else [(low, *rest)]
        if not found:
            return None
        return found[0][0], found[-1][1], min(one[2] for one in found), max(one[3] for one in found)

    # --- beside them --------------------------------------------------------------------------------------------------

    def meta(self, key: str) -> str:
        """A value of the store's own; "" = none."""
        found = self._ask("select cast(value as blob) from meta where key = ?", key)
        return _text(found[0][0]) if found else ""

    def sealed(self) -> tuple[int, str]:
        """What the history worker has told: inputs up to this number are sealed, 0 = nothing in this epoch.

        Returns:
            The number, and the epoch that stood in its file.
        """
        found = self._ask("select seq, cast(epoch as blob), cast(extra as blob) from cursor where name = 'history'")
        same = bool(found) and _text(found[0][1]) == self.meta("epoch")
        return (int(found[0][0]), _text(found[0][2])) if same else (0, "")

    def knows(self, epoch: str) -> bool:
        """Whether the store, its journal or what it has archived is of an epoch."""
        statement = "select 1 from meta where key = 'epoch' and value = ?"
        found = self._ask(statement, epoch) or self._ask("select 1 from archive where epoch = ? limit 1", epoch)
        return bool(found or self._ask("select 1 from journal where epoch = ? limit 1", epoch))

    def boots(self) -> list[tuple[int, str]]:
        """Starts of the machine: (first input number, boot id), oldest first; none where that is damaged."""
        boots = []
        for one in self.meta("boots").split(","):
            first, _, boot_id = one.partition(" ")
            if first.isdigit():
                boots.append((int(first), boot_id))
        return sorted(boots)

    def segments(self) -> list[tuple[str, int, int, bool]]:
        """Clock segments in order: (boot id, start mono ns, start UTC ms, trusted)."""
        what = "cast(boot_id as blob), start_mono_ns, start_utc_ms, trusted"
        found = self._ask(f"select {what} from clock_segment order by id")
        return [(_text(v[0]), v[1], v[2], bool(v[3])) for v in found if type(v[1]) is type(v[2]) is int]

    def layout(self, layout: str) -> str | None:
        """The read plan kept under an id; None where there is none that can be read."""
        found = self._ask("select cast(content as blob) from layout where layout = ?", layout)
        return _text(found[0][0]) if found else None

    def digests(self) -> list[str]:
        """Keys of all settings kept, in order of time."""
        return [_text(v[0]) for v in self._ask("select cast(digest as blob) from settings order by utc_ms, digest")]

    def content(self, key: str) -> str:
        """The settings kept under a key; "" = none."""
        found = self._ask("select cast(content as blob) from settings where digest = ?", key)
        return _text(found[0][0]) if found else ""

    def settings(self) -> list[tuple[str, int, str]]:
        """All settings kept: (key, UTC ms, content)."""
        found = self._ask("select cast(digest as blob), utc_ms, cast(content as blob) from settings")
        return [(_text(v[0]), v[1] if type(v[1]) is int else 0, _text(v[2])) for v in found]

    def reloads(self, after: int) -> list[tuple[int, str]]:
        """Settings taken in after an input number: (input seq, digest)."""
        found: list[tuple[int, str]] = []
        last = self.span()[1]
        statement = "select seq, payload from tail where seq > ? and seq <= ? and kind = 'settings' order by seq"
        for begin in range(max(after, self.span()[0] - 1), last, SCANNED):
            found += [(int(seq), _text(payload)) for seq, payload in self._ask(statement, begin, begin + SCANNED)]
        return found

    def snapshots(self, after: int, most: int = 1000) -> list[tuple[int, int]]:
        """Snapshots after an input number: (input seq, UTC ms), oldest first."""
        statement = "select input_seq, utc_ms from snapshot where input_seq > ? order by input_seq limit ?"
        return [(int(v[0]), int(v[1])) for v in self._ask(statement, after, most)]

    def snapshot(self, input_seq: int) -> bytes | None:
        """One snapshot's state."""
        found = self._ask("select payload from snapshot where input_seq = ?", input_seq)
        return found[0][0] if found and type(found[0][0]) is bytes else None

    def snapshot_before(self, input_seq: int) -> tuple[int, int, bytes] | None:
        """The latest snapshot at or before an input: (input seq, UTC ms, payload)."""
        statement = (
            "select input_seq, utc_ms, payload from snapshot where input_seq <= ? order by input_seq desc limit 1"
        )
        found = self._ask(statement, input_seq)
        return (found[0][0], found[0][1], found[0][2]) if found else None

    def close(self) -> None:
        """Close the connection."""
        self._db.close()


def digest_in(snapshot: bytes | None) -> str:
    """The settings digest that a snapshot names; "" where it cannot be read."""
    try:
        return str(json.loads(snapshot or b"{}").get("digest", ""))
    except (ValueError, AttributeError):
        return ""


def _text(value: Any) -> str:
    if isinstance(value, bytes):
        return value.decode(errors="replace")
    return "" if value is None else str(value)
