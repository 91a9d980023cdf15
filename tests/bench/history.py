"""The historian beside plain (series, time) rows in SQLite, and beside DuckDB, in the same run.

history.py [--days 30] [--rounds 5]

The plant: PLCs of eight drives; each scan reads three bits of each drive and its position, a 12-bit count that drifts
slowly with a noise of one step; scans come up to 3 ms late. Rows: one (series, time, value, quality) for each position
read, primary key (series, time), without rowid, in WAL mode with synchronous=FULL like ours. Ours keeps more: the bits,
reply times to the nanosecond, input numbers, everything that a replay needs.

Sizes are of whole files after compaction. Written bytes are what goes into the write-ahead logs of both files of ours.
"""

from __future__ import annotations

import argparse
import struct
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from statistics import median
from typing import Any

import apsw
import numpy as np
import numpy.typing as npt

from nightrake.alarms.response import Response
from nightrake.domain.readplan import ReadPlan, make_plan
from nightrake.domain.rows import TailRecord
from nightrake.domain.site import (
    DriveSpec,
    EndpointSpec,
    PointSpec,
    PositionSignal,
    PositionSpec,
    SiteSpec,
    Table,
    ValueType,
)
from nightrake.journal.batch import INSERT_TAIL
from nightrake.journal.opening import connect as connect_store
from nightrake.journal.schema import migrate as migrate_store
from nightrake.journal.writer import TAIL_PERIOD_S
from nightrake.kept import plan_to_json
from nightrake.keptsettings import BUILT, built_text
from nightrake.longterm.reading import History
from nightrake.longterm.sealing import Sealing
from nightrake.longterm.tail import Tail
from nightrake.longterm.writing import Writing
from stand import Verdicts
from summaries import year_of_minutes

T0_MS = 1_790_000_000_000 - 1_790_000_000_000 % 3_600_000
MONO_NS = 10**13
DRIVES = 8
HEAD = struct.Struct("<HBqHH")
FRAME_BYTES = 4096 + 24
"""Of a write-ahead log for each page. Source: SQLite, File Format, 4.1."""
SIZE_GOAL, LOG_GOAL, READ_GOAL, INTAKE_GOAL = 10.0, 30.0, 15.0, 100_000.0
DIGEST = "d" * 64
PAST = 600
"""Rows that each series of the peer has already."""
ROWS_ENOUGH = 60_000
"""Of the peer's rows, written one commit after the other."""
Counts = npt.NDArray[np.uint16]


def plan_of(plc: int) -> ReadPlan:
    """Eight drives' bits in one block, their positions in another."""
    return make_plan(EndpointSpec(f"P{plc}", "h"), [*bits_of(plc), *(position_of(plc, d) for d in range(DRIVES))])


def position_of(plc: int, drive: int) -> PointSpec:
    """A drive's position register."""
    return PointSpec(f"P{plc}", 1, Table.INPUT, drive, ValueType.UINT16)


def bits_of(plc: int) -> list[PointSpec]:
    """Two contacts and a running bit for each drive."""
    return [PointSpec(f"P{plc}", 1, Table.DISCRETE, n, ValueType.BIT) for n in range(3 * DRIVES)]


