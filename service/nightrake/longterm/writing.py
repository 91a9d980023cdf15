"""The one writer of history.db: a cut of sealed blocks, with all that is needed to read them, in one transaction.

What was sealed and what is still to be sealed are told apart by one number, which changes in the same transaction. So a
worker that is killed anywhere goes on where the file says, and nothing is there twice.
"""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import apsw

from nightrake.crashpoint import reach
from nightrake.domain.cleantext import clean
from nightrake.errors import StoreError
from nightrake.longterm.cut import Beside, Cut, Sealed
from nightrake.longterm.schema import migrate
from nightrake.longterm.sql import connect, fetch, is_full, rollback

FILE = "history.db"
LIFE = 2**48
COLUMNS = 2**24
"""A block's columns have the keys from its number times this on."""
PAGE_BYTES = 4096
LEFT_OUT = "could not be read any more, and was left out when the file was written anew"
"""In the table ``missing``: of a stretch of which some blocks are gone."""
PUT_SETTINGS = (
    "insert into settings values(?, ?, ?, ?) on conflict(digest) do update set built = excluded.built"
    " where built = '' and excluded.built <> ''"
)
LOG_LIMIT_BYTES = 32 * 1024 * 1024
"""While somebody's long reading holds the write-ahead log at this size nothing is sealed; the tail keeps it."""


