"""Trip records over starts of the machine, over a store that was lost, and with rows that are damaged."""

from __future__ import annotations

import json
from pathlib import Path

import apsw
import pytest

from nightrake.domain.rows import Row
from nightrake.errors import StoreError
from nightrake.history.trips import take
from nightrake.longterm.triprows import before, since, slices
from shell.longterm.histories import S, seal
from shell.longterm.triphistories import TripPast, records, trip_file, turn
from triprows import MINUTE_MS, alarm, row

PLC = "PLCA"


def start_again(past: TripPast, boot_id: str, off_s: int) -> None:
    """The machine was off for a while; its monotonic clock begins anew."""
    past.boot_id, past.mono_ns = boot_id, 20 * S
    past.utc_ms += off_s * 1_000
    past.snapshot()


@pytest.mark.parametrize("sealed", [False, True], ids=["tail", "blocks"])
def test_record_reaches_over_starts_of_the_machine(tmp_path: Path, sealed: bool) -> None:
    """Before and after: by the wall clock there, since there is no other."""
    past = TripPast()
    past.snapshot()
    past.go(6_000, 10.0)
    past.keep(tmp_path)
    start_again(past, "boot2", 120)
    past.go(600, 10.0)
    past.alarm("PC1", "shutdown", 1)
    past.lockout("PC1", "opened")
    trip_ms = past.utc_ms
    past.go(600, 10.0)
    past.keep(tmp_path)
    if sealed:
        seal(tmp_path)
    turn(tmp_path)
    start_again(past, "boot3", 300)
    past.go(900, 10.0)
    past.lockout("PC1", "released")
    end_ms = past.utc_ms
    past.go(100, 10.0)
    past.keep(tmp_path)
    if sealed:
        seal(tmp_path)
    turn(tmp_path)
    (record,) = records(tmp_path).values()
    assert (record.because, record.after_ms) == ("the lockout was released", end_ms - trip_ms)
    with trip_file(tmp_path, "PC1") as file:
        utc_ms = [int(at) for part in file.readings() for at in part.utc_ms]
        seqs = [int(seq) for part in file.readings() for seq in part.seq]
    assert seqs == sorted(set(seqs))
    assert trip_ms - 3_600_000 <= utc_ms[0] < trip_ms - 3_550_000
    assert end_ms - 30_000 < utc_ms[-1] <= end_ms
    mine = [r for r in past.records if r.endpoint == PLC and utc_ms[0] <= r.utc_ms <= utc_ms[-1]]
    assert len(seqs) > 0.8 * len(mine)  # some scans ask for nothing of the drive


def test_store_that_was_lost_begins_anew_beside_its_old_records(tmp_path: Path) -> None:
    """Numbers recur; the old record stays, the new trip gets its own, and both are told apart."""
    for name in ("first", "second"):
        past = TripPast(seed=len(name))
        past.snapshot()
        past.go(600, 10.0)
        past.alarm("PC1", "shutdown", 1)
        past.alarm("PC1", "shutdown", 1, "reset", "normal")
        past.go(700, 10.0)
        past.keep(tmp_path)
        turn(tmp_path)
        for path in tmp_path.glob("store.db*"):
            path.unlink()
    zips = sorted(p.name for p in (tmp_path / "trips").glob("*.zip"))
    assert len(zips) == 2
    assert {name.rpartition("-")[0] for name in zips} == {"PC1-forward-shutdown-1"}


def test_cursor_that_is_damaged_costs_nothing_but_time(tmp_path: Path) -> None:
    """The journal is read from its beginning, and no record is made twice."""
    past = TripPast()
    past.snapshot()
    past.go(600, 10.0)
    past.alarm("PC1", "alarm", 1)
    past.alarm("PC1", "alarm", 1, "cleared", "normal")
    past.go(700, 10.0)
    past.keep(tmp_path)
    turn(tmp_path)
    (path,) = (tmp_path / "trips").glob("*.zip")
    before_bytes = path.read_bytes()
    for text in ("", "[]", '{"seq": "x"}', json.dumps({"epoch": "another", "seq": 10**9})):
        (tmp_path / "trips" / "cursor.json").write_text(text)
        turn(tmp_path)
        assert path.read_bytes() == before_bytes
    assert len(records(tmp_path)) == 1


def test_row_with_a_damaged_payload_is_passed_over(tmp_path: Path) -> None:
    """And stands in the record as it is."""
    past = TripPast()
    past.snapshot()
    past.go(600, 10.0)
    past.tell("drive", "quality_changed", "PC1", reasons=["x"])
    past.alarm("PC1", "alarm", 1)
    past.go(700, 10.0)
    past.keep(tmp_path)
    db = apsw.Connection(str(tmp_path / "store.db"))
    db.execute("update journal set payload = x'ff00ff' where event = 'quality_changed'")
    db.close()
    turn(tmp_path)
    with trip_file(tmp_path, "PC1") as file:
        assert [r.payload for r in file.events() if r.event == "quality_changed"] == [b"\xff\x00\xff"]


class Archived:
    """A journal whose rows 11 to 20 lie in a file that cannot be read."""

    def __init__(self, rows: list[Row]) -> None:
        self._rows = rows

    def rows_after(self, seq: int, limit: int, *, until: int | None = None) -> list[Row]:
        """As `journal.reader.Reader`."""
        found = [r for r in self._rows if r.seq > seq and (until is None or r.seq <= until)][:limit]
        sound = [r for r in found if r.seq <= 10] if seq < 10 else found
        if found and (not sound or 10 <= seq < 20):
            fault = StoreError("archive/x.jsonl.gz: was cut")
            fault.last_seq = 20  # type: ignore[attr-defined]
            raise fault
        return sound

    def newest_rows(self, limit: int, *, drive: str = "") -> list[Row]:
        """As `journal.reader.Reader`."""
        return self._rows[-limit:]


def test_archived_rows_that_are_damaged_hold_nothing_up() -> None:
    """What is before and behind them is read."""
    rows = Archived([row(n, n, "drive", "x", "PC1" if n % 2 else "PC2") for n in range(1, 31)])
    found = [(len(part), upto) for part, upto in slices(rows, 0, 30)]
    assert found == [(10, 10), (0, 20), (10, 30)]
    (trip,) = take(alarm(25, 25, "shutdown", 1), (), ())
    assert [r.seq for r in before(rows, trip, 20 * MINUTE_MS)] == [5, 7, 9, 21, 23]
    assert [r.seq for r in since(rows, trip, 24, 30, 4 * MINUTE_MS)] == [25, 27, 29]