def site_of(plcs: int) -> SiteSpec:
    """Drives D0, D1, ... with a position each."""
    drives = {}
    for n in range(plcs * DRIVES):
        spec = PositionSpec(position_of(n // DRIVES, n % DRIVES), PositionSignal.COUNTS, 0.0, 4095.0, 0.0, 25.0)
        drives[f"D{n}"] = DriveSpec(f"D{n}", f"D{n}", position=spec)
    return SiteSpec("bench", "bench", DIGEST, {f"P{n}": EndpointSpec(f"P{n}", "h") for n in range(plcs)}, drives)


class Plant:
    """Makes scans by the thousand.

    Args:
        plcs: How many. hz: Scans a second of each.
    """

    def __init__(self, plcs: int, hz: int, seed: int = 1) -> None:
        self.plcs, self.hz = plcs, hz
        self.plans = [plan_of(n) for n in range(plcs)]
        self._chance = np.random.default_rng(seed)
        self._at = 0

    def turn(self, count: int) -> tuple[list[TailRecord], npt.NDArray[np.int64], Counts]:
        """The next scans of every PLC, in the order in which they come.

        Returns:
            Records; UTC ms of each scan, shape (count, plcs); positions, shape (count, plcs, drives).
        """
        chance, plcs = self._chance, self.plcs
        number = np.arange(self._at, self._at + count)
        due = number[:, None] * (1000 // self.hz) * 1_000_000 + np.arange(plcs) * (10**9 // self.hz // plcs)
        at_ns = due + chance.integers(0, 3_000_000, (count, plcs))
        phase = number[:, None, None] / (900.0 * self.hz) + np.arange(plcs * DRIVES).reshape(plcs, DRIVES)
        noise = chance.normal(0.0, 1.0, (count, plcs, DRIVES))
        counts = np.clip(np.round(2000 + 400 * np.sin(phase) + noise), 0, 4095).astype(np.uint16)
        table = np.zeros((count, plcs, HEAD.size + 3 + HEAD.size + 2 * DRIVES), dtype=np.uint8)
        first = HEAD.pack(0, 0, 0, 3, 0) + b"\xdb\xb6\x6d" + HEAD.pack(1, 0, 0, 2 * DRIVES, 0)
        table[:, :, : len(first)] = np.frombuffer(first, dtype=np.uint8)
        for at, low, high in ((3, 300_000, 1_300_000), (HEAD.size + 6, 5_000, 40_000)):
            ago = chance.integers(low, high, (count, plcs)).astype("<i8")
            table[:, :, at : at + 8] = ago[:, :, None].view(np.uint8).reshape(count, plcs, 8)
        table[:, :, len(first) :] = counts.astype(">u2").view(np.uint8).reshape(count, plcs, -1)
        self._at += count
        utc_ms = T0_MS + at_ns // 1_000_000
        return self._records(at_ns, utc_ms, table), utc_ms, counts

    def _records(
        self, at_ns: npt.NDArray[np.int64], utc_ms: npt.NDArray[np.int64], table: npt.NDArray[np.uint8]
    ) -> list[TailRecord]:
        order = np.argsort(at_ns, axis=None, kind="stable").tolist()
        mono, utc = (MONO_NS + at_ns).ravel().tolist(), utc_ms.ravel().tolist()
        data, size = table.tobytes(), table.shape[2]
        seq = (self._at - len(at_ns)) * self.plcs + 1
        records = []
        for i in order:
            plan = self.plans[i % self.plcs]
            records.append(
                TailRecord(seq, "scan", plan.endpoint, plan.layout, mono[i], utc[i], data[i * size : i * size + size])
            )
            seq += 1
        return records


class Ours:
    """Hot tail and history, written in one thread.

    Args:
        folder: Scratch. plant: Whose scans.
    """

    def __init__(self, folder: Path, plant: Plant) -> None:
        self.folder = folder
        folder.mkdir(parents=True)
        self.tail_log, self.sealed_log = Log(), Log()
        self.store = connect_store(folder / "store.db", 1_000_000, "")
        migrate_store(self.store, "store.db", T0_MS)
        for plan in plant.plans:
            self.store.execute("insert into layout values(?, ?)", (plan.layout, plan_to_json(plan)))
        site = site_of(plant.plcs)
        for key, text in ((DIGEST, "{}"), (DIGEST + BUILT, built_text(site, Response()))):
            self.store.execute("insert into settings values(?, ?, ?)", (key, T0_MS, text))
        self.store.execute("insert into snapshot values(0, ?, ?)", (T0_MS, f'{{"digest":"{DIGEST}"}}'.encode()))
        self.store.execute("insert into meta values('epoch', 'e')")
        self.tail, self.writing = Tail(folder), Writing(folder, T0_MS)
        self.writing.begin("e", 1, T0_MS)
        self.sealing = Sealing(self.tail, self.writing)
        self.tail_log.follow(self.store)
        self.sealed_log.follow(self.writing.db)
        self._dropped = 0

    def put(self, records: list[TailRecord], at_once: int) -> None:
        """Into the tail, so many in one commit."""
        for begin in range(0, len(records), at_once):
            self.store.execute("begin immediate")
            self.store.executemany(INSERT_TAIL, records[begin : begin + at_once])
            self.store.execute("commit")
            self.tail_log.fold(self.store)

    def seal(self, *, everything: bool = False) -> None:
        """What is due; and the tail is dropped behind it."""
        while (everything or self.sealing.is_due()) and self.sealing.seal(T0_MS):
            self.sealed_log.fold(self.writing.db)
        while self._dropped < self.writing.sealed:
            self._dropped = min(self._dropped + 2_000, self.writing.sealed)
            self.store.execute("delete from tail where seq <= ?", (self._dropped,))
            self.tail_log.fold(self.store)

    def size(self) -> int:
        """Of history.db, compacted."""
        self.writing.db.execute("vacuum")
        self.writing.db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_TRUNCATE)
        return (self.folder / "history.db").stat().st_size

    def close(self) -> None:
        self.tail.close()
        self.writing.close()
        self.store.close()


class Log:
    """Bytes that went into a write-ahead log."""

    def __init__(self) -> None:
        self.written = self._pages = 0

    def follow(self, db: apsw.Connection) -> None:
        """Count every commit of a connection from now on."""

        def committed(_db: apsw.Connection, _name: str, pages: int) -> int:
            self.written += (pages - self._pages if pages > self._pages else pages) * FRAME_BYTES
            self._pages = pages
            return apsw.SQLITE_OK

        db.set_wal_hook(committed)

    def fold(self, db: apsw.Connection) -> None:
        """Back into the file, as the writers do at 4 MiB."""
        if self._pages > 1000:
            db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_PASSIVE)
            self._pages = 0


class Rows:
    """The peer: plain rows."""

    def __init__(self, path: Path) -> None:
        self.path, self.log = path, Log()
        self.db = apsw.Connection(str(path))
        self.db.execute("pragma journal_mode = wal")
        self.db.execute("pragma synchronous = full")
        self.db.execute(
            "create table sample(series integer, ts integer, value real, quality integer, primary key(series, ts))"
            " without rowid"
        )
        self.log.follow(self.db)

    def put(self, rows: Iterator[tuple[int, int, float, int]] | list[tuple[int, int, float, int]]) -> None:
        """One commit."""
        self.db.execute("begin immediate")
        self.db.executemany("insert or replace into sample values(?, ?, ?, ?)", rows)
        self.db.execute("commit")
        self.log.fold(self.db)

    def size(self) -> int:
        """Of the file, compacted."""
        self.db.execute("vacuum")
        self.db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_TRUNCATE)
        return self.path.stat().st_size


