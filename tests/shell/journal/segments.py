"""A store with archived segments for tests: small segments, dropped on demand, and how to look at all of it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import apsw
import pytest

from nightrake.domain.rows import Row
from nightrake.journal import archivewrite, archivist
from nightrake.journal.archive import FOLDER, SUFFIX, Kept
from nightrake.journal.archivist import Archive
from nightrake.journal.batch import INSERT_ROW
from nightrake.journal.opening import connect
from nightrake.journal.reader import Reader, read_all
from nightrake.journal.schema import migrate
from nightrake.journal.search import Search
from shell.journal.makers import UTC_MS, Chain

ROWS = 20


def small_segments(patch: pytest.MonkeyPatch, rows: int = ROWS) -> None:
    """Segments of a few rows, looked for at once, worked on in crumbs."""
    for module, name, value in (
        (archivewrite, "ROWS", rows),
        (archivewrite, "SLICE", 7),
        (archivist, "ROWS", rows),
        (archivist, "DELETED_AT_ONCE", 6),
        (archivist, "LOOK_S", 0.0),
    ):
        patch.setattr(module, name, value)


class Shelf:
    """A store's file and its archive, without the writer's thread.

    Args:
        folder: Of the store.
    """

    def __init__(self, folder: Path, most_bytes: int = 0) -> None:
        self.folder, self.path = folder, folder / "store.db"
        self.db: apsw.Connection = connect(self.path, 64, "")
        migrate(self.db, str(self.path), UTC_MS)
        self.archive = Archive(folder, most_bytes)
        self.chain = Chain()
        self.rows: list[Row] = []

    def add(self, rows: Sequence[Row]) -> None:
        """Keep rows."""
        self.db.executemany(INSERT_ROW, rows)
        self.rows += rows

    def add_some(self, count: int) -> None:
        """Keep the next rows of a chain, each a second after the one before."""
        self.add([self.chain.row(utc_ms=UTC_MS + 1000 * self.chain.seq, number=self.chain.seq) for _ in range(count)])

    def write(self) -> None:
        """Bring every closed segment into a file."""
        for _ in self.archive._run(self.db):
            pass

    def drop(self, *, at_any_rate: bool = False) -> int:
        """Delete what may be deleted; gives how many rows."""
        count = 0
        while deleted := self.archive.drop(self.db, at_any_rate=at_any_rate):
            count += deleted
        return count

    def cursor(self, name: str, seq: int, extra: str = "") -> None:
        """Where a destination has got to."""
        self.db.execute("insert or replace into cursor values(?, 'e1', ?, ?)", (name, seq, extra))

    @property
    def left(self) -> list[int]:
        """Numbers of the rows that the store has."""
        return [seq for (seq,) in self.db.execute("select seq from journal order by seq")]

    @property
    def files(self) -> list[Path]:
        """Files of the archive, in order."""
        return sorted((self.folder / FOLDER).glob(f"*{SUFFIX}"))

    def archives(self) -> list[Kept]:
        """Their records."""
        search = Search(self.path)
        try:
            return search.archives()
        finally:
            search.close()

    def searched(self, *, newest_first: bool = False) -> list[Row]:
        """All rows, as the commands see them."""
        search = Search(self.path)
        try:
            return list(search.raw(newest_first=newest_first))
        finally:
            search.close()

    def read(self) -> list[Row]:
        """All rows, as whoever tells them gets them."""
        reader = Reader(self.path)
        try:
            return list(read_all(lambda after, _: reader.rows_after(after, 3), lambda row: row.seq))
        finally:
            reader.close()

    def close(self) -> None:
        """Close the store."""
        self.db.close()
