"""history.db as it is read: blocks and what they rest on, in short transactions, beside the worker that writes it."""

from __future__ import annotations

import time
import zlib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import apsw

from nightrake.errors import StoreError
from nightrake.history.unpack import Unpacked
from nightrake.longterm.schema import MIGRATIONS, schema_number
from nightrake.longterm.sql import SLOW, Slow, fetch
from nightrake.longterm.writing import COLUMNS, FILE, LEFT_OUT, digest_of

QUERY_S, STEPS = 2.0, 20_000
"""Longest reading transaction, and after how many of SQLite's steps it is looked."""
HIGHEST = 2**62
"""No place is higher."""
AT_ONCE = 200
"""Blocks listed in one answer."""
_BLOCK = (
    "select id, endpoint, layout, boot, digest, first_place, last_place, low_utc_ms, high_utc_ms, records, head"
    " from block"
)


class Damaged(StoreError):
    """A place in the file is damaged; others may be read."""


class BlockRow(NamedTuple):
    """One block as it is listed.

    Attributes:
        id: Its number. endpoint, layout, boot_id, digest: PLC, read plan, start of the machine, settings in force.
        first_place, last_place: Places of its ends (`schema`). low_utc_ms, high_utc_ms: Earliest and latest stamp.
        records: How many. head: See `Packed`.
    """

    id: int
    endpoint: str
    layout: str
    boot_id: str
    digest: str
    first_place: int
    last_place: int
    low_utc_ms: int
    high_utc_ms: int
    records: int
    head: bytes