def rows_of(utc_ms: npt.NDArray[np.int64], counts: Counts) -> list[tuple[int, int, float, int]]:
    """Rows of some scans, in the order in which they come."""
    _, plcs, drives = counts.shape
    series = np.broadcast_to(np.arange(plcs * drives).reshape(plcs, drives), counts.shape)
    stamps = np.broadcast_to(utc_ms[:, :, None], counts.shape)
    columns = (series.ravel().tolist(), stamps.ravel().tolist(), counts.astype(float).ravel().tolist())
    return [(s, t, v, 0) for s, t, v in zip(*columns, strict=True)]


def duck(path: Path) -> Any:
    """A connection to DuckDB; None where it is not installed."""
    try:
        import duckdb
    except ImportError:
        return None
    db = duckdb.connect(str(path))
    db.execute("set threads = 1")
    db.execute("create table sample(series integer, ts bigint, value double, quality utinyint)")
    return db


def put_duck(db: Any, series: Any, utc_ms: Any, value: Any) -> None:
    """Columns into DuckDB."""
    part = {"a": series, "b": utc_ms, "c": value, "d": np.zeros(len(series), dtype=np.uint8)}
    db.execute("insert into sample select a, b, c, d from part")
    del part


# --- the figures ------------------------------------------------------------------------------------------------------


