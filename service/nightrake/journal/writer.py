"""The one thread that writes: commits what waits, checkpoints, makes room, and outlives a sick disk.

inbox -> batch -> commit -> told durable -> checkpoint, trim
                    |
                    +-- no room: give up ballast and oldest tail, try again, then without the tail, at last without
                    |            the rows: states have a part of the quota to themselves
                    +-- no room for the file itself: begun when there is some, see `memory`
                    +-- file deleted or cut: written anew from what is still open, see `home`, `salvage`
                    +-- any other error: the batch stays in memory, tried again every second
"""

from __future__ import annotations

import contextlib
import threading
import time
from pathlib import Path
from typing import Any

import apsw

from nightrake.crashpoint import reach
from nightrake.domain.rows import TailRecord
from nightrake.errors import StoreError
from nightrake.journal.archivist import Archive
from nightrake.journal.batch import INSERT_META, TAIL_SLICE, Batch, Inbox, rollback
from nightrake.journal.home import UNBEGUN, Home
from nightrake.journal.news import News
from nightrake.journal.opening import INDEX_BYTES, Opened, check
from nightrake.journal.quota import Quota, words_of
from nightrake.journal.room import LITTLE_BYTES, Room
from nightrake.journal.salvage import Salvage
from nightrake.journal.sql import fetch
from nightrake.journal.stats import Counts

TAIL_PERIOD_S = 0.5
"""Tail records alone are committed this often: each commit writes whole pages, which wears out the flash of a small
machine. Rows never wait for it, and take the records before them along; a crash loses this much of what was read."""
SLICES_AT_ONCE = 30
"""More than the longest tail that may wait."""
RETRY_S = 1.0
"""Back-off of a disk that fails."""
HOUSE_PERIOD_S = 1.0
HOUSE_BUDGET_S = 0.05
"""Longest time spent trimming at once, so that a row never waits longer behind it."""
ARCHIVE_BUDGET_S = 0.02
"""Likewise for archiving; a segment takes some seconds so, and nobody waits for it."""
CHECKPOINT_PAGES = 1000
"""The log is folded back into the file when it has grown to this, 4 MiB."""
LOOK_S = 2.0
"""For looking through a file that is shorter than before: as far as that goes in the time."""
HOME_RETRY_S = 10.0
"""Copying a large store takes a while; a disk that is full is not to be filled again and again."""
GONE = "the store's file was deleted while the watch ran"
CUT = "the store was damaged while the watch ran"
LOG_LIMIT_BYTES = 64 * 1024 * 1024
"""A log that somebody's long reading holds at this size takes events only, no scans."""
NEARLY_FULL = "disk nearly full: the oldest scans are given up before their time; make room"


