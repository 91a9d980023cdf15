"""What the history worker says while a disk fails or is full: neither silence nor back and forth."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import apsw

from nightrake.longterm import damage
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.writing import Writing
from shell.longterm.apartworker import Worker
from shell.longterm.carestores import a_store
from shell.longterm.histories import NOON_MS
from shell.longterm.sickworker import SickWorker
from shell.longterm.test_history_lost import some
from shell.longterm.triphistories import TripPast


def change(folder: Path, statement: str) -> None:
    """Something in history.db is otherwise."""
    db = apsw.Connection(str(folder / "history.db"))
    db.set_busy_timeout(5000)
    db.execute(statement)
    db.close()


def test_failure_is_told_until_a_turn_goes_well(tmp_path: Path) -> None:
    """Each try says first that it is alive: that is no word of its having gone well."""
    past = TripPast()
    past.snapshot()
    past.go(300, 3.0)
    past.alarm("PC1", "shutdown", 1)
    past.go(60, 3.0)
    past.keep(tmp_path)
    Writing(tmp_path, NOON_MS).close()
    change(tmp_path, "create trigger sick before insert on cut begin select raise(abort, 'the disk is sick'); end")
    with closing(Worker(tmp_path, retry_s=0.05, alive_s=0.0)) as worker:
        worker.hear(lambda said: "the disk is sick" in str(said.get("error")))
        assert all("the disk is sick" in str(said["error"]) for said in worker.hear_more(10))
        change(tmp_path, "drop trigger sick")
        assert worker.hear(lambda said: said.get("error") == "")["sealed"] == past.seq - 1


def test_giving_up_on_a_full_disk_is_told_until_there_is_room(tmp_path: Path) -> None:
    """A cut that found its place is no room yet; with room it is over."""
    past = a_store(tmp_path / "state", 6, 2)
    state = tmp_path / "state"
    with closing(SickWorker(state, retry_s=0.05, seal_s=10**9)) as worker:
        assert [said["error"] for said in worker.hear_more(2)] == ["", ""]
        (state / "scarce").touch()
        (state / "full-once").touch()
        worker.ask(seal=True)
        worker.hear(lambda said: "the disk is full: the oldest" in str(said.get("error")))
        worker.hear(lambda said: said.get("sealed") == past.seq - 1)
        assert all("the disk is full: the oldest" in str(said["error"]) for said in worker.hear_more(5))
        assert int(str(worker.said["given_up"])) > 0
        (state / "scarce").unlink()
        worker.hear(lambda said: said.get("error") == "")


def test_what_was_moved_aside_makes_room_for_a_new_history(tmp_path: Path) -> None:
    """On a full disk the damaged file goes, that it went stays told, and sealing begins."""
    past = some(tmp_path)
    (tmp_path / "history.db.damaged-1000").write_bytes(bytes(100_000))
    with closing(SickWorker(tmp_path, retry_s=0.05)) as worker:
        said = worker.hear(lambda said: said.get("sealed") == past.seq - 1)
        assert said["error"] == ""
        assert "was given up for want of room" in str(said["damage"])
    assert [path.name for path in damage.remains(tmp_path)] == ["history.db.lost-1000"]
    with closing(Blocks(tmp_path)) as file:
        assert file.sealed()[1] == past.seq - 1