def sizes(folder: Path, hz: int, verdicts: Verdicts) -> None:
    """Bytes for each position read: 200 drives, some hours of them."""
    plant = Plant(25, hz)
    ours, rows = Ours(folder / f"ours{hz}", plant), Rows(folder / f"rows{hz}.db")
    other = duck(folder / f"duck{hz}.db")
    samples = 0
    for _ in range(24):
        records, utc_ms, counts = plant.turn(450)
        ours.put(records, 2_000)
        ours.seal()
        made = rows_of(utc_ms, counts)
        rows.put(made)
        samples += len(made)
        if other is not None:
            columns = [np.array(column) for column in zip(*made, strict=True)]
            put_duck(other, columns[0].astype(np.int32), columns[1], columns[2])
    ours.seal(everything=True)
    mine, plain = ours.size() / samples, rows.size() / samples
    beside = "DuckDB is not installed"
    if other is not None:
        other.execute("checkpoint")
        other.close()
        beside = f"DuckDB {(folder / f'duck{hz}.db').stat().st_size / samples:.1f} B"
    text = f"bytes a sample, {hz} Hz, {samples} samples: {mine:.2f} B, rows {plain:.1f} B, {beside}"
    verdicts.goal(f"{text}: 1/{plain / mine:.1f} of rows (goal 1/{SIZE_GOAL:g})", plain / mine >= SIZE_GOAL)
    ours.close()
    rows.db.close()


def log_bytes(folder: Path, hz: int, verdicts: Verdicts) -> None:
    """Written bytes for each drive-scan: 504 drives, both sides commit as often as the watch does."""
    plant = Plant(63, hz)
    ours, rows = Ours(folder / f"log{hz}", plant), Rows(folder / f"log{hz}.db")
    before = T0_MS - 1_000 * np.arange(PAST, 0, -1)  # a table in use: each series has pages of its own
    for series in range(plant.plcs * DRIVES):
        rows.put([(series, stamp, 2_000.0, 0) for stamp in before.tolist()])
    rows.log.written, scans, row_scans = 0, 0, 0
    per_commit = max(1, int(63 * hz * TAIL_PERIOD_S))
    for _ in range(18):
        records, utc_ms, counts = plant.turn(20 * hz)
        ours.put(records, per_commit)
        made = rows_of(utc_ms, counts)
        scans += len(made)
        if row_scans < ROWS_ENOUGH:
            for begin in range(0, len(made), per_commit * DRIVES):
                rows.put(made[begin : begin + per_commit * DRIVES])
            row_scans = scans
    ours.seal(everything=True)
    mine, plain = (ours.tail_log.written + ours.sealed_log.written) / scans, rows.log.written / row_scans
    parts = f"tail {ours.tail_log.written / scans:.0f}, sealing {ours.sealed_log.written / scans:.1f}"
    text = f"log bytes a drive-scan, 504 drives at {hz} Hz: {mine:.0f} B ({parts}), rows {plain:.0f} B"
    verdicts.goal(f"{text}: 1/{plain / mine:.0f} (goal 1/{LOG_GOAL:g})", plain / mine >= LOG_GOAL)
    ours.close()
    rows.db.close()


