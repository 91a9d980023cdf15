"""History that is removed, exchanged, damaged or another's: told, bounded, never mixed, and sealing goes on."""

from __future__ import annotations

import time
from contextlib import closing
from pathlib import Path

import apsw
import pytest

from nightrake.errors import StoreError
from nightrake.longterm import damage
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.checking import Checking
from nightrake.longterm.room import Room
from nightrake.longterm.sealing import Sealing
from nightrake.longterm.summarising import Summarising, mark
from nightrake.longterm.tail import Tail
from nightrake.longterm.writing import Writing
from nightrake.workers.upkeep import Upkeep
from shell.longterm.apartworker import Worker
from shell.longterm.histories import NOON_MS, Past, S, forget_tail

HOURS = 8
PAGE = 4096


def some(folder: Path) -> Past:
    """A store of ten minutes."""
    past = Past()
    past.snapshot()
    past.go(600, 3.0)
    past.store(folder)
    return past


def remove(folder: Path) -> None:
    """What somebody does who tidies up."""
    for name in ("history.db", "history.db-wal", "history.db-shm"):
        (folder / name).unlink(missing_ok=True)


# --- removed, exchanged -----------------------------------------------------------------------------------------------


def test_history_that_is_removed_in_mid_run_is_begun_anew_and_told(tmp_path: Path) -> None:
    """Nothing in a file without a name is said to be sealed; what is gone stands told until its note is taken away."""
    past = some(tmp_path)
    with closing(Worker(tmp_path)) as worker:
        sealed = int(str(worker.hear(lambda said: said.get("sealed", 0) == past.seq - 1)["sealed"]))
        forget_tail(tmp_path, sealed // 2)
        remove(tmp_path)
        said = worker.hear(lambda said: bool(said.get("damage")))
        assert f"inputs 1 to {sealed // 2} is gone" in str(said["damage"])
        assert worker.hear(lambda said: said.get("sealed") == sealed)["damage"]
        (note,) = tmp_path.glob("history.db.lost-*")
        note.rename(tmp_path / "seen")
        worker.hear(lambda said: said.get("damage") == "")
    with closing(Blocks(tmp_path)) as file:
        assert file.sealed()[1] == sealed
        assert file.ask("select min(first_place) from block") == [(sealed // 2 + 1,)]


def test_file_without_a_name_is_not_called_sealed(tmp_path: Path) -> None:
    """The tail may drop what is said to be sealed."""
    some(tmp_path)
    with closing(Tail(tmp_path)) as tail, closing(Writing(tmp_path, NOON_MS)) as writing:
        writing.begin("e", 1, NOON_MS)
        assert not writing.is_left()
        Sealing(tail, writing).seal(NOON_MS)
        (tmp_path / "history.db").rename(tmp_path / "moved")
        assert writing.is_left()
        (tmp_path / "history.db").write_bytes(b"")
        assert writing.is_left()


def test_history_that_is_gone_at_a_start_is_told(tmp_path: Path) -> None:
    """By what the watch knows to be sealed; where the tail still has all of it nothing is lost, and nothing told."""
    past = some(tmp_path)
    with closing(Worker(tmp_path, sealed=past.seq - 1)) as worker:
        assert worker.hear(lambda said: said.get("sealed") == past.seq - 1)["damage"] == ""
    remove(tmp_path)
    forget_tail(tmp_path, 100)
    with closing(Worker(tmp_path, sealed=past.seq - 1)) as worker:
        said = worker.hear(lambda said: said.get("sealed") == past.seq - 1)
        assert "inputs 1 to 100 is gone" in str(said["damage"])
    with closing(Worker(tmp_path, sealed=past.seq - 1)) as worker:
        assert "inputs 1 to 100 is gone" in str(worker.hear(lambda said: "sealed" in said)["damage"])
    assert len(list(tmp_path.glob("history.db.lost-*"))) == 1


@pytest.mark.parametrize("whose", ["site", "store"])
def test_history_of_another_store_is_refused(tmp_path: Path, whose: str) -> None:
    """One sentence, nothing in it is touched, and nothing is mixed; out of the way, sealing goes on."""
    past = some(tmp_path)
    with closing(Worker(tmp_path, site="fennmark")) as worker:
        worker.hear(lambda said: said.get("sealed") == past.seq - 1)
    db = apsw.Connection(str(tmp_path / "history.db"))
    db.execute("update meta set value = ? where key = 'epoch'", ("0" * 16,))
    if whose == "site":
        db.execute("update meta set value = 'othermark' where key = 'site'")
    db.close()
    before = (tmp_path / "history.db").read_bytes()
    with closing(Worker(tmp_path, site="fennmark", sealed=past.seq - 1, began_under="e")) as worker:
        said = worker.hear(lambda said: bool(said.get("error")))
        assert f"is the history of {'the site' if whose == 'site' else 'another store'}" in str(said["error"])
        assert "\n" not in str(said["error"])
        assert (tmp_path / "history.db").read_bytes() == before
    (tmp_path / "history.db").rename(tmp_path / "theirs.db")
    with closing(Worker(tmp_path, site="fennmark", sealed=past.seq - 1)) as worker:
        assert worker.hear(lambda said: said.get("sealed") == past.seq - 1)["error"] == ""


def test_history_goes_on_where_the_site_was_renamed(tmp_path: Path) -> None:
    """The store's own epoch is in it, so it is its own by whatever name; the new one is kept."""
    past = some(tmp_path)
    for site in ("fennmark", "fennmark-east"):
        with closing(Worker(tmp_path, site=site, sealed=past.seq - 1)) as worker:
            assert worker.hear(lambda said: said.get("sealed") == past.seq - 1)["error"] == ""
        assert list(Checking(tmp_path).held(site)) == []
    with closing(Blocks(tmp_path)) as file:
        assert file.ask("select value from meta where key = 'site'") == [("fennmark-east",)]


def test_history_goes_on_where_the_store_was_lost_or_put_back(tmp_path: Path) -> None:
    """An epoch that is not this store's is no stranger to a store that has not sealed anything."""
    past = some(tmp_path)
    with closing(Worker(tmp_path)) as worker:
        worker.hear(lambda said: said.get("sealed") == past.seq - 1)
    with closing(Worker(tmp_path, epoch="another", first_free=past.seq)) as worker:
        said = worker.hear(lambda said: "sealed" in said)
    assert (said["error"], said["sealed"]) == ("", past.seq - 1)
    third = {"epoch": "third", "first_free": past.seq, "sealed": past.seq - 1}
    with closing(Worker(tmp_path, **third, began_under="second")) as worker:
        assert "another store (epoch another)" in str(worker.hear(lambda said: "sealed" in said)["error"])
    with closing(Worker(tmp_path, **third, began_under="another")) as worker:
        assert worker.hear(lambda said: "sealed" in said)["error"] == ""


def test_store_begun_anew_under_an_earlier_version_keeps_its_history(tmp_path: Path) -> None:
    """That version kept no epoch beside the number of what was sealed: nothing says that the file is a stranger's."""
    past = some(tmp_path)
    with closing(Worker(tmp_path, site="fennmark")) as worker:
        worker.hear(lambda said: said.get("sealed") == past.seq - 1)
    anew = {"epoch": "anew", "first_free": past.seq, "sealed": past.seq - 1, "began_under": ""}
    with closing(Worker(tmp_path, site="othermark", **anew)) as worker:
        assert "history of the site 'fennmark'" in str(worker.hear(lambda said: "sealed" in said)["error"])
    with closing(Worker(tmp_path, site="fennmark", **anew)) as worker:
        said = worker.hear(lambda said: "sealed" in said)
    assert (said["error"], said["sealed"], said["damage"]) == ("", past.seq - 1, "")


# --- moved aside ------------------------------------------------------------------------------------------------------


def test_damaged_file_is_told_for_as_long_as_it_lies_there(tmp_path: Path) -> None:
    """Also by the next worker, and all is well only when somebody has taken it away."""
    past = some(tmp_path)
    (tmp_path / "history.db").write_bytes(b"no database at all" * 400)
    for _ in range(2):
        with closing(Worker(tmp_path)) as worker:
            said = worker.hear(lambda said: said.get("sealed") == past.seq - 1 and not said["error"])
            assert "history was damaged and moved aside" in str(said["damage"])
    (aside,) = damage.remains(tmp_path)
    with closing(Worker(tmp_path)) as worker:
        worker.hear(lambda said: bool(said.get("damage")))
        aside.rename(tmp_path / "theirs")
        worker.hear(lambda said: said.get("damage") == "")


def test_what_lies_moved_aside_goes_before_sound_readings(tmp_path: Path) -> None:
    """It counts within the quota; that it was given up stays said."""
    some(tmp_path)
    with closing(Tail(tmp_path)) as tail, closing(Writing(tmp_path, NOON_MS)) as writing:
        writing.begin("e", 1, NOON_MS)
        Sealing(tail, writing).seal(NOON_MS)
        for number in (1000, 2000):
            (tmp_path / f"history.db.damaged-{number}").write_bytes(b"x" * 3_000_000)
        (tmp_path / "history.db.damaged-1000-wal").write_bytes(b"x" * 100)
        room = Room(writing, 30.0, 5)
        while room.trim():
            pass
        assert (room.given_up, damage.aside_bytes(tmp_path)) == (0, 3_000_000)
        assert [p.name for p in damage.remains(tmp_path)] == ["history.db.lost-1000", "history.db.damaged-2000"]
        assert "given up for want of room" in damage.sentences(tmp_path)[0]
        assert room.make_room()
        assert damage.aside_bytes(tmp_path) == 0
        assert file_records(writing) > 0


def file_records(writing: Writing) -> int:
    return int(next(iter(writing.db.execute("select coalesce(sum(records), 0) from cut")))[0])


def test_strange_names_in_the_folder_are_no_trouble(tmp_path: Path) -> None:
    """A clock beyond the year 9999, folders, logs, other programs' copies, a note of many megabytes."""
    for name in ("damaged-99999999999999999", "damaged-5-wal", "damaged-old", "backup-7", "lost-"):
        (tmp_path / f"history.db.{name}").write_bytes(b"")
    (tmp_path / "history.db.damaged-3").mkdir()
    (tmp_path / "history.db.lost-4").write_bytes(b"\xff\n" * 1_000_000)
    assert [p.name for p in damage.remains(tmp_path)] == ["history.db.lost-4", "history.db.damaged-99999999999999999"]
    assert all(len(sentence) < 700 and sentence.isprintable() for sentence in damage.sentences(tmp_path))
    assert "9999-12-31" in damage.told(tmp_path)
    assert damage.told(tmp_path).startswith("history was lost 2 times; the last: ")


# --- damaged pages ----------------------------------------------------------------------------------------------------


@pytest.fixture
def sealed(tmp_path: Path) -> Path:
    """Eight hours, sealed and not yet summarised."""
    past = Past()
    past.snapshot()
    for _ in range(HOURS):
        past.go(3_590, 10.0)
        past.pass_time(12 * S)
    past.store(tmp_path)
    with closing(Tail(tmp_path)) as tail, closing(Writing(tmp_path, NOON_MS)) as writing:
        writing.begin(tail.meta("epoch"), 1, NOON_MS)
        sealing = Sealing(tail, writing)
        while sealing.seal(NOON_MS, mark):
            pass
        writing.db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_TRUNCATE)
    return tmp_path


def overwrite(folder: Path, table: str, share: float) -> None:
    """Two neighbouring leaf pages of a table are no pages any more."""
    path = folder / "history.db"
    db = apsw.Connection(str(path), flags=apsw.SQLITE_OPEN_READONLY)
    statement = "select pageno from dbstat where name = ? and pagetype = 'leaf' order by path"
    leaves = [int(v[0]) for v in db.execute(statement, (table,))]
    db.close()
    first = int(len(leaves) * share)
    with path.open("r+b") as file:
        for page in leaves[first : first + 2]:
            file.seek((page - 1) * PAGE)
            file.write(b"\xff" * PAGE)


def test_retention_goes_on_past_damaged_pages(sealed: Path) -> None:
    """Cuts go without the pages that cannot be freed, which are counted and not taken out of the sound."""
    overwrite(sealed, "column_data", 0.25)
    with closing(Writing(sealed, NOON_MS)) as writing:
        writing.begin("e", 1, NOON_MS)
        room, total = Room(writing, 30.0, 16_384), file_records(writing)
        before = room.used_bytes()
        (half,) = next(iter(writing.db.execute("select sum(bytes) / 2 from block")))
        room._quota_bytes = before - half
        while room.trim():
            pass
        stuck, kept = damage.stuck_bytes(writing), file_records(writing)
        assert 0 < stuck < half
        assert total // 4 < kept < total
        assert room.given_up == total - kept
        assert room.used_bytes() - stuck <= room._quota_bytes
        assert room.used_bytes() < before


def upkeep_of(folder: Path, writing: Writing, blocks: Blocks, raw_days: float, said: list[str]) -> Upkeep:
    """The worker's part under test."""
    room = Room(writing, raw_days, 16_384)
    return Upkeep(writing, blocks, room, (730.0, 3650.0), lambda: None, said.append)


def test_hour_over_a_damaged_page_is_made_without_it(sealed: Path) -> None:
    """Summaries go on, the damage stands told, over a new start too, and retention takes its turn."""
    overwrite(sealed, "column_data", 0.5)
    with closing(Writing(sealed, NOON_MS)) as writing, closing(Blocks(sealed)) as blocks:
        writing.begin("e", 1, NOON_MS)
        upkeep = upkeep_of(sealed, writing, blocks, 3.0 / 24, [])
        total = file_records(writing)
        upkeep.work()
        assert blocks.ask("select count(*) from summary_due") == [(0,)]
        assert "damaged" in upkeep.told()
        assert "restore it from a backup" in upkeep.told()
        assert file_records(writing) < total
        again = upkeep_of(sealed, writing, blocks, 3.0 / 24, [])
        assert "damaged" in again.told()


def test_damage_is_no_longer_told_when_all_of_that_time_is_past(sealed: Path) -> None:
    """But for pages that stay in the file: then it stands."""
    with closing(Writing(sealed, NOON_MS)) as writing:
        writing.begin("e", 1, NOON_MS)
        damage.note(writing, "block 1 is damaged")
        assert not damage.forget(writing)
        writing.db.execute("insert into cut values(?, ?, 0, 0, 0)", (writing.place(writing.sealed + 9),) * 2)
        writing.db.execute("delete from cut where last_place <= ?", (writing.place(writing.sealed),))
        damage.add_stuck(writing, 1)
        assert not damage.forget(writing)
        writing.db.execute("delete from meta where key = 'stuck_bytes'")
        assert damage.forget(writing)
        assert damage.noted(writing) == ""


@pytest.mark.parametrize("table", ["cut", "block_cut"])
def test_quota_that_cannot_be_kept_is_told(sealed: Path, table: str) -> None:
    """Where even the list of cuts is damaged nothing can go: neither silence nor a file moved aside for that."""
    overwrite(sealed, table, 0.0)
    with closing(Writing(sealed, NOON_MS)) as writing, closing(Blocks(sealed)) as blocks:
        writing.begin("e", 1, NOON_MS)
        upkeep = upkeep_of(sealed, writing, blocks, 1.0 / 24, [])
        upkeep.work()
        assert "raw_days and quota_mb are not kept" in upkeep.told()
        assert not upkeep.make_room()
    assert damage.remains(sealed) == []


def test_unreadable_list_of_blocks_ends_no_summaries(sealed: Path) -> None:
    """The hours that it names are done with, not tried each turn for ever."""
    overwrite(sealed, "block", 0.0)
    said: list[str] = []
    with closing(Writing(sealed, NOON_MS)) as writing, closing(Blocks(sealed)) as blocks:
        writing.begin("e", 1, NOON_MS)
        summarising = Summarising(writing.db, blocks, said.append)
        end_s = time.monotonic() + 15.0
        while summarising.work():
            assert time.monotonic() < end_s
        assert blocks.ask("select count(*) from summary_due") == [(0,)]
    assert any("is damaged" in sentence for sentence in said)


# --- long work --------------------------------------------------------------------------------------------------------


@pytest.mark.timeout(60)
def test_long_retention_says_that_it_is_alive_and_ends_its_turn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Thousands of cuts at once: after each something is said, and people are answered between turns."""
    some(tmp_path)
    monkeypatch.setattr("nightrake.workers.upkeep.TURN_S", 0.0)
    alive: list[int] = []
    with closing(Writing(tmp_path, NOON_MS)) as writing:
        writing.begin("e", 1, NOON_MS)
        cuts = [(place, place, 0, 60_000, 0) for place in range(1, 3_001)]
        writing.db.execute("begin")
        writing.db.executemany("insert into cut values(?, ?, ?, ?, ?)", cuts)
        writing.db.execute("commit")
        with closing(Blocks(tmp_path)) as blocks:
            room = Room(writing, 1.0, 16_384)
            upkeep = Upkeep(writing, blocks, room, (1.0, 1.0), lambda: alive.append(1), lambda _: None)
            upkeep.work()
            assert (upkeep.more, len(alive)) == (True, 1)
            monkeypatch.setattr("nightrake.workers.upkeep.TURN_S", 60.0)
            statements: list[str] = []
            writing.db.trace_v2(apsw.SQLITE_TRACE_STMT, lambda event: statements.append(str(event["sql"])))
            upkeep.work()
            writing.db.trace_v2(0, None)
        assert not upkeep.more
        assert list(writing.db.execute("select count(*), min(last_place) from cut")) == [(1_440, 1_561)]
        assert sum("over (order by" in one for one in statements) <= 2


def test_history_of_a_newer_program_is_told_and_left_alone(tmp_path: Path) -> None:
    """What the watch knows to be sealed stays sealed."""
    past = some(tmp_path)
    with closing(Worker(tmp_path)) as worker:
        worker.hear(lambda said: said.get("sealed") == past.seq - 1)
    db = apsw.Connection(str(tmp_path / "history.db"))
    db.execute("insert into migration values(99, 0)")
    db.close()
    with closing(Worker(tmp_path, sealed=past.seq - 1)) as worker:
        said = worker.hear(lambda said: bool(said.get("error")))
    assert "written by a newer nightrake" in str(said["error"])
    assert said["sealed"] == past.seq - 1


def test_foreign_epoch_is_looked_for_in_archive_and_journal(tmp_path: Path) -> None:
    """One that the journal has had is the store's own, whatever became of its rows."""
    some(tmp_path)
    with closing(Tail(tmp_path)) as tail:
        own = tail.meta("epoch")
        assert tail.knows(own)
        assert not tail.knows("0" * 16)
    db = apsw.Connection(str(tmp_path / "store.db"))
    db.execute(
        "insert into archive values(1, 2, 2, ?, x'', x'', 0, 0, '', 0, '', 0)",
        ("0" * 16,),
    )
    db.close()
    with closing(Tail(tmp_path)) as tail:
        assert tail.knows("0" * 16)
        with closing(Writing(tmp_path, NOON_MS)) as writing:
            writing.begin("0" * 16, 1, NOON_MS)
            writing.begin(own, 1, NOON_MS, "fennmark", lambda epoch: not tail.knows(epoch))
            with pytest.raises(StoreError, match="is the history of the site 'fennmark', not of 'other'"):
                writing.begin("1" * 16, 1, NOON_MS, "other")