class Writing:
    """Owns history.db.

    Args:
        state_dir: Folder of the store. now_utc_ms: For records. vfs: SQLite VFS, for tests of sick disks.

    Attributes:
        life: Of the input numbers, see `schema`. sealed: Inputs up to this number are in blocks.

    Raises:
        StoreError: Newer file, no history of ours, or the folder cannot be used.
        apsw.CorruptError, apsw.NotADBError: The file is damaged.
    """

    def __init__(self, state_dir: Path, now_utc_ms: int, vfs: str = "") -> None:
        self.path = state_dir / FILE
        self._log = state_dir / f"{FILE}-wal"
        self._names: dict[str, int] = {}
        try:
            self.db = connect(self.path, vfs)
            self._inode = _inode_of(self.path)
            try:
                migrate(self.db, str(self.path), now_utc_ms)
            except BaseException:
                self.db.close()
                raise
        except (apsw.CorruptError, apsw.NotADBError):
            raise
        except apsw.Error as error:
            if is_full(state_dir, error):
                raise StoreError(f"{self.path}: the disk is full; make room") from error
            raise StoreError(f"{self.path}: cannot be opened ({error}); check the disk and its permissions") from error
        self.life = self.sealed = 0

    def begin(
        self,
        epoch: str,
        first_free: int,
        now_utc_ms: int,
        site: str = "",
        is_strange: Callable[[str], bool] = lambda epoch: False,
    ) -> None:
        """Find where sealing goes on.

        Args:
            epoch: Id of the store's life. first_free: First input number of the watch that runs now. now_utc_ms: For
                records. site: Site id, "" = not known. is_strange: Whether an epoch is none of this store's.

        Raises:
            StoreError: It is the history of another site or store. apsw.Error: The disk does not take it.
        """
        meta = {str(k): v for k, v in fetch(self.db, "select key, value from meta")}
        self._check_own(meta, epoch, site, is_strange)
        if site and meta.get("site") != site:
            self.db.execute("insert or replace into meta values('site', ?)", (site,))
        self.life, self.sealed = int(meta.get("life", 0)), int(meta.get("sealed", 0))
        if meta.get("epoch") == epoch:
            return
        if "epoch" in meta and first_free <= self.sealed:
            # An older store was put back, or a new one was begun: numbers recur.
            self.life, self.sealed = self.life + 1, max(0, first_free - 1)
        self.db.execute("begin immediate")
        try:
            self.db.execute("insert or ignore into life values(?, ?, ?)", (self.life, epoch, now_utc_ms))
            self._put_meta(epoch=epoch)
            self.db.execute("commit")
        except BaseException:
            rollback(self.db)
            raise

    def _check_own(self, meta: dict[str, Any], epoch: str, site: str, is_strange: Callable[[str], bool]) -> None:
        """What was sealed elsewhere is not mixed with what is sealed here."""
        out = "move it out of the folder, and put the own one back if there is one; nothing is sealed until then"
        life, whose = str(meta.get("epoch", epoch)), str(meta.get("site", site))
        if life == epoch:
            return  # its own beyond doubt; where the site has another id now, it was renamed
        if site and whose != site:
            raise StoreError(f"{self.path}: is the history of the site '{clean(whose, 40)}', not of '{site}'; {out}")
        if is_strange(life):
            raise StoreError(f"{self.path}: is the history of another store (epoch {clean(life, 40)}); {out}")

    def _put_meta(self, **values: int | str) -> None:
        rows = {"life": self.life, "sealed": self.sealed} | values
        self.db.executemany("insert or replace into meta values(?, ?)", rows.items())

    def place(self, seq: int) -> int:
        """Place of an input of this life."""
        return self.life * LIFE + seq

    def digest_at(self, seq: int) -> str:
        """Settings in force at an input, as far as they are kept; "" = not known."""
        statement = "select digest from period where place <= ? order by place desc limit 1"
        found = fetch(self.db, statement, (self.place(seq),))
        return str(found[0][0]) if found else ""

    def newest_snapshot(self) -> int:
        """Input number of the newest snapshot kept of this life; -1 = none."""
        statement = "select max(place) from snapshot where place >= ?"
        found = fetch(self.db, statement, (self.place(0),))[0][0]
        return int(found) - self.place(0) if found is not None else -1

    def know(self, beside: Beside) -> None:
        """Keep what blocks rest on, in a transaction of its own; what is known already costs nothing.

        Raises:
            apsw.Error: The disk does not take it.
        """
        self.db.execute("begin immediate")
        try:
            put = self.db.executemany
            put("insert or ignore into layout values(?, ?)", beside.layouts.items())
            put(PUT_SETTINGS, beside.settings)
            put("insert or ignore into clock_segment values(?, ?, ?, ?)", beside.segments)
            put("insert or ignore into boot values(?, ?)", [(self.place(n), b) for n, b in beside.boots])
            self.db.execute("commit")
        except BaseException:
            rollback(self.db)
            raise

    def write(
        self, cut: Cut, now_utc_ms: int, summarise: Callable[[apsw.Connection, Sealed], None] | None = None
    ) -> None:
        """Keep a cut; from then on `sealed` is its last number.

        Args:
            cut: Follows what is sealed. now_utc_ms: For the record. summarise: Called with each block, within the
                transaction.

        Raises:
            apsw.Error: Nothing was written. StoreError: Nor here; the file has changed under our hands, so begin anew.
        """
        if cut.first_seq <= self.sealed:
            raise StoreError(f"{self.path}: input {cut.first_seq} is sealed already (up to {self.sealed})")
        self.db.execute("begin immediate")
        before = self.sealed
        try:
            self._check_alone()
            ends = (self.place(cut.last_seq), self.place(cut.first_seq), cut.records, cut.span_ms, now_utc_ms)
            self.db.execute("insert into cut values(?, ?, ?, ?, ?)", ends)
            for block in cut.blocks:
                self._put_block(self.place(cut.last_seq), block)
                reach("mid-seal")
                if summarise is not None:
                    summarise(self.db, block)
            reach("before-sealed")
            self._put_others(cut, now_utc_ms)
            self.sealed = cut.last_seq
            self._put_meta(sealed_utc_ms=now_utc_ms)
            reach("before-seal-commit")
            self.db.execute("commit")
        except BaseException:
            self.sealed = before
            self._names.clear()
            rollback(self.db)
            raise
        reach("after-seal-commit")

    def _check_alone(self) -> None:
        """The worker of a watch that was killed may have committed a last cut since this one began."""
        found = dict(fetch(self.db, "select key, value from meta where key in ('life', 'sealed')"))
        if (found.get("life"), found.get("sealed")) != (self.life, self.sealed):
            raise StoreError(f"{self.path}: another process has sealed meanwhile; what it did is looked at anew")

    def _put_others(self, cut: Cut, now_utc_ms: int) -> None:
        periods = [(self.place(seq), digest) for seq, digest in cut.periods]
        self.db.executemany("insert or replace into period values(?, ?)", periods)
        snapshots = [(self.place(s), utc, digest, zlib.compress(data, 6)) for s, utc, digest, data in cut.snapshots]
        self.db.executemany("insert or replace into snapshot values(?, ?, ?, ?)", snapshots)
        missing = [(self.place(a), self.place(b), now_utc_ms, why) for a, b, why in cut.missing]
        self.db.executemany("insert or replace into missing values(?, ?, ?, ?)", missing)

    def _put_block(self, cut: int, block: Sealed) -> None:
        packed = block.packed
        names = (packed.endpoint, packed.layout, block.boot_id, block.digest)
        size = len(packed.head) + sum(map(len, packed.columns.values()))
        values = (
            cut,
            *(self._name(text) for text in names),
            self.place(packed.first.seq),
            self.place(packed.last.seq),
            packed.first.mono_ns,
            packed.last.mono_ns,
            block.low_utc_ms,
            block.high_utc_ms,
            packed.count,
            size,
            packed.head,
            digest_of(packed.head, packed.columns),
        )
        marks = ", ".join("?" * len(values))
        self.db.execute(f"insert into block values(null, {marks})", values)
        key = self.db.last_insert_rowid() * COLUMNS
        columns = [(key + number, data) for number, data in sorted(packed.columns.items())]
        self.db.executemany("insert into column_data values(?, ?)", columns)

    def _name(self, text: str) -> int:
        number = self._names.get(text)
        if number is None:
            found = fetch(self.db, "select id from name where text = ?", (text,))
            if not found:
                self.db.execute("insert into name values(null, ?)", (text,))
                found = [(self.db.last_insert_rowid(),)]
            number = self._names[text] = int(found[0][0])
        return number

    # --- its place in the folder --------------------------------------------------------------------------------------

    def is_left(self) -> bool:
        """Whether the file that is open here is no longer the one at its path: it was removed, or another put there."""
        return _inode_of(self.path) != self._inode

    # --- the log ------------------------------------------------------------------------------------------------------

    def log_fits(self) -> bool:
        """Whether the write-ahead log may take another cut; folds it back into the file first.

        Raises:
            apsw.Error: The disk fails.
        """
        reach("before-history-checkpoint")
        in_log, folded = self.db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_PASSIVE)
        return folded >= in_log or in_log * PAGE_BYTES < LOG_LIMIT_BYTES

    def log_bytes(self) -> int:
        """Size of the write-ahead log."""
        return self._log.stat().st_size if self._log.exists() else 0

    def close(self) -> None:
        """Close the file."""
        self.db.close()


def _inode_of(path: Path) -> tuple[int, int]:
    try:
        found = path.stat()
    except OSError:
        return 0, 0
    return found.st_dev, found.st_ino


def digest_of(head: bytes, columns: dict[int, bytes]) -> bytes:
    """SHA-256 over a block: its head, then number, length and bytes of each column, by number."""
    whole = hashlib.sha256(head)
    for number, data in sorted(columns.items()):
        whole.update(f"|{number}|{len(data)}|".encode())
        whole.update(data)
    return whole.digest()
