"""Bounds of history.db: retention by recorded time, quota, a reader that stalls, a disk that is full."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import apsw
import pytest

from nightrake.domain.rows import TailRecord
from nightrake.history.cutting import HOUR_MS
from nightrake.longterm import writing as writing_module
from nightrake.longterm.reading import History
from nightrake.longterm.room import Room
from nightrake.longterm.sealing import Sealing
from nightrake.longterm.tail import Tail
from nightrake.longterm.writing import Writing
from shell.journal.sickdisk import SickDisk, sick_disk
from shell.longterm.histories import NOON_MS, Past, S

HOURS = 8


class Bench:
    """A store of some hours and its history, by hand.

    Args:
        folder: Of both. vfs: Of history.db.
    """

    def __init__(self, folder: Path, vfs: str = "") -> None:
        self.folder, self.past = folder, Past()
        self.past.snapshot()
        for hour in range(HOURS):
            self.past.go(3_590, 20.0)
            self.past.pass_time(12 * S)
            if hour == HOURS // 2:
                self.past.step_clock(10 * 365 * 24 * HOUR_MS)
        self.past.store(folder)
        self.tail, self.writing = Tail(folder), Writing(folder, NOON_MS, vfs)
        self.writing.begin("e", 1, NOON_MS)
        self.sealing = Sealing(self.tail, self.writing)

    def seal(self) -> None:
        """Everything."""
        while self.sealing.seal(NOON_MS):
            pass

    def records(self) -> list[TailRecord]:
        """What is sealed."""
        with History(self.folder) as history:
            first, last = history.seq_span()[0], history.sealed_seq()
            return list(history.records(first, last))

    def close(self) -> None:
        self.tail.close()
        self.writing.close()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """Eight hours, in the middle of which the clock is set ten years ahead."""
    made = Bench(tmp_path)
    yield made
    made.close()


def test_retention_counts_recorded_time(bench: Bench) -> None:
    """The oldest hours go, as many as are past; a clock ten years ahead takes nothing along."""
    bench.seal()
    room = Room(bench.writing, 3.0 / 24, 16_384)
    while room.trim():
        pass
    kept = bench.records()
    assert kept == bench.past.records[-len(kept) :]
    span_s = (kept[-1].mono_ns - kept[0].mono_ns) / S
    assert 3 * 3_600 <= span_s <= 4.1 * 3_600
    assert room.given_up == 0
    file = bench.writing.db
    assert list(file.execute("select count(*) from column_data where id / 16777216 not in (select id from block)")) == [
        (0,)
    ]


def test_quota_gives_up_the_oldest_and_says_so(bench: Bench) -> None:
    """Before retention says so, cut by cut, until it fits."""
    bench.seal()
    room = Room(bench.writing, 30.0, 16_384)
    (half,) = next(iter(bench.writing.db.execute("select sum(length(data)) / 2 from column_data")))
    room._quota_bytes = room.used_bytes() - half
    while room.trim():
        pass
    kept = bench.records()
    assert 0 < len(kept) < len(bench.past.records)
    assert kept == bench.past.records[-len(kept) :]
    assert room.given_up == len(bench.past.records) - len(kept)
    assert room.used_bytes() <= room._quota_bytes


def test_full_disk_takes_the_new_in_place_of_the_oldest(bench: Bench) -> None:
    """What has no room on the disk gets the pages of the oldest cut; that these readings went is counted."""
    room = Room(bench.writing, 30.0, 16_384)
    while bench.writing.sealed < bench.past.seq * 3 // 4:
        assert bench.sealing.seal(NOON_MS)
    pages = next(iter(bench.writing.db.execute("pragma page_count")))[0]
    list(bench.writing.db.execute(f"pragma max_page_count = {pages}"))
    failed = 0
    while bench.writing.sealed < bench.past.seq - 1:
        try:
            bench.sealing.seal(NOON_MS)
        except apsw.FullError:
            failed += 1
            assert room.make_room()
    kept = bench.records()
    assert failed > 0
    assert kept == bench.past.records[-len(kept) :]
    assert room.given_up == len(bench.past.records) - len(kept)


def test_snapshot_that_what_is_left_rests_on_stays(bench: Bench) -> None:
    """Retention keeps the last one before it."""
    bench.seal()
    room = Room(bench.writing, 3.0 / 24, 16_384)
    while room.trim():
        pass
    with History(bench.folder) as history:
        first = history.seq_span()[0]
        found = history.snapshot_before(first)
    assert found is not None
    assert found[0] == 0


def test_stalled_reader_bounds_the_log(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """While somebody stands in the middle of history.db its log stops growing at its limit, and the tail waits."""
    limit = 200_000
    monkeypatch.setattr(writing_module, "LOG_LIMIT_BYTES", limit)
    bench.sealing.seal(NOON_MS)
    stalled = apsw.Connection(str(bench.writing.path), flags=apsw.SQLITE_OPEN_READONLY)
    stalled.execute("begin")
    list(stalled.execute("select count(*) from block"))
    largest, cuts = 0, 0
    while bench.writing.log_fits() and bench.sealing.seal(NOON_MS):
        cuts += 1
        largest = max(largest, bench.writing.log_bytes())
    before = bench.writing.sealed
    assert cuts >= 1
    assert before < bench.past.seq - 1, "the limit was never reached"
    assert largest < 2 * limit
    stalled.close()
    assert bench.writing.log_fits()
    bench.seal()
    assert bench.records() == bench.past.records


@pytest.mark.parametrize("error", [apsw.FullError, apsw.IOError])
def test_sick_disk_loses_nothing(tmp_path: Path, error: type[apsw.Error]) -> None:
    """A write that fails leaves the file as it was; sealing goes on once the disk takes it."""
    with sick_disk() as disk:
        made = Bench(tmp_path, disk.name)
        try:
            made.sealing.seal(NOON_MS)
            before = made.writing.sealed
            _seal_while_sick(made, disk, error)
            assert made.writing.sealed == before
            made.seal()
            assert made.records() == made.past.records
        finally:
            made.close()


def _seal_while_sick(made: Bench, disk: SickDisk, error: type[apsw.Error]) -> None:
    disk.error = error
    with pytest.raises(error):
        made.sealing.seal(NOON_MS)
    disk.error = None


def test_reader_in_another_process_sees_whole_cuts(bench: Bench) -> None:
    """Somebody who reads while it is sealed sees each record once, whatever is committed meanwhile."""
    script = (
        "import sys, json\n"
        "from pathlib import Path\n"
        "from nightrake.longterm.reading import History\n"
        "for line in sys.stdin:\n"
        "    with History(Path(sys.argv[1])) as history:\n"
        "        numbers = [r.seq for r in history.records(0, 2**40)]\n"
        "    print(json.dumps([len(numbers), numbers == list(range(1, len(numbers) + 1))]), flush=True)\n"
    )
    service = str(Path(__file__).resolve().parents[3] / "service")
    reader = subprocess.Popen(
        [sys.executable, "-c", script, str(bench.folder)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": service},
    )
    assert reader.stdin is not None
    assert reader.stdout is not None
    more = True
    while more:
        reader.stdin.write("look\n")
        reader.stdin.flush()
        more = bench.sealing.seal(NOON_MS) > 0
        assert json.loads(reader.stdout.readline()) == [len(bench.past.records), True]
    reader.stdin.close()
    assert reader.wait(10.0) == 0
    reader.stdout.close()
