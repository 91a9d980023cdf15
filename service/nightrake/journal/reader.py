"""Read-only access to a store, in bounded slices and short transactions.

A reader that stops reading would keep the write-ahead log from being reset. So every answer is read to its end before
it is handed out, and takes two seconds at most.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from itertools import islice
from pathlib import Path
from typing import Any, TypeVar

import apsw

from nightrake.domain.rows import Row, TailRecord
from nightrake.errors import StoreError
from nightrake.journal.archive import FOLDER, SELECT, ArchiveFault, Kept, Where, kept_of, read_rows
from nightrake.journal.memory import MEMORY, uri_of
from nightrake.journal.schema import MIGRATIONS, schema_number
from nightrake.journal.sql import fetch

T = TypeVar("T")

SLICE = 5000
"""Rows given in one answer at most."""
QUERY_S = 2.0
"""Longest reading transaction."""

HIGHEST = 2**63 - 1
FIRST = "order by first_seq limit 1"
_NOTHING_READ: tuple[str, int, Iterator[Row]] = ("", 0, iter(()))
_ROW_TEXTS = ("epoch", "kind", "event", "drive", "direction", "boot_id")
_TAIL_TEXTS = ("kind", "endpoint", "layout")
_ROW = f"select {', '.join(Row._fields)} from journal"
_TAIL = f"select {', '.join(TailRecord._fields)} from tail"


class Reader:
    """A read-only connection, used by one thread at a time; also beside a running watch, in another process.

    Args:
        path: The store's file. vfs: SQLite VFS, see `opening.ALONE`, `memory.MEMORY`.

    Attributes:
        inode: Of the file that is open, 0 = it is in memory.

    Raises:
        StoreError: There is no readable store at `path`, or its schema is another program's.
    """

    def __init__(self, path: Path, vfs: str = "") -> None:
        self._path = path
        self._deadline_s = 0.0
        self._reading: tuple[str, int, Iterator[Row]] = _NOTHING_READ
        try:
            self.inode, self._db = _opened(path, vfs)
        except (apsw.Error, OSError) as error:
            why = getattr(error, "strerror", None) or error
            raise StoreError(f"{path}: no readable store ({why}); check the folder") from error
        try:
            self._db.set_busy_timeout(int(QUERY_S * 1000))
            self._db.set_progress_handler(lambda: time.monotonic() > self._deadline_s, 20_000)
            with self._asking():
                found = schema_number(self._db)
            if found != len(MIGRATIONS):
                raise StoreError(
                    f"{path}: has store schema {found}, this program reads schema {len(MIGRATIONS)}; use the program "
                    "that the watch runs"
                )
        except BaseException:
            self._db.close()
            raise

    @contextmanager
    def _asking(self) -> Iterator[None]:
        self._deadline_s = time.monotonic() + QUERY_S
        try:
            yield
        except apsw.InterruptError as error:
            raise StoreError(f"{self._path}: no answer within {QUERY_S} s; ask for less at a time") from error
        except apsw.Error as error:
            raise StoreError(f"{self._path}: cannot be read ({error})") from error

    def _ask(self, statement: str, *bindings: Any) -> list[tuple[Any, ...]]:
        with self._asking():
            return fetch(self._db, statement, bindings)

    def _ask_texts(self, select: str, texts: Sequence[str], where: str, *bindings: Any) -> list[tuple[Any, ...]]:
        """Whole rows; where the text in one of them is damaged, with a mark in the place of what cannot be read."""
        try:
            return self._ask(f"{select} {where}", *bindings)
        except UnicodeDecodeError:
            names = select.removeprefix("select ").partition(" from ")[0].split(", ")
            bytes_too = ", ".join(f"cast({name} as blob)" if name in texts else name for name in names)
            at = [number for number, name in enumerate(names) if name in texts]
            found = [list(row) for row in self._ask(f"select {bytes_too} from {select.split()[-1]} {where}", *bindings)]
            for row in found:
                for number in at:
                    row[number] = (row[number] or b"").decode(errors="replace")
            return [tuple(row) for row in found]

    def rows_after(self, seq: int, limit: int, *, until: int | None = None) -> list[Row]:
        """Journal rows after a number, in order, from the store and from the files of archived segments alike.

        Args:
            seq: Number after which to begin. limit: At most so many, and at most `SLICE`. until: Last number wanted.

        Raises:
            StoreError: It cannot be read now. ArchiveFault: A file of an archived segment is not as it was written.
        """
        last, limit, rows = HIGHEST if until is None else until, _bounded(limit), list[Row]()
        while len(rows) < limit:
            with self._at_once():
                archived = self._archived(f"and last_seq > ? and first_seq <= ? {FIRST}", seq, last)
                upto = archived.segment.first_seq - 1 if archived is not None else last
                where = "where seq > ? and seq <= ? order by seq limit ?"
                found = self._ask_texts(_ROW, _ROW_TEXTS, where, seq, upto, limit - len(rows))
            rows += map(_row, found)
            if archived is None:
                break
            try:
                rows += self._from_file(archived, max(seq, upto), last, limit - len(rows))
            except ArchiveFault:
                if rows:
                    break  # it is for the next answer to say
                raise
            seq = archived.segment.last_seq
        return rows

    def _archived(self, where: str, *bindings: Any) -> Kept | None:
        """A segment whose rows are in its file only."""
        found = self._ask(f"{SELECT} where place = ? {where}", int(Where.FILE), *bindings)
        return kept_of(found[0]) if found else None

    def _from_file(self, archived: Kept, after: int, last: int, limit: int) -> list[Row]:
        """Rows of a segment from its file; whoever goes on where the last answer ended does not read it anew."""
        name, at, rows = self._reading
        if (name, at) != (archived.segment.file_name, after):
            rows = read_rows(self._path.parent / FOLDER, archived, lambda row: row.seq > after)
        taken = list(islice(rows, limit))
        found = [row for row in taken if row.seq <= last]
        at, whole = found[-1].seq if found else after, len(found) == len(taken)
        goes_on = whole and at < archived.segment.last_seq
        self._reading = (archived.segment.file_name, at, rows) if goes_on else _NOTHING_READ
        return found

    @contextmanager
    def _at_once(self) -> Iterator[None]:
        """What is asked within belongs to one state of the store."""
        self._ask("begin")
        try:
            yield
        finally:
            with suppress(apsw.Error):
                if self._db.in_transaction:
                    self._db.execute("commit")

    def newest_rows(self, limit: int, *, drive: str = "") -> list[Row]:
        """The last rows (of one drive, or of all), in order."""
        where, bindings = ("where drive = ?", (drive,)) if drive else ("", ())
        where += " order by seq desc limit ?"
        found = self._ask_texts(_ROW, _ROW_TEXTS, where, *bindings, _bounded(limit))
        return [_row(v) for v in reversed(found)]

    def tail_after(self, seq: int, limit: int) -> list[TailRecord]:
        """Tail records after a number, in order, at most `limit`."""
        where = "where seq > ? order by seq limit ?"
        return [TailRecord(*v) for v in self._ask_texts(_TAIL, _TAIL_TEXTS, where, seq, _bounded(limit))]

    def layout(self, layout: str) -> str | None:
        """The read plan kept under an id."""
        return self._text("select content from layout where layout = ?", layout)

    def settings(self, digest: str) -> str | None:
        """The settings kept under their digest."""
        return self._text("select content from settings where digest = ?", digest)

    def _text(self, statement: str, key: str) -> str | None:
        """The text; "" where it is damaged beyond reading."""
        try:
            found = self._ask(statement, key)
        except UnicodeDecodeError:
            return ""
        return str(found[0][0]) if found else None

    def snapshots(self) -> list[tuple[int, int]]:
        """All snapshots, oldest first: (input seq, UTC ms)."""
        return [(v[0], v[1]) for v in self._ask("select input_seq, utc_ms from snapshot order by input_seq")]

    def snapshot_before(self, input_seq: int) -> tuple[int, int, bytes] | None:
        """The latest snapshot at or before an input: (input seq, UTC ms, payload)."""
        found = self._ask(
            "select input_seq, utc_ms, payload from snapshot where input_seq <= ? order by input_seq desc limit 1",
            input_seq,
        )
        return (found[0][0], found[0][1], found[0][2]) if found else None

    def segments(self) -> list[tuple[str, int, int, bool]]:
        """Clock segments in order: (boot id, start mono ns, start UTC ms, trusted)."""
        what = "cast(boot_id as blob), start_mono_ns, start_utc_ms, trusted"
        found = self._ask(f"select {what} from clock_segment order by id")
        whole = [v for v in found if type(v[1]) is type(v[2]) is int]
        return [(v[0].decode(errors="replace"), v[1], v[2], bool(v[3])) for v in whole]

    def dead_letters(self, limit: int) -> list[tuple[int, str, str]]:
        """The last lines that the forwarded store refused, newest first: (UTC ms, line, its words)."""
        found = self._ask("select utc_ms, line, reason from dead_letter order by id desc limit ?", _bounded(limit))
        return [(v[0], v[1], v[2]) for v in found]

    def letters_after(self, number: int, limit: int) -> list[tuple[int, int, str, str]]:
        """Dead letters after a number, oldest first: (number, UTC ms, line, the store's words)."""
        statement = "select id, utc_ms, line, reason from dead_letter where id > ? order by id limit ?"
        return [(int(v[0]), int(v[1]), str(v[2]), str(v[3])) for v in self._ask(statement, number, _bounded(limit))]

    def tail_span(self) -> tuple[int, int]:
        """First and last number in the tail; (0, 0) when it is empty."""
        first, last = self._ask(
            "select coalesce((select min(seq) from tail), 0), coalesce((select max(seq) from tail), 0)"
        )[0]
        return int(first), int(last)

    def count_tail(self) -> int:
        """How many tail records there are."""
        return int(self._ask("select count(*) from tail")[0][0])

    def is_left(self) -> bool:
        """Whether the file that is open here is no longer the one at its path."""
        try:
            return self._path.stat().st_ino != self.inode
        except OSError:
            return True

    def close(self) -> None:
        """Close the connection, and the file that is open, if one is."""
        self._reading = _NOTHING_READ
        self._db.close()


def _bounded(limit: int) -> int:
    return max(0, min(limit, SLICE))


def _row(values: Iterable[Any]) -> Row:
    row = Row(*values)
    return row._replace(urgent=bool(row.urgent), clock_trusted=bool(row.clock_trusted))


def read_all(read: Callable[[int, int], list[T]], seq_of: Callable[[T], int], after: int = 0) -> Iterator[T]:
    """Everything after a number, slice by slice, so that no reading holds the store.

    Args:
        read: `Reader.rows_after` or `Reader.tail_after`. seq_of: Number of a row. after: Where to begin.
    """
    while found := read(after, SLICE):
        yield from found
        after = seq_of(found[-1])


def _opened(path: Path, vfs: str) -> tuple[int, apsw.Connection]:
    """The file's inode, and a connection.

    Raises:
        apsw.Error, OSError: There is none that can be read.
    """
    if vfs == MEMORY:
        return 0, apsw.Connection(uri_of(path), flags=apsw.SQLITE_OPEN_READWRITE | apsw.SQLITE_OPEN_URI)
    return path.stat().st_ino, apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY, vfs=vfs or None)
