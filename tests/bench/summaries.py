"""One year of minute summaries of one drive: history's day columns beside plain rows of SQLite, in one run.

    python tests/bench/summaries.py

Both hold the same minutes (torque of a 4-20 mA transducer read in twelve bits with a count of noise under a load that
wanders), and both give lowest, mean and highest torque and the number of readings as arrays. The rows are what one
would write: (drive, minute, n, lowest, mean, highest), primary key (drive, minute), ten drives in the table.
"""

from __future__ import annotations

import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np

from nightrake.domain.site import (
    CalibrationCurve,
    Direction,
    PointSpec,
    PositionSignal,
    PositionSpec,
    ValueType,
)
from nightrake.domain.site import (
    Table as PlcTable,
)
from nightrake.history.basis import FORWARD, Basis
from nightrake.history.histogram import histogram
from nightrake.history.kept import HourBytes
from nightrake.history.rows import DAY_MS, Grain, Table, blank, columns_of
from nightrake.history.summaries import RUNNING, Entry
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.summaries import SummaryWriting
from nightrake.longterm.summaryreading import SummaryReading
from nightrake.longterm.writing import Writing

YEAR_DAYS = 365
FIRST_DAY = 20_454  # 2026-01-01
COLUMNS = [f"forward.all.{name}" for name in ("n", "min_nm", "mean_nm", "max_nm")]
DRIVES = 10
GOAL = 15.0
NM_PER_COUNT = 20.0
BASIS = Basis(
    PositionSpec(
        PointSpec("PLCA", 1, PlcTable.INPUT, 0, ValueType.UINT16), PositionSignal.COUNTS, 0.0, 4_095.0, 0.0, 40.95
    ),
    False,
    Direction.FORWARD,
    {Direction.FORWARD: CalibrationCurve("R", "", Direction.FORWARD, (0.0, 40.95), (0.0, 4_095 * NM_PER_COUNT))},
)


class Found(NamedTuple):
    """Seconds for one year, bytes a minute, and what both found.

    Attributes:
        rows_s, columns_s: Median of the runs. row_bytes, column_bytes: In the file, for each minute: of the rows four
            numbers; of the columns everything that a summary holds.
    """

    rows_s: float
    columns_s: float
    row_bytes: float
    column_bytes: float

    @property
    def ratio(self) -> float:
        """How many times faster the columns are read."""
        return self.rows_s / self.columns_s


def day_of_readings(chance: np.random.Generator) -> np.ndarray[tuple[int, int], np.dtype[np.int64]]:
    """A reading a second as counts, one row a minute: a load that wanders, a daily swing, one count of noise."""
    seconds = np.arange(86_400)
    load = 1_200.0 + 300.0 * np.sin(seconds / 86_400 * 2 * np.pi) + np.cumsum(chance.normal(0.0, 0.35, 86_400))
    counts = np.rint(load + chance.normal(0.0, 1.0, 86_400))
    return counts.astype(np.int64).reshape(1_440, 60)


def minutes_of(counts: np.ndarray[tuple[int, int], np.dtype[np.int64]]) -> Table:
    """The minutes of a day, as a summary has them."""
    table = blank(columns_of([Direction.FORWARD]), Grain.MINUTE, 1_440)
    torque = np.sort(counts * NM_PER_COUNT, axis=1)
    n = torque.shape[1]
    table["drive.readings"][:] = table["forward.time.exact"][:] = n
    for name in ("drive.covered_ns", "drive.good_ns", "drive.running_ns", "forward.time.normal_ns"):
        table[name][:] = 60_000_000_000
    for part in ("forward.all", "forward.running"):
        table[f"{part}.n"][:] = n
        table[f"{part}.min_nm"], table[f"{part}.max_nm"] = (torque[:, i].astype(np.float32) for i in (0, -1))
        table[f"{part}.mean_nm"] = torque.mean(axis=1).astype(np.float32)
        table[f"{part}.std_nm"] = torque.std(axis=1, ddof=1).astype(np.float32)
        table[f"{part}.median_nm"] = np.quantile(torque, 0.5, axis=1).astype(np.float32)
        table[f"{part}.p95_nm"] = np.quantile(torque, 0.95, axis=1).astype(np.float32)
    return table


