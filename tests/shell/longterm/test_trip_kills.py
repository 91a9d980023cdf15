"""kill -9 at every moment of a trip record: none is missing or there twice, no scan of any is lost or doubled."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from nightrake.crashpoint import TRIPS, VARIABLE
from nightrake.longterm.tripfile import TripFile
from peers.warm import python
from shell.longterm.test_history_kills import SERVICE
from shell.longterm.triphistories import TripPast, records

WORK = """
import sys
from pathlib import Path
from shell.longterm.triphistories import turn
turn(Path(sys.argv[1]), int(sys.argv[2]))
"""
AIMS = (
    "before-trip after-trip before-trip-cursor mid-trip-part before-trip-part after-trip-part before-trip-name"
    " after-trip-name after-trip:2 mid-trip-part:2 before-trip-cursor"
).split()
TESTS = Path(__file__).resolve().parents[2]


def life(folder: Path, kill_at: str, quota_mb: int = 100) -> int:
    """One turn in a process of its own; gives its exit code."""
    environment = os.environ | {VARIABLE: kill_at, "PYTHONPATH": f"{SERVICE}:{TESTS}"}
    return python("-c", WORK, str(folder), str(quota_mb), env=environment).returncode


def seqs_of(folder: Path) -> dict[str, list[int]]:
    """Input numbers in each record."""
    found = {}
    for path in sorted((folder / "trips").iterdir()):
        if path.is_dir() or path.suffix == ".zip":
            with TripFile(path) as file:
                assert file.faults() == []
                assert file.record.name not in found
                found[file.record.name] = [int(seq) for part in file.readings() for seq in part.seq]
    return found


@pytest.mark.timeout(120)
def test_kills_lose_and_double_nothing(tmp_path: Path) -> None:
    """After each death the work goes on; in the end every record is what one undisturbed turn makes of that past."""
    past, reached = TripPast(), set[str]()
    past.snapshot()
    past.go(1_200, 20.0)
    for number, aim in enumerate(AIMS, 1):
        past.alarm("PC1", "shutdown", number)
        past.alarm("PC1", "alarm", number)
        past.go(60, 20.0)
        past.alarm("PC1", "shutdown", number, "reset", "normal")
        past.alarm("PC1", "alarm", number, "cleared", "normal")
        past.go(900, 20.0)
        past.keep(tmp_path)
        if life(tmp_path, aim) == -9:
            reached.add(aim.partition(":")[0])
    assert life(tmp_path, "") == 0
    assert reached == {name for name in TRIPS if not name.endswith("-gone")}
    killed, rows = seqs_of(tmp_path), {name: record.events for name, record in records(tmp_path).items()}
    for path in (tmp_path / "trips").iterdir():
        path.unlink()
    assert life(tmp_path, "") == 0
    assert seqs_of(tmp_path) == killed
    assert len(killed) == 2 * len(AIMS)
    assert {name: record.events for name, record in records(tmp_path).items()} == rows


@pytest.mark.parametrize("aim", ["before-trip-gone", "after-trip-gone"])
def test_killed_while_a_record_is_given_up(tmp_path: Path, aim: str) -> None:
    """What is written down as gone is gone, and is not made anew."""
    past = TripPast()
    past.snapshot()
    past.go(600, 20.0)
    past.alarm("PC1", "alarm", 1)
    past.alarm("PC1", "alarm", 1, "cleared", "normal")
    past.go(900, 20.0)
    past.keep(tmp_path)
    assert life(tmp_path, "") == 0
    assert len(records(tmp_path)) == 1
    assert life(tmp_path, aim, 0) == -9
    assert life(tmp_path, "") == 0
    assert records(tmp_path) == {}
    assert (tmp_path / "trips" / "given-up.jsonl").read_text().count("\n") == 1