class Writer:
    """Owns the writing connection from `start` on.

    Args:
        path: The store's file. opened: From `open_store`. inbox: Where work comes from. home, room: Its keepers.
        news: Who hears of it. log_limit_bytes: See `LOG_LIMIT_BYTES`.
    """

    def __init__(
        self,
        path: Path,
        opened: Opened,
        inbox: Inbox,
        home: Home,
        room: Room,
        news: News,
        log_limit_bytes: int = LOG_LIMIT_BYTES,
    ) -> None:
        self.counts = Counts()
        self.up, self.detail = True, ""
        self._low = ""
        self.clean = False
        """Whether the last commit went through and the stop is marked as clean."""
        self._db = opened.db
        self._path = path
        self._log = path.with_name(f"{path.name}-wal")
        self._inbox, self._home, self._room, self._news = inbox, home, room, news
        self._quota = Quota(opened.db)
        self._numbers = (opened.rows, opened.inputs)
        self._first_meta = dict(opened.first_meta)
        self._meta = dict(opened.meta)
        self._log_limit_bytes = log_limit_bytes
        self._log_pages = 0
        self._batch = Batch()
        self._newest: TailRecord | None = None
        self._away = False
        self._next_home_s = self._next_house_s = self._next_room_s = self._next_checkpoint_s = self._next_tail_s = 0.0
        self._thread = threading.Thread(target=self._run, name="store-writer", daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self._db.set_wal_hook(self._on_log)  # also ends SQLite's own checkpoints, which make the commit wait
        self._thread.start()

    def close(self, timeout_s: float) -> bool:
        """Commit what waits and end; False when that did not come in time (a hung disk)."""
        self._inbox.closing.set()
        self._inbox.wake.set()
        if self._thread.ident is None:
            self.start()
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    @property
    def archive(self) -> Archive:
        """Where closed segments of the journal go."""
        return self._room.archive

    def waiting(self) -> tuple[int, int]:
        """Journal rows and tail records that are not on disk."""
        rows, tail = self._inbox.waiting()
        return rows + len(self._batch.rows), tail + len(self._batch.tail)

    # --- the thread ---------------------------------------------------------------------------------------------------

    def _run(self) -> None:
        inbox = self._inbox
        while True:
            inbox.wake.wait(TAIL_PERIOD_S)
            inbox.wake.clear()
            closing = inbox.closing.is_set()
            self._take(inbox.take())
            if closing:
                self._next_home_s = 0.0  # closing is the last moment to notice
            ok = self._at_home() and self._keep()
            if closing:
                self._finish(ok)
                return
            self._keep_house()
            if not ok:
                inbox.closing.wait(RETRY_S)  # new rows must not hammer a disk that is away

    def _take(self, newer: Batch) -> None:
        if newer.tail:
            self._newest = newer.tail[-1]
        self._room.note(newer)
        batch = self._batch
        batch.put_behind(newer)
        for numbers, highest in zip(self._numbers, (batch.high_seq, batch.high_input), strict=True):
            numbers.use(highest)
        self.counts.lost_tail += batch.lost_tail
        batch.lost_tail = 0
        for first, last in batch.lost_rows:
            self.counts.lost_rows += last - first + 1
            self._news.lost(first, last)
        batch.lost_rows.clear()

    def _keep(self) -> bool:
        """Commit what waits; False when the disk would not take events."""
        batch = self._batch
        for _ in range(SLICES_AT_ONCE):
            if batch and self._home.is_cut(self._log_pages):
                self._next_home_s = 0.0
                return False  # a commit would hide it
            tail_may = time.monotonic() >= self._next_tail_s and self._log_fits()
            if not batch.has_events() and not (batch.tail and tail_may):
                return True
            error = self._commit(tail_may)
            if isinstance(error, apsw.FullError):
                self._make_room()
                error = self._commit(tail_may)
            if isinstance(error, apsw.FullError) and batch.tail and tail_may:
                # A disk too full for the scans may have room for the events.
                self._next_tail_s = time.monotonic() + RETRY_S
                self._set_health(False, self._words(error))
                error, tail_may = self._commit(False) if batch.has_events() else None, False
            if error is not None:
                if isinstance(error, apsw.FullError):
                    self._commit_states()
                self._set_health(False, self._words(error))
                return False
            if tail_may:
                self._set_health(not self._low, self._low)
            self._take(self._inbox.take())  # what came meanwhile need not wait for the rest of a long tail
        return True

    def _commit(self, tail_may: bool) -> apsw.Error | None:
        batch, counts = self._batch, self.counts
        tail_count = min(len(batch.tail), TAIL_SLICE) if tail_may else 0
        meta = self._due()
        begin_s = time.perf_counter()
        try:
            batch.write(self._db, meta, tail_count)
        except apsw.Error as error:
            counts.errors += 1
            self._look_for_damage(error)
            return error
        counts.commit_ms.append((time.perf_counter() - begin_s) * 1e3)
        counts.commits += 1
        counts.rows += len(batch.rows)
        counts.tail_rows += tail_count
        self._committed(meta)
        last_seq = batch.rows[-1].seq if batch.rows else 0
        batch.clear(tail_count)
        if last_seq:
            self._news.durable(last_seq)
        return None

    def _look_for_damage(self, error: Exception) -> None:
        if isinstance(error, (apsw.CorruptError, apsw.NotADBError)):
            self._home.damaged(f"{error}")
            self._next_home_s = 0.0

    def _commit_states(self) -> None:
        """What a restart must find, above all latches, without the rows that there is no room for."""
        batch = self._batch
        if not batch.states and not batch.cursors:
            return
        meta = self._due()
        try:
            with self._quota.to_the_last():
                batch.write_states(self._db, meta)
        except apsw.Error:
            self.counts.errors += 1
            return
        self._committed(meta)

    def _due(self) -> dict[str, Any]:
        return self._first_meta | {k: v for numbers in self._numbers for k, v in numbers.due().items()}

    def _committed(self, meta: dict[str, Any]) -> None:
        for numbers in self._numbers:
            numbers.committed(meta)
        self._first_meta = {}

    def _finish(self, ok: bool) -> None:
        """Give unused numbers back and close; closing folds the log into the file."""
        reach("before-close")
        db = self._db
        try:
            if ok:
                given_back = {k: v for numbers in self._numbers for k, v in numbers.given_back().items()}
                db.execute("begin immediate")
                db.executemany(INSERT_META, ({"clean": 1} | given_back).items())
                db.execute("commit")
                self.clean = True
        except apsw.Error:
            rollback(db)
        if self._home.beside is not None and not self._home.add_beside(self._batch):
            self.counts.errors += 1
        with contextlib.suppress(apsw.Error):
            db.close()

    # --- the file itself ----------------------------------------------------------------------------------------------

    def _at_home(self) -> bool:
        """Look once a second whether the file is where it was; one that was deleted is written anew."""
        now_s = time.monotonic()
        if now_s < self._next_home_s:
            return not self._away
        self._next_home_s = now_s + HOUSE_PERIOD_S
        cut = self._home.is_cut(self._log_pages)
        if not cut and not self._home.is_left():
            self._away = False
            return True
        self._away, unbegun = True, self._home.unbegun
        try:
            words = self._salvage(cut) if cut else self._begin() if unbegun else self._put_back()
        except (StoreError, OSError, apsw.Error) as error:
            self.counts.errors += 1
            self._next_home_s = now_s + (HOUSE_PERIOD_S if unbegun else HOME_RETRY_S)
            words = UNBEGUN if unbegun else f"{CUT}: {cut}" if cut else GONE
            self._set_health(False, f"{error}" if isinstance(error, StoreError) else f"{self._path}: {words} ({error})")
            return False
        self._away = False
        self._settle()
        self._set_health(False, words)
        self._set_health(not self._low, self._low)
        return True

    def _settle(self) -> None:
        self._quota = Quota(self._db)
        self._db.set_wal_hook(self._on_log)
        self._log_pages = 0

    def _share(self) -> None:
        """Let others read again, as soon as the disk has room for that."""
        if self._room.free_bytes() >= 2 * INDEX_BYTES:
            self._db = self._home.shared(self._db)
            self._settle()

    def _begin(self) -> str:
        meta = self._due()
        self._db = self._home.begin(self._db, meta)
        self._committed(meta)
        self._news.anew()  # what only the running watch knows is handed over again
        return f"{self._path}: was kept in memory, and is in its file now"

    def _put_back(self) -> str:
        self._db = self._home.put_back(self._db)
        return f"{self._path}: {GONE}; it was written anew from what was open"

    def _salvage(self, cut: str) -> str:
        """What nobody can read any more is told as lost; the states are handed over anew by who knows them."""
        home, meta = self._home, {k: v for numbers in self._numbers for k, v in numbers.anew().items()}
        newest_input = self._newest.seq if self._newest else 0
        salvage = Salvage(self._path, home.quota_mb, home.vfs, self._news.durable_seq, newest_input)
        saved = salvage.save(self._db, self._meta | meta)
        self._db = home.moved_in(saved.db)
        self._committed(meta)
        for first, last in saved.lost:
            self.counts.lost_rows += last - first + 1
            self._news.lost(first, last)
        self._news.anew()
        return f"{self._path}: {CUT}: {cut}; what could be read was written anew, the rest is in {saved.aside}"

    # --- keeping house ------------------------------------------------------------------------------------------------

    def _keep_house(self) -> None:
        now_s = time.monotonic()
        if self._away or self._home.is_cut(self._log_pages):
            return  # a checkpoint would hide it
        try:
            if self._log_pages >= CHECKPOINT_PAGES and now_s >= self._next_checkpoint_s:
                self._checkpoint(now_s)
            if now_s >= self._next_house_s:
                self._next_house_s = now_s + HOUSE_PERIOD_S
                if self._home.alone:
                    self._share()
                self._look_after_disk(now_s + HOUSE_BUDGET_S)
        except (apsw.Error, OSError) as error:
            # Nothing that was told is in danger; the next commit says whether the disk takes events.
            self.counts.errors += 1
            self._look_for_damage(error)
            if isinstance(error, apsw.FullError):
                self._make_room()
        if self._home.remember():
            self._look_through()

    def _look_through(self) -> None:
        """The file is shorter, or takes less of the disk: is all of it still there?"""
        try:
            self._db.execute("pragma shrink_memory")  # what is cached would hide it
            check(self._db, LOOK_S)
        except apsw.Error as error:
            self.counts.errors += 1
            self._look_for_damage(error)

    def _checkpoint(self, now_s: float) -> None:
        reach("before-checkpoint")
        in_log, folded = self._db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_PASSIVE)
        if folded < in_log:  # a reader stands in the way
            self._next_checkpoint_s = now_s + HOUSE_PERIOD_S
        else:
            self._log_pages = 0
            if self._home.folded(int(fetch(self._db, "pragma page_count")[0][0])):
                self._look_through()

    def _look_after_disk(self, until_s: float) -> None:
        self.counts.db_bytes = self._path.stat().st_size
        self.counts.log_bytes = self._log.stat().st_size if self._log.exists() else 0
        self._room.lay_ballast()
        more = True
        while more and time.monotonic() < until_s:
            deleted, more = self._room.trim(self._db, self._newest)
            self.counts.trimmed += deleted
        self._low = NEARLY_FULL if self._room.nearly_full() else ""
        if not self._low:
            self.archive.go_on(self._db, time.monotonic() + ARCHIVE_BUDGET_S)
        while self.archive.given_up:
            self._news.given_up(*self.archive.given_up.pop(0))
        if self.detail in ("", NEARLY_FULL):  # anything worse is for the next commit to judge
            self._set_health(not self._low, self._low)

    def _make_room(self) -> None:
        if time.monotonic() >= self._next_room_s:
            self._next_room_s = time.monotonic() + RETRY_S
            self._room.make_room(self._db)

    def _on_log(self, _db: apsw.Connection, _name: str, pages: int) -> int:
        self._log_pages = pages
        return apsw.SQLITE_OK

    def _log_fits(self) -> bool:
        """Whether the log may take scans; only a reader that never ends can make it grow this far."""
        if self._log_pages * 4096 < self._log_limit_bytes:
            return True
        detail = f"a reader keeps the write-ahead log at {self._log_pages // 256} MiB: no scans are kept until it ends"
        self._set_health(False, detail)
        return False

    def _set_health(self, up: bool, detail: str) -> None:
        changed, self.up, self.detail = up != self.up, up, detail
        if changed:
            self._news.health(up, detail)

    def _words(self, error: apsw.Error) -> str:
        with contextlib.suppress(OSError):
            return words_of(error, self._quota.mb, self._room.free_bytes() < LITTLE_BYTES)
        return words_of(error, self._quota.mb, True)