def make(folder: Path, days: int) -> None:
    """Both stores: history.db with one drive, rows.db with ten."""
    chance = np.random.default_rng(5)
    writing = Writing(folder, 0)
    rows = sqlite3.connect(folder / "rows.db")
    rows.execute("pragma journal_mode = wal")
    rows.execute(
        "create table minute(drive integer, utc_ms integer, n integer, low real, mean real, high real,"
        " primary key(drive, utc_ms)) without rowid"
    )
    summaries = SummaryWriting(writing.db)
    for day in range(FIRST_DAY, FIRST_DAY + days):
        counts = day_of_readings(chance)
        minutes = minutes_of(counts)
        hours = {}
        for hour in range(24):
            some = {name: column[hour * 60 : hour * 60 + 60] for name, column in minutes.items()}
            entry = Entry(BASIS.digest, FORWARD, RUNNING, histogram(counts[hour * 60 : hour * 60 + 60].reshape(-1)))
            hours[hour] = HourBytes(some, blank(list(minutes), Grain.HOUR, 1), (entry,))
        writing.db.execute("begin immediate")
        summaries.put_day("PC1", day, hours, {BASIS.digest: BASIS})
        writing.db.execute("commit")
        starts = (day * DAY_MS + np.arange(1_440) * 60_000).tolist()
        columns = [minutes[name].tolist() for name in COLUMNS]
        for drive in range(DRIVES):
            rows.executemany(
                "insert into minute values(?, ?, ?, ?, ?, ?)", zip([drive] * 1_440, starts, *columns, strict=True)
            )
        rows.commit()
    rows.close()
    writing.close()


def read_rows(folder: Path, days: int) -> list[np.ndarray[tuple[int], np.dtype[np.float64]]]:
    """A year out of plain rows, as arrays."""
    db = sqlite3.connect(folder / "rows.db")
    try:
        begin, end = FIRST_DAY * DAY_MS, (FIRST_DAY + days) * DAY_MS
        found = db.execute(
            "select n, low, mean, high from minute where drive = 3 and utc_ms >= ? and utc_ms < ?", (begin, end)
        ).fetchall()
        return list(np.array(found, np.float64).T)
    finally:
        db.close()


def read_columns(folder: Path, days: int) -> list[np.ndarray[tuple[int], np.dtype[np.float64]]]:
    """The same out of history."""
    blocks = Blocks(folder)
    try:
        begin, end = FIRST_DAY * DAY_MS, (FIRST_DAY + days) * DAY_MS
        parts = list(SummaryReading(blocks).rows("PC1", Grain.MINUTE, COLUMNS, begin, end))
        return [np.concatenate([p.table[name] for p in parts]) for name in COLUMNS]
    finally:
        blocks.close()


def timed(act: Callable[[], object], runs: int) -> float:
    """Median seconds."""
    found = []
    for _ in range(runs):
        begin_s = time.perf_counter()
        act()
        found.append(time.perf_counter() - begin_s)
    return statistics.median(found)


def year_of_minutes(folder: Path, days: int = YEAR_DAYS, runs: int = 5) -> Found:
    """Make both stores in a folder and read a year from each."""
    make(folder, days)
    for one, other in zip(read_rows(folder, days), read_columns(folder, days), strict=True):
        assert np.array_equal(one, other), "the two stores do not hold the same"
    return Found(
        timed(lambda: read_rows(folder, days), runs),
        timed(lambda: read_columns(folder, days), runs),
        (folder / "rows.db").stat().st_size / (days * 1_440 * DRIVES),
        (folder / "history.db").stat().st_size / (days * 1_440),
    )


def main() -> int:
    """Print the figures; exit code 1 if the goal is missed."""
    with tempfile.TemporaryDirectory() as name:
        found = year_of_minutes(Path(name))
    print(f"one year of minutes, one drive: rows {found.rows_s * 1e3:.0f} ms, columns {found.columns_s * 1e3:.1f} ms")
    print(f"ratio {found.ratio:.1f} (goal {GOAL:g})")
    print(f"bytes a minute: rows (4 numbers) {found.row_bytes:.1f}, columns (everything) {found.column_bytes:.1f}")
    return 0 if found.ratio >= GOAL else 1


if __name__ == "__main__":
    sys.exit(main())