class Blocks:
    """A read-only connection, used by one thread at a time.

    Args:
        state_dir: Folder of the store.

    Raises:
        StoreError: There is no readable history, or its schema is another program's. Damaged: See there.
    """

    def __init__(self, state_dir: Path) -> None:
        path = state_dir / FILE
        try:
            db = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)
        except apsw.Error as error:
            raise StoreError(f"{path}: no readable history ({error}); check the folder") from error
        self.path, self._db = path, db
        self._deadline_s = 0.0
        self._names: dict[int, str] = {}
        try:
            self._db.set_busy_timeout(int(QUERY_S * 1000))
            self._db.set_progress_handler(lambda: time.monotonic() > self._deadline_s, STEPS)
            found = self._guarded(lambda: schema_number(self._db))
            if found > len(MIGRATIONS):
                raise StoreError(
                    f"{self.path}: has history schema {found}, this program reads up to {len(MIGRATIONS)}; use the "
                    "program that the watch runs"
                )
            self.ready = found == len(MIGRATIONS)
            """Whether the worker has made all tables."""
        except BaseException:
            self._db.close()
            raise

    def _guarded(self, act: Callable[[], Any]) -> Any:
        self._deadline_s = time.monotonic() + QUERY_S
        try:
            return act()
        except SLOW as error:
            raise Slow(f"{self.path}: no answer within {QUERY_S:g} s; ask for less at a time") from error
        except (apsw.CorruptError, apsw.NotADBError, UnicodeDecodeError) as error:
            raise Damaged(f"{self.path}: is damaged ({error})") from error
        except apsw.Error as error:
            raise StoreError(f"{self.path}: cannot be read ({error})") from error

    def ask(self, statement: str, *bindings: Any) -> list[tuple[Any, ...]]:
        """All rows of a statement.

        Raises:
            StoreError: It cannot be read, or takes too long.
        """
        rows: list[tuple[Any, ...]] = self._guarded(lambda: fetch(self._db, statement, bindings))
        return rows

    def name(self, number: int) -> str:
        """What a small number stands for."""
        if number not in self._names:
            self._names |= {int(i): str(text) for i, text in self.ask("select id, text from name")}
        return self._names.get(number, "")

    def number(self, text: str) -> int:
        """The small number of an endpoint, layout, boot or digest; -1 = none."""
        found = self.ask("select id from name where text = ?", text)
        return int(found[0][0]) if found else -1

    # --- where things stand -------------------------------------------------------------------------------------------

    def sealed(self) -> tuple[int, int]:
        """The present life, and up to which input of it is sealed."""
        meta = dict(self.ask("select key, value from meta where key in ('life', 'sealed')"))
        return int(meta.get("life", 0)), int(meta.get("sealed", 0))

    def span_ms(self) -> tuple[int, int] | None:
        """Earliest and latest stamp in any block; None = there is none."""
        low, high = self.ask("select min(low_utc_ms), max(high_utc_ms) from block")[0]
        return None if low is None else (int(low), int(high))

    # --- blocks -------------------------------------------------------------------------------------------------------

    def listed(
        self, endpoints: Sequence[str], after: int, from_utc_ms: int, to_utc_ms: int, until: int = HIGHEST
    ) -> list[BlockRow]:
        """Blocks of some PLCs in a time, in order, at most `AT_ONCE`.

        Args:
            endpoints: Their ids. after: Place after which blocks begin. from_utc_ms, to_utc_ms: They touch this time.
            until: Place before or at which they begin.
        """
        numbers = [self.number(endpoint) for endpoint in endpoints]
        marks = ", ".join("?" * len(numbers))
        where = (
            f"where endpoint in ({marks}) and first_place > ? and first_place <= ? and high_utc_ms >= ?"
            f" and low_utc_ms <= ? order by first_place limit {AT_ONCE}"
        )
        rows = self.ask(f"{_BLOCK} {where}", *numbers, after, until, from_utc_ms, to_utc_ms)
        return [self._row(v) for v in rows]

    def cut_after(self, place: int) -> tuple[int, int] | None:
        """First and last place of the cut that holds what comes after a place; None = nothing does."""
        statement = "select first_place, last_place from cut where last_place > ? order by last_place limit 1"
        found = self.ask(statement, place)
        return (int(found[0][0]), int(found[0][1])) if found else None

    def in_cut(self, last_place: int) -> list[BlockRow]:
        """All blocks of a cut, by the place of its end."""
        return [self._row(v) for v in self.ask(f"{_BLOCK} where cut = ? order by first_place", last_place)]

    def _row(self, values: tuple[Any, ...]) -> BlockRow:
        number, *names = values[:5]
        endpoint, layout, boot_id, digest = (self.name(int(n)) for n in names)
        return BlockRow(number, endpoint, layout, boot_id, digest, *values[5:])

    def open(self, row: BlockRow) -> Unpacked:
        """A listed block, its columns read when they are needed.

        Raises:
            ColumnFault: Its head is damaged.
        """

        def column(number: int) -> bytes | None:
            found = self.ask("select data from column_data where id = ?", row.id * COLUMNS + number)
            return found[0][0] if found and type(found[0][0]) is bytes else None

        return Unpacked(row.head, column, row.boot_id)

    def left_out(self, first_place: int, last_place: int) -> bool:
        """Whether something between two places, both included, was damaged and left out, see `rescuing`."""
        statement = "select 1 from missing where first_place <= ?2 and last_place >= ?1 and why = ?3 limit 1"
        return bool(self.ask(statement, first_place, last_place, LEFT_OUT))

    def is_there(self, row: BlockRow) -> bool:
        """Whether a listed block has not been given up meanwhile."""
        return bool(self.ask("select 1 from block where id = ?", row.id))

    def is_whole(self, row: BlockRow) -> bool:
        """Whether a block is what was written, by its own hash."""
        begin = row.id * COLUMNS
        found = self.ask("select id - ?1, data from column_data where id >= ?1 and id < ?2", begin, begin + COLUMNS)
        kept = self.ask("select sha256 from block where id = ?", row.id)
        return bool(kept) and digest_of(row.head, dict(found)) == kept[0][0]

    # --- what they rest on --------------------------------------------------------------------------------------------

    def layout(self, layout: str) -> str | None:
        """The read plan kept under an id."""
        found = self.ask("select content from layout where layout = ?", layout)
        return str(found[0][0]) if found else None

    def built(self, digest: str) -> str:
        """What was built of the settings of a digest, see `keptsettings`; "" = not kept."""
        found = self.ask("select built from settings where digest = ?", digest)
        return str(found[0][0]) if found else ""

    def digests(self) -> list[str]:
        """Of all settings kept, in order of time."""
        return [str(v[0]) for v in self.ask("select digest from settings order by utc_ms, digest")]

    def digest_at(self, place: int) -> str:
        """Settings in force at a place; those of the first record where nothing is known of it; "" = nothing is."""
        found = self.ask("select digest from period where place <= ? order by place desc limit 1", place)
        found = found or self.ask("select digest from period order by place limit 1")
        return str(found[0][0]) if found else ""

    def snapshots(self, first: int, last: int) -> list[tuple[int, int]]:
        """Snapshots between two places: (place, UTC ms)."""
        statement = "select place, utc_ms from snapshot where place between ? and ? order by place"
        return [(int(v[0]), int(v[1])) for v in self.ask(statement, first, last)]

    def snapshot_before(self, first: int, place: int) -> tuple[int, int, bytes] | None:
        """The latest snapshot at or before a place, but not before `first`: (place, UTC ms, payload)."""
        statement = (
            "select place, utc_ms, payload from snapshot where place between ? and ? order by place desc limit 1"
        )
        found = self.ask(statement, first, place)
        return (int(found[0][0]), int(found[0][1]), zlib.decompress(found[0][2])) if found else None

    def boots(self, first: int) -> list[tuple[int, str]]:
        """Starts of the machine from a place on: (input number after it, boot id)."""
        statement = "select place - ?1, boot_id from boot where place >= ?1 order by place"
        return [(int(v[0]), str(v[1])) for v in self.ask(statement, first)]

    def segments(self) -> list[tuple[str, int, int, bool]]:
        """Clock segments: (boot id, start mono ns, start UTC ms, trusted)."""
        statement = "select boot_id, start_mono_ns, start_utc_ms, trusted from clock_segment order by boot_id, 2"
        return [(str(v[0]), int(v[1]), int(v[2]), bool(v[3])) for v in self.ask(statement)]

    def close(self) -> None:
        """Close the connection."""
        self._db.close()
