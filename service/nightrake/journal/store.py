"""The store: what the loop hands over is committed by one thread, in order, as soon as something urgent waits.

Journal rows wake the writer at once; tail records alone are committed ten times a second. While the disk is away
everything waits here, bounded, and the loop never notices: it is told what is durable, and when the disk's health
changes.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import apsw

from nightrake.domain.rows import Row, TailRecord
from nightrake.errors import StoreError
from nightrake.journal.archive import FOLDER, SELECT, ArchiveFault, Where, fault_of, kept_of, read_rows
from nightrake.journal.batch import Inbox
from nightrake.journal.damage import LAST_MS, Damage, as_told
from nightrake.journal.home import Home
from nightrake.journal.lock import Lock, take_lock
from nightrake.journal.news import News
from nightrake.journal.opening import Opened, open_store
from nightrake.journal.reader import Reader
from nightrake.journal.readthread import ReaderThread
from nightrake.journal.room import PUT_LAYOUT, Room
from nightrake.journal.sql import fetch
from nightrake.journal.stats import StoreStats
from nightrake.journal.writer import LOG_LIMIT_BYTES, Writer

_BLOBS = "cast(name as blob), cast(epoch as blob)"
CLOSE_S = 3.0
"""A hung disk keeps the stop of the watch no longer than this."""


class Store:
    """One site's store. `Store.open`, read what it was left with, `start`, hand over, `close`.

    Args:
        state_dir: Its folder. opened: From `open_store`. lock: From `take_lock`. home: Its place.
        room: Keeps it within its bounds. log_limit_bytes: See `writer.LOG_LIMIT_BYTES`.

    Attributes:
        opened: How it was found: new, clean, copied, damaged, unwritable.
        damage: What could not be read, so far.
        epoch: Id of this store's life.
        last_seq, last_hash: The newest journal row before this run.
        first_free_seq, first_free_input_seq: Where numbers go on.
    """

    def __init__(
        self, state_dir: Path, opened: Opened, lock: Lock, home: Home, room: Room, log_limit_bytes: int
    ) -> None:
        self.opened, self.epoch = opened, opened.epoch
        self.last_seq, self.last_hash = opened.last_seq, opened.last_hash
        self.first_free_seq, self.first_free_input_seq = opened.rows.first_free, opened.inputs.first_free
        self._path = state_dir / "store.db"
        self._lock, self._home, self._room = lock, home, room
        self._news = News(opened.last_seq)
        self._inbox = Inbox()
        self._writer = Writer(self._path, opened, self._inbox, home, room, self._news, log_limit_bytes)
        self._reader = ReaderThread(self._path, lambda: home.inode, home.reading)
        self.damage = Damage(opened.damages)
        self._cursors = self._kept_cursors()
        self._closed = False

    @classmethod
    def open(
        cls,
        state_dir: Path,
        *,
        now_utc_ms: int,
        boot_id: str = "",
        quota_mb: int = 2048,
        ballast_mb: int = 8,
        keep_hours: float = 2.0,
        vfs: str = "",
        log_limit_bytes: int = LOG_LIMIT_BYTES,
    ) -> Store:
        """Take the lock and open the store, or make a new one.

        Args:
            state_dir: Its folder. now_utc_ms: For records and names. boot_id: Id of the machine's boot.
            quota_mb: Size that the file never passes, MiB. ballast_mb: See `room`, MiB, 0 = none.
            keep_hours: Retention of the hot tail.
            vfs: SQLite VFS, for tests of sick disks. log_limit_bytes: See `writer.LOG_LIMIT_BYTES`.

        Raises:
            StoreError: Held by another watch, newer than this program, or unusable.
        """
        lock = take_lock(state_dir)
        try:
            opened = open_store(state_dir, now_utc_ms=now_utc_ms, boot_id=boot_id, quota_mb=quota_mb, vfs=vfs)
            keep_ns = int(keep_hours * 3600) * 1_000_000_000
            room = Room(state_dir, ballast_mb, keep_ns, opened.boots, quota_mb * 1024 * 1024)
            home = Home(state_dir / "store.db", quota_mb, vfs, opened)
            return cls(state_dir, opened, lock, home, room, log_limit_bytes)
        except BaseException:
            lock.close()
            raise

    def start(
        self,
        on_durable: Callable[[int], object],
        on_health: Callable[[bool, str], object],
        on_lost: Callable[[int, int], object] = lambda first_seq, last_seq: None,
        on_anew: Callable[[], object] = lambda: None,
        on_given_up: Callable[[int, int], object] = lambda first_seq, last_seq: None,
    ) -> None:
        """Start the writer; the callbacks run on the calling event loop.

        Args:
            on_durable: Called with the highest committed journal number, once for each commit that held rows.
            on_health: Called on each change: (disk takes everything, what is wrong). It counts as up at start.
            on_lost: Called with first and last number of rows given up; `chain.lost_entry` is to be journalled.
            on_anew: Called when the file was damaged and begun anew: every state, layout and the settings are to be
                handed over again. (Cursors are.)
            on_given_up: Called with first and last number of an archived segment whose file was given up for want of
                room; `chain.given_up_entry` is to be journalled.
        """

        def anew() -> None:
            for name, cursor in self._cursors.items():
                self._inbox.add_cursor(name, *cursor)
            on_anew()

        self._news.begin(on_durable, on_health, on_lost, anew, on_given_up)
        self._writer.start()

    # --- handing over: never waits for the disk -----------------------------------------------------------------------

    def append(self, rows: Sequence[Row], states: Mapping[str, bytes], tail: Sequence[TailRecord]) -> None:
        """Hand over rows, the states that belong to them and tail records; one transaction holds them all.

        Args:
            rows: Journal rows in order of numbers; they wake the writer. states: Judgement key -> payload.
            tail: Tail records in order of numbers.
        """
        self._inbox.add(rows, states, tail)

    def set_cursor(self, name: str, epoch: str, seq: int, extra: str = "") -> None:
        """Hand over a destination's cursor; only the latest counts."""
        self._cursors[name] = (epoch, seq, extra)
        self._inbox.add_cursor(name, epoch, seq, extra)

    def get_cursor(self, name: str) -> tuple[str, int, str] | None:
        """A destination's cursor as last set, in this run or the one before: (epoch, seq, extra)."""
        return self._cursors.get(name)

    def _kept_cursors(self) -> dict[str, tuple[str, int, str]]:
        """One that is damaged is as none: its destination begins as new, for what comes again does no harm."""
        cursors: dict[str, tuple[str, int, str]] = {}
        for name, epoch, seq, extra in self._fetch(f"select {_BLOBS}, seq, cast(extra as blob) from cursor"):
            if type(seq) is int and seq >= 0:
                cursors[_text(name)] = (_text(epoch), seq, _text(extra))
            else:
                self.damage.add("a cursor, so that its destination begins as new", _text(name))
        return cursors

    def put_layout(self, layout: str, content: str) -> None:
        """Keep a read plan under its id."""
        self._put(PUT_LAYOUT, layout, content)

    def put_settings(self, digest: str, utc_ms: int, content: str) -> None:
        """Keep the settings under their digest."""
        self._put("insert or ignore into settings(digest, utc_ms, content) values(?, ?, ?)", digest, utc_ms, content)

    def put_segment(self, boot_id: str, start_mono_ns: int, start_utc_ms: int, trusted: bool) -> None:
        """Keep the begin of a clock segment."""
        statement = "insert into clock_segment(boot_id, start_mono_ns, start_utc_ms, trusted) values(?, ?, ?, ?)"
        self._put(statement, boot_id, start_mono_ns, start_utc_ms, int(trusted))

    def put_snapshot(self, input_seq: int, utc_ms: int, payload: bytes) -> None:
        """Keep a snapshot; those from which no tail record can be replayed any more go."""
        keep = "insert or replace into snapshot(input_seq, utc_ms, payload) values(?, ?, ?)"
        drop = (
            "delete from snapshot where input_seq < (select max(input_seq) from snapshot where input_seq <"
            " (select min(seq) from tail))"
        )
        self._inbox.add_extra([(keep, (input_seq, utc_ms, payload)), (drop, ())])

    def put_dead_letter(self, utc_ms: int, line: str, reason: str) -> None:
        """Keep a line that the forwarded store refused, with its words."""
        # Not a second time when it is sent again, and refused again.
        new = "where not exists (select 1 from dead_letter where line = ?2)"
        self._put(f"insert into dead_letter(utc_ms, line, reason) select ?1, ?2, ?3 {new}", utc_ms, line, reason[:500])

    def drop_letters(self, numbers: Sequence[int]) -> None:
        """Drop dead letters by their numbers."""
        self._put("delete from dead_letter where id in (select value from json_each(?))", json.dumps(list(numbers)))

    def _put(self, statement: str, *bindings: Any) -> None:
        self._inbox.add_extra([(statement, bindings)])

    # --- what is on disk ----------------------------------------------------------------------------------------------

    def hold_tail(self, sealed_seq: int | None) -> None:
        """Say up to which input the tail is sealed elsewhere; what is not is kept while there is room.

        Args:
            sealed_seq: None = nobody seals, and age alone counts.
        """
        self._room.sealed_seq = sealed_seq

    @property
    def lost_unsealed(self) -> int:
        """Tail records that went for want of room before they were sealed."""
        return self._room.lost_unsealed

    async def wait_durable(self, seq: int, timeout_s: float) -> bool:
        """Wait until a journal row is on disk; False when that takes longer, or the row had to be given up."""
        return await self._news.wait_durable(seq, timeout_s)

    @property
    def durable_seq(self) -> int:
        """Highest journal number on disk."""
        return self._news.durable_seq

    @property
    def reserved_seq(self) -> int:
        """Highest journal number that may be told before it is durable: those above could recur after a crash."""
        return self.opened.rows.reserved

    @property
    def health(self) -> bool:
        """Whether the disk takes everything."""
        return self._writer.up

    def stats(self) -> StoreStats:
        """How keeping goes, now."""
        writer, counts = self._writer, self._writer.counts
        queued, queued_tail = writer.waiting()
        spans_ms = sorted(counts.commit_ms.copy())
        return StoreStats(
            up=writer.up,
            detail=writer.detail,
            durable_seq=self._news.durable_seq,
            queued=queued,
            queued_tail=queued_tail,
            commits=counts.commits,
            rows=counts.rows,
            tail_rows=counts.tail_rows,
            errors=counts.errors,
            lost_rows=counts.lost_rows,
            lost_tail=counts.lost_tail,
            trimmed=counts.trimmed,
            commit_last_ms=counts.commit_ms[-1] if spans_ms else 0.0,
            commit_p99_ms=spans_ms[int((len(spans_ms) - 1) * 0.99)] if spans_ms else 0.0,
            db_bytes=counts.db_bytes,
            log_bytes=counts.log_bytes,
            damaged=self.damage.count,
            archived=writer.archive.written,
            archive_detail=writer.archive.detail,
        )

    def states(self) -> dict[str, bytes]:
        """Judgement states as the last run left them. Before `start` only."""
        found = self._fetch("select cast(key as blob), cast(payload as blob) from judgement")
        return {_text(key): payload or b"" for key, payload in found}

    def last_row_of(self, drive: str, direction: str, events: Sequence[str]) -> Row | None:
        """The newest row of a drive's side with one of these events. Before `start` only."""
        marks = ", ".join("?" * len(events))
        where = f"where drive = ? and direction = ? and event in ({marks}) order by seq desc limit 1"
        statement = f"select {', '.join(Row._fields)} from journal {where}"
        try:
            found = self._fetch(statement, drive, direction, *events)
        except ValueError:  # a text that is none
            return None
        return Row(*found[0]) if found else self._last_archived_of(drive, direction, events)

    def _last_archived_of(self, drive: str, direction: str, events: Sequence[str]) -> Row | None:
        folder = self._path.parent / FOLDER
        for values in self._fetch(f"{SELECT} where place = {int(Where.FILE)} order by first_seq desc"):
            kept = kept_of(values)
            if drive in kept.segment.drives and not fault_of(folder, kept):
                fits = lambda r: (r.drive, r.direction) == (drive, direction) and r.event in events  # noqa: E731
                if rows := list(read_rows(folder, kept, fits)):
                    return rows[-1]
        return None

    def latest_snapshot(self) -> tuple[int, int, bytes] | None:
        """The newest snapshot: (input seq, UTC ms, payload). Before `start` only."""
        found = self._fetch("select input_seq, utc_ms, payload from snapshot order by input_seq desc limit 1")
        return (found[0][0], found[0][1], found[0][2]) if found else None

    def last_utc_ms(self) -> int:
        """When the last watch was last known to live, by its own clock; 0 = never. Before `start` only."""
        newest = "select utc_ms from {} order by seq desc limit 1"
        found = self._fetch(newest.format("tail")) + self._fetch(newest.format("journal"))
        return max((v[0] for v in found if type(v[0]) is int and 0 <= v[0] <= LAST_MS), default=0)

    def _fetch(self, statement: str, *bindings: str) -> list[tuple[Any, ...]]:
        if self._news.begun:
            raise StoreError(f"{self._path}: the writer owns the connection since the start; ask through a reader")
        try:
            return fetch(self.opened.db, statement, bindings)
        except apsw.Error as error:
            raise StoreError(f"{self._path}: cannot be read ({error}); check the disk") from error

    # --- reading (a thread of its own) --------------------------------------------------------------------------------

    async def rows_after(self, seq: int, limit: int) -> list[Row]:
        """Journal rows on disk after a number, in order, at most `limit`; a damaged one says just that (`as_told`).

        Raises:
            StoreError: They cannot be read now.
        """
        return await self._reader.ask(lambda reader: [self._told(row) for row in self._passing(reader, seq, limit)])

    def _passing(self, reader: Reader, seq: int, limit: int) -> list[Row]:
        """Rows after a number; an archive that cannot be read is passed over, told, so that telling goes on."""
        while True:
            try:
                return reader.rows_after(seq, limit)
            except ArchiveFault as fault:
                self.damage.add("an archived part of the journal", f"up to row {fault.last_seq}")
                seq = fault.last_seq

    def _told(self, row: Row) -> Row:
        told = as_told(row)
        if told is not row:
            self.damage.add("a journal row, which does not fit its own hash", row.seq)
        return told

    async def tail_after(self, seq: int, limit: int) -> list[TailRecord]:
        """Tail records on disk after a number, in order, at most `limit`.

        Raises:
            StoreError: They cannot be read now.
        """
        return await self._reader.ask(lambda reader: reader.tail_after(seq, limit))

    async def tail_span(self) -> tuple[int, int]:
        """First and last number in the tail on disk; (0, 0) when it is empty.

        Raises:
            StoreError: It cannot be read now.
        """
        return await self._reader.ask(lambda reader: reader.tail_span())

    async def letters_after(self, number: int, limit: int) -> list[tuple[int, int, str, str]]:
        """Dead letters; see `Reader.letters_after`.

        Raises:
            StoreError: They cannot be read now.
        """
        return await self._reader.ask(lambda reader: reader.letters_after(number, limit))

    async def layout(self, layout: str) -> str | None:
        """The read plan kept under an id, as text."""
        return await self._reader.ask(lambda reader: reader.layout(layout))

    async def settings(self, digest: str) -> str | None:
        """The settings kept under a digest, as text."""
        return await self._reader.ask(lambda reader: reader.settings(digest))

    async def segments(self) -> list[tuple[str, int, int, bool]]:
        """Clock segments on disk, in order; see `Reader.segments`.

        Raises:
            StoreError: They cannot be read now.
        """
        return await self._reader.ask(lambda reader: reader.segments())

    # --- the end ------------------------------------------------------------------------------------------------------

    async def close(self) -> int:
        """Commit what waits, mark the stop as clean, release the lock.

        Returns:
            Journal rows that could not be brought to disk within `CLOSE_S`.
        """
        if self._closed:
            return 0
        self._closed = True
        await self._reader.close(CLOSE_S)
        ended = await asyncio.to_thread(self._writer.close, CLOSE_S)
        left, _ = self._writer.waiting()
        if ended:  # a writer that hangs still holds the file, and the lock until the process ends
            self._lock.close()
            self._home.close()
        return left


def _text(value: bytes | None) -> str:
    """A text column, cast to bytes: also where it is damaged."""
    return (value or b"").decode(errors="replace")