def month(folder: Path, days: int, rounds: int, verdicts: Verdicts) -> None:
    """Many days at 1 Hz of one series, read whole into arrays."""
    plant = Plant(1, 1)
    ours, rows = Ours(folder / "month", plant), Rows(folder / "month.db")
    other = duck(folder / "month.duck")
    for _ in range(days * 24):
        records, utc_ms, counts = plant.turn(3_600)
        ours.put(records, 3_600)
        ours.seal()
        rows.put([row for row in rows_of(utc_ms, counts) if row[0] < 2])
        if other is not None:
            flat = utc_ms[:, 0]
            put_duck(other, np.full(len(flat), 1, dtype=np.int32), flat, counts[:, 0, 1].astype(float))
    ours.seal(everything=True)
    high = T0_MS + days * 86_400_000 + 3_600_000

    def read_ours() -> int:
        with History(ours.folder) as history:
            parts = list(history.samples("D1", "position", 0, high))
        stamps, values = (np.concatenate([part[i] for part in parts]) for i in (0, 1))
        assert len(stamps) == len(values)
        return len(stamps)

    def read_rows() -> int:
        found = list(
            rows.db.execute("select ts, value, quality from sample where series = 1 and ts between 0 and ?", (high,))
        )
        stamps, values, _ = (np.array(column) for column in zip(*found, strict=True))
        assert len(stamps) == len(values)
        return len(stamps)

    def read_duck() -> int:
        sql = "select ts, value, quality from sample where series = 1 and ts between 0 and ? order by ts"
        return len(other.execute(sql, [high]).fetchnumpy()["ts"])

    assert read_ours() == read_rows() == days * 86_400
    mine = median(seconds(read_ours) for _ in range(rounds))
    plain = median(seconds(read_rows) for _ in range(max(1, rounds // 2)))
    beside = (
        f"DuckDB {1e3 * median(seconds(read_duck) for _ in range(rounds)):.0f} ms" if other is not None else "no DuckDB"
    )
    text = f"{days} days at 1 Hz of one series: {1e3 * mine:.0f} ms, rows {1e3 * plain:.0f} ms, {beside}"
    verdicts.goal(f"{text}: {plain / mine:.1f} times (goal {READ_GOAL:g})", plain / mine >= READ_GOAL)
    ours.close()
    rows.db.close()


def year(folder: Path, rounds: int, verdicts: Verdicts) -> None:
    """One year of minute summaries of one drive, read whole into arrays; see `summaries`."""
    (folder / "year").mkdir()
    found = year_of_minutes(folder / "year", runs=rounds)
    text = f"a year of minutes of one drive: {1e3 * found.columns_s:.0f} ms, rows {1e3 * found.rows_s:.0f} ms"
    verdicts.goal(f"{text}: {found.ratio:.1f} times (goal {READ_GOAL:g})", found.ratio >= READ_GOAL)


def intake(folder: Path, verdicts: Verdicts) -> None:
    """Drive-scans a second flat out, tail, sealing and dropping of the tail one after the other in one thread."""
    plant = Plant(63, 10)
    ours = Ours(folder / "intake", plant)
    batches = [plant.turn(300) for _ in range(20)]
    begin_s = time.perf_counter()
    for records, _, _ in batches:
        ours.put(records, 2_000)
        ours.seal()
    ours.seal(everything=True)
    spent_s = time.perf_counter() - begin_s
    scans = sum(counts.size for _, _, counts in batches)
    rate = scans / spent_s
    text = f"intake, tail and sealing in one thread: {rate:,.0f} drive-scans a second (goal {INTAKE_GOAL:,.0f})"
    verdicts.goal(text, rate >= INTAKE_GOAL)
    ours.close()


def seconds(act: Callable[[], object]) -> float:
    """How long it takes."""
    start = time.perf_counter()
    act()
    return time.perf_counter() - start


def main() -> int:
    """Run it; exit code 1 when a goal was not met."""
    parser = argparse.ArgumentParser(description="The historian beside rows and DuckDB; see the module.")
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--rounds", type=int, default=5)
    given = parser.parse_args()
    verdicts = Verdicts()
    with tempfile.TemporaryDirectory(prefix="nr-bench-") as name:
        folder = Path(name)
        for hz in (1, 10):
            sizes(folder, hz, verdicts)
        for hz in (1, 10):
            log_bytes(folder, hz, verdicts)
        month(folder, given.days, given.rounds, verdicts)
        year(folder, given.rounds, verdicts)
        intake(folder, verdicts)
    return verdicts.code()


if __name__ == "__main__":
    raise SystemExit(main())
