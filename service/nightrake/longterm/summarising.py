"""What was sealed -> summaries: each hour is built from all of its blocks, whenever they came.

Sealing marks the hours of a PLC as due, in the transaction of its cut. Building reads them back, so that late records,
a restart in the middle and a recomputation go the same way and give the same rows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import apsw

from nightrake.crashpoint import reach
from nightrake.history.rowcolumns import RowFault
from nightrake.history.rows import DAY_MS, HOUR_MS, Grain
from nightrake.history.summaries import Hour
from nightrake.longterm.blocks import Blocks, Damaged
from nightrake.longterm.cut import Sealed
from nightrake.longterm.hourbuilding import HourBuilder
from nightrake.longterm.sql import fetch, rollback
from nightrake.longterm.summaries import SummaryWriting


def mark(db: apsw.Connection, sealed: Sealed) -> None:
    """Remember what a sealed block makes due; called within the transaction that writes it (see `Writing.write`)."""
    if not sealed.packed.endpoint:
        return
    endpoint = int(fetch(db, "select id from name where text = ?", (sealed.packed.endpoint,))[0][0])
    next_hour_ms = (sealed.high_utc_ms // HOUR_MS + 1) * HOUR_MS
    # What was read last holds into the next hour: one that was built already is built again.
    statement = "select 1 from block where endpoint = ? and low_utc_ms < ? and high_utc_ms >= ? limit 1"
    late = fetch(db, statement, (endpoint, next_hour_ms + HOUR_MS, next_hour_ms))
    SummaryWriting(db).mark_due(endpoint, sealed.low_utc_ms, next_hour_ms if late else sealed.high_utc_ms)


class Summarising:
    """Builds hours that are due.

    Args:
        db: The writing connection, with no transaction open. blocks: The same file, open for reading.
        on_damage: Told of each block that cannot be read, once an hour; the hour is built without it. on_lack: See
            `HourBuilder`.
    """

    def __init__(
        self,
        db: apsw.Connection,
        blocks: Blocks,
        on_damage: Callable[[str], object] = lambda sentence: None,
        on_lack: Callable[[str], object] | None = None,
    ) -> None:
        self._db, self._blocks = db, blocks
        self._on_damage = on_damage
        self._writing = SummaryWriting(db, on_damage)
        self._builder = HourBuilder(blocks, on_damage, on_lack)

    def work(self) -> int:
        """Build the oldest hour that is due, in one transaction, and close days that are over.

        Returns:
            Drives built; 0 = nothing is due.

        Raises:
            apsw.Error: The disk does not take it; it stays due. StoreError: The file cannot be read.
        """
        due = self._writing.due()
        if due is None:
            return 0
        hour, numbers = due
        made = self._built(hour, numbers)
        reach("before-summary")
        try:
            self._in_transaction(lambda: self._put(hour, numbers, made))
        except apsw.CorruptError as error:
            self._on_damage(f"{self._blocks.path}: an hour's summaries cannot be kept, for a page is damaged ({error})")
            self._in_transaction(lambda: self._put(hour, numbers, ()))
        reach("after-summary")
        self._close_days()
        return max(1, len(made))

    def _built(self, hour: int, numbers: Sequence[int]) -> list[tuple[str, Hour]]:
        """The hour of every drive that drew on these PLCs; what cannot be read at all is left out, and told."""
        made: list[tuple[str, Hour]] = []
        try:
            for drive in self._builder.drives_of({self._blocks.name(n) for n in numbers}, hour):
                made.append((drive, self._builder.hour_of(drive, hour)))  # noqa: PERF401 (what is made so far is kept)
        except Damaged as error:
            self._on_damage(f"{error}; summaries of an hour are missing")
        return made

    def _close_days(self) -> None:
        newest = self._blocks.span_ms()
        if newest is not None:
            while self._in_transaction(lambda: self._writing.close_days((newest[1] - HOUR_MS) // DAY_MS)):
                reach("after-day-closed")

    def retain(self, minute_days: float, hour_days: float) -> int:
        """Delete old minutes and hours, a bounded number at a time; days stay.

        Args:
            minute_days, hour_days: Days of each drive that are kept.

        Returns:
            Days deleted; 0 = nothing is left to do.

        Raises:
            apsw.Error: The disk does not take it.
        """
        return self._in_transaction(
            lambda: (
                self._writing.keep_newest(Grain.MINUTE, max(1, round(minute_days)))
                + self._writing.keep_newest(Grain.HOUR, max(1, round(hour_days)))
            )
        )

    def _put(self, hour: int, numbers: Iterable[int], made: Sequence[tuple[str, Hour]]) -> int:
        for drive, rows in made:
            try:
                # Where retention has taken some of an hour's blocks already, what was made of all of them stays.
                if rows.hour["drive.covered_ns"][0] >= self._writing.covered_ns(drive, hour):
                    self._writing.put_hour(drive, hour, rows)
            except RowFault as error:
                self._on_damage(f"summaries of {drive} are damaged ({error}): an hour could not be put into its day")
        self._writing.done(hour, numbers)
        return len(made)

    def _in_transaction(self, act: Callable[[], int]) -> int:
        self._db.execute("begin immediate")
        try:
            done = act()
            reach("mid-summary")
            self._db.execute("commit")
        except BaseException:
            rollback(self._db)
            raise
        return done
