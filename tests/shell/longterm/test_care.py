"""Backup, verify, restore, compact on a store with a sealed past: whole, refused, damaged, on a full disk."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import apsw
import pytest

from nightrake.errors import StoreError
from nightrake.journal.archivist import Archive
from nightrake.journal.lock import take_lock
from nightrake.longterm import care
from nightrake.longterm.backupfile import digest_of_file
from nightrake.longterm.blocks import Blocks
from nightrake.longterm.care import About
from nightrake.longterm.reading import History
from nightrake.longterm.writing import Writing
from peers.apart import Apart
from shell.journal.segments import small_segments
from shell.longterm.carestores import a_store, epoch_of, historian, records, seal
from shell.longterm.histories import NOON_MS, Past
from shell.longterm.triphistories import records as trip_records
from shell.longterm.triphistories import turn

pytestmark = pytest.mark.timeout(60)  # each runs several commands, which are slow to begin on a busy machine

HOURS = 4
ABOUT = About("works", "1", 0, gently=False)
Damage = Callable[[Path], object]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Past]:
    """A store of four hours, three of them sealed and summarised, and a journal."""
    folder = tmp_path_factory.mktemp("made") / "state"
    return folder, a_store(folder, HOURS, HOURS - 1)


@pytest.fixture
def state(made: tuple[Path, Past], tmp_path: Path) -> Path:
    """A copy of it for one test."""
    copy = shutil.copytree(made[0], tmp_path / "state")
    assert epoch_of(copy)[1]
    return copy


def test_backup_is_whole_and_stands_alone(state: Path, made: tuple[Path, Past], tmp_path: Path) -> None:
    """Everything is in it, it verifies, it is read like a store, and nothing was changed or left beside it."""
    before = records(state)
    code, said, error = historian("backup", tmp_path / "b", state=state)
    assert (code, error) == (0, "")
    assert "history sealed to input" in said
    code, said, _ = historian("verify", tmp_path / "b", state=tmp_path / "elsewhere")
    assert (code, "All of it holds." in said) == (0, True)
    assert records(tmp_path / "b") == before == records(state) == made[1].records
    assert sorted(os.listdir(tmp_path / "b")) == ["backup.json", "history.db", "store.db"]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["b", "state"]


def test_verify_looks_at_all_of_the_site(state: Path) -> None:
    """Every block, every record, and hours of summaries are counted."""
    code, said, error = historian("verify", state=state)
    assert (code, error) == (0, "")
    with closing(Blocks(state)) as blocks:
        count, held = blocks.ask("select count(*), sum(records) from block")[0]
    assert f"{count} blocks with {held} records" in said
    assert int(said.partition(" hours of summaries")[0].split()[-1]) > 3


def test_restored_store_is_a_new_life_of_the_same_past(state: Path, made: tuple[Path, Past], tmp_path: Path) -> None:
    """The next watch gives it an epoch of its own; sealing goes on where it was, in the same life of the numbers."""
    historian("backup", tmp_path / "b", state=state)
    elsewhere = tmp_path / "other"
    code, said, error = historian("restore", tmp_path / "b", state=elsewhere)
    assert (code, error) == (0, "")
    assert "lock-out procedure" in said
    assert sorted(os.listdir(elsewhere)) == ["history.db", "lock", "store.db"]
    original = epoch_of(state)
    new = epoch_of(elsewhere)
    assert (original[1], new[1], original[0] != new[0]) == (False, True, True)
    assert epoch_of(elsewhere) == (new[0], False)
    seal(elsewhere)
    assert records(elsewhere) == made[1].records
    with closing(Blocks(elsewhere)) as blocks:
        assert blocks.sealed() == (0, made[1].records[-1].seq)
    assert historian("verify", state=elsewhere)[0] == 0


def test_restore_refuses_a_held_store_and_moves_another_aside(state: Path, tmp_path: Path) -> None:
    """While a watch holds the lock nothing is touched; what was there before is kept whole."""
    historian("backup", tmp_path / "b", state=state)
    before = sorted(p.name for p in state.iterdir())
    with closing(take_lock(state)):
        code, _, error = historian("restore", tmp_path / "b", "--replace", state=state)
        assert (code, "another watch (process" in error) == (1, True)
    code, _, error = historian("restore", tmp_path / "b", state=state)
    assert (code, "holds a store already; --replace moves it aside" in error) == (1, True)
    assert sorted(p.name for p in state.iterdir()) == before
    seal(state)
    kept = records(state)
    code, said, _ = historian("restore", tmp_path / "b", "--replace", state=state)
    (aside,) = state.glob("replaced-*")
    assert (code, str(aside) in said) == (0, True)
    with History(aside) as history:
        assert history.sealed_seq() == kept[-1].seq
    with History(state) as history:
        assert history.sealed_seq() < kept[-1].seq
    assert records(aside) == kept == records(state)


def flip(path: Path) -> None:
    """One bit in the middle of a file."""
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0x10
    path.write_bytes(data)


def other_site(backup: Path) -> None:
    """As if it were another site's."""
    said = json.loads((backup / "backup.json").read_text())
    (backup / "backup.json").write_text(json.dumps(said | {"site": "elsewhere"}))


def newer_form(backup: Path) -> None:
    """A later program's."""
    text = (backup / "backup.json").read_text()
    (backup / "backup.json").write_text(text.replace("nightrake backup 1", "nightrake backup 2"))


def climbing(backup: Path) -> None:
    """A list that names a file outside of it."""
    text = (backup / "backup.json").read_text()
    (backup / "backup.json").write_text(text.replace('"store.db"', '"trips/../../store.db"'))


def newer_schema(backup: Path, name: str) -> None:
    """A later program's database, in a list that fits."""
    path = backup / name
    with closing(apsw.Connection(str(path))) as db:
        db.execute("insert into migration values(99, 0)")
    said = json.loads((backup / "backup.json").read_text())
    said["files"][name] = [path.stat().st_size, digest_of_file(path)]
    (backup / "backup.json").write_text(json.dumps(said))


DAMAGES: dict[str, tuple[Damage, str]] = {
    "no list": (lambda b: (b / "backup.json").unlink(), "is no whole backup, for there is no backup.json in it"),
    "cut list": (lambda b: (b / "backup.json").write_text("{"), "is damaged, or no list of a backup"),
    "newer form": (newer_form, "is 'nightrake backup 2', this program knows 'nightrake backup 1'"),
    "climbing": (climbing, "is damaged, or no list of a backup"),
    "flipped store": (lambda b: flip(b / "store.db"), "store.db: is not as it was written"),
    "flipped history": (lambda b: flip(b / "history.db"), "history.db: is not as it was written"),
    "missing file": (lambda b: (b / "history.db").unlink(), "history.db: is missing"),
    "newer history": (lambda b: newer_schema(b, "history.db"), "history schema 99, written by a newer nightrake"),
    "newer store": (lambda b: newer_schema(b, "store.db"), "store schema 99, written by a newer nightrake"),
    "other site": (other_site, "is a backup of the site 'elsewhere', not of 'fennmark'"),
}


@pytest.mark.parametrize("name", DAMAGES)
def test_damaged_backup_is_not_restored(state: Path, tmp_path: Path, name: str) -> None:
    """In one sentence; the store stays as it is."""
    damage, sentence = DAMAGES[name]
    historian("backup", tmp_path / "b", state=state)
    damage(tmp_path / "b")
    before = {p.name: p.read_bytes() for p in state.iterdir() if p.is_file() and p.name != "lock"}
    code, said, error = historian("restore", tmp_path / "b", "--replace", state=state)
    assert (code, said) == (1, "")
    assert sentence in error
    assert {p.name: p.read_bytes() for p in state.iterdir() if p.name != "lock"} == before


def test_newer_history_is_refused_everywhere(state: Path) -> None:
    """Whoever opens it says so in one sentence: the worker, readers, verify."""
    with closing(apsw.Connection(str(state / "history.db"))) as db:
        db.execute("insert into migration values(99, 0)")
    with pytest.raises(StoreError, match="history schema 99, written by a newer nightrake; this one knows"):
        Writing(state, NOON_MS)
    with pytest.raises(StoreError, match="history schema 99, this program reads up to"):
        Blocks(state)
    code, said, _ = historian("verify", state=state)
    assert (code, "history schema 99" in said) == (1, True)


def change(path: Path, statement: str) -> None:
    """Damage that SQLite itself does not see."""
    with closing(apsw.Connection(str(path))) as db:
        db.execute(statement)


STATEMENTS = {
    "a column": (
        "history.db",
        "update column_data set data = zeroblob(length(data)) where id = 16777217",
        "block 1 of",
    ),
    "a block": ("history.db", "delete from block where id = 2", "lacks a block"),
    "a cut": (
        "history.db",
        "delete from cut where last_place = (select last_place from cut order by last_place limit 1 offset 1)",
        "is missing",
    ),
    "its end": ("history.db", "update meta set value = value + 9 where key = 'sealed'", "but blocks end at"),
    "a journal row": ("store.db", "update journal set drive = 'PC2' where seq = 1", "does not fit its own hash"),
}


@pytest.mark.parametrize("name", STATEMENTS)
def test_verify_finds(state: Path, name: str) -> None:
    """Each is told by its place, with exit code 1."""
    file, statement, sentence = STATEMENTS[name]
    change(state / file, statement)
    code, said, _ = historian("verify", state=state)
    assert (code, sentence in said) == (1, True), said


def test_verify_finds_a_summary_that_its_blocks_do_not_bear_out(state: Path) -> None:
    """An hour of another is put in its place."""
    rows = "select id, data from summary_open order by id"
    with closing(apsw.Connection(str(state / "history.db"))) as db:
        found = list(db.execute(rows))
        db.executemany("update summary_open set data = ? where id = ?", [(found[0][1], key) for key, _ in found])
    code, said, _ = historian("verify", state=state)
    assert (code, "is not what its blocks say" in said) == (1, True), said


def test_verify_finds_a_page_that_was_overwritten(state: Path) -> None:
    """What SQLite's own check finds is told, and what cannot be read does not end the look."""
    with closing(apsw.Connection(str(state / "history.db"))) as db:
        db.execute("pragma wal_checkpoint(truncate)")
        pages = next(iter(db.execute("pragma page_count")))[0]
    with (state / "history.db").open("r+b") as file:
        for page in range(pages // 2, pages // 2 + 3):
            file.seek(page * 4096)
            file.write(b"\x99" * 4096)
    code, said, error = historian("verify", state=state)
    assert (code, error) == (1, "")
    assert "Looked at" in said


def test_what_is_sealed_between_the_two_is_in_it(
    state: Path, made: tuple[Path, Past], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """history.db is open, then another hour is sealed and the tail lets it go, then store.db is opened: begun anew."""
    opened, reading = [], care._reading

    def open_late(path: Path, stack: contextlib.ExitStack) -> apsw.Connection:
        found = reading(path, stack)
        opened.append(path.name)
        if len(opened) == 1:
            seal(state)
            change(state / "store.db", "delete from tail")
        return found

    monkeypatch.setattr(care, "_reading", open_late)
    care.back_up(state, tmp_path / "b", ABOUT)
    assert opened[:2] == ["history.db", "store.db"]
    assert records(tmp_path / "b") == made[1].records


@pytest.mark.timeout(60)
def test_full_target_leaves_nothing_behind(state: Path, tmp_path: Path) -> None:
    """A disk of a megabyte: refused before, and where it fills up meanwhile given up; the folder is empty after."""
    mount = tmp_path / "disk"
    mount.mkdir()
    size = sum(p.stat().st_size for p in state.iterdir())
    with closing(Apart("mount", f"mount -t tmpfs -o size={size // 2},mode=700 nightrake-test '{mount}'")) as disk:
        prefix = tuple(disk.prefix())
        code, _, error = historian("backup", mount / "b", state=state, prefix=prefix)
        assert (code, "MiB are needed" in error) == (1, True)
        assert list(disk.root(mount).iterdir()) == []
        bench = (
            "from nightrake.longterm import care; from pathlib import Path\n"
            "care.check_room = lambda *args: None\n"
            f"care.back_up(Path({str(state)!r}), Path({str(mount / 'b')!r}), care.About('x', '1', 0, False))\n"
        )
        done = subprocess.run([*prefix, sys.executable, "-c", bench], capture_output=True, text=True, check=False)
        assert "nothing was left behind" in done.stderr
        assert list(disk.root(mount).iterdir()) == []


@pytest.mark.timeout(60)
def test_restore_onto_a_small_disk_changes_nothing(state: Path, tmp_path: Path) -> None:
    """Said before anything is copied; the folder is as it was."""
    assert historian("backup", tmp_path / "b", state=state)[0] == 0
    mount = tmp_path / "disk"
    mount.mkdir()
    size = sum(p.stat().st_size for p in (tmp_path / "b").iterdir())
    with closing(Apart("mount", f"mount -t tmpfs -o size={size},mode=700 nightrake-test '{mount}'")) as disk:
        code, said, error = historian("restore", tmp_path / "b", state=mount / "state", prefix=tuple(disk.prefix()))
        assert (code, said, "MiB are needed" in error) == (1, "", True)
        assert os.listdir(disk.root(mount / "state")) == ["lock"]


def test_backup_onto_the_disk_of_the_store_leaves_room_for_the_watch(
    state: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where another program eats the disk meanwhile, the backup ends first."""
    monkeypatch.setattr(care, "check_room", lambda *_: None)
    monkeypatch.setattr(care, "free_bytes", lambda *_: 0)
    with pytest.raises(StoreError, match="the disk is nearly full; make room, nothing was left behind"):
        care.back_up(state, tmp_path / "b", ABOUT)
    assert [p.name for p in tmp_path.iterdir()] == ["state"]


def test_target_that_is_too_slow_is_given_up(state: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Before the store's log is so large that the watch keeps no scans."""
    monkeypatch.setattr(care, "MOST_LOG_BYTES", -1)
    with pytest.raises(StoreError, match="is too slow: the watch has written 0 MiB meanwhile; choose a faster disk"):
        care.back_up(state, tmp_path / "b", ABOUT)
    assert [p.name for p in tmp_path.iterdir()] == ["state"]


def test_two_backups_to_one_place(state: Path, tmp_path: Path) -> None:
    """The second is refused while the first is being made, and does it no harm."""
    part = tmp_path / ".b.part"
    part.mkdir()
    (part / "store.db").touch()
    handle = os.open(part, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        code, _, error = historian("backup", tmp_path / "b", state=state)
        assert (code, "another backup is being made there" in error) == (1, True)
        assert (part / "store.db").exists()
    finally:
        os.close(handle)


def test_restored_files_belong_to_whom_the_folder_belongs(state: Path, tmp_path: Path) -> None:
    """Root restores, and the watch, a user of its own, can write; a compacted file likewise."""
    assert historian("backup", tmp_path / "b", state=state)[0] == 0
    other = tmp_path / "other"
    other.mkdir()
    if os.geteuid() == 0:
        os.chown(other, 12_345, 12_345)
    assert historian("restore", tmp_path / "b", state=other)[0] == 0
    assert historian("restore", tmp_path / "b", "--replace", state=other)[0] == 0
    assert historian("compact", state=other)[0] == 0
    assert {p.stat().st_uid for p in other.rglob("*")} == {other.stat().st_uid}


def test_target_that_cannot_be_is_refused(state: Path, tmp_path: Path) -> None:
    """Something is there, no folder to make it in, no store."""
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "x").touch()
    for target, sentence in (
        (tmp_path / "full", "is there already"),
        (tmp_path / "no" / "b", "there is no folder"),
    ):
        code, _, error = historian("backup", target, state=state)
        assert (code, sentence in error) == (1, True)
    code, _, error = historian("backup", tmp_path / "b", state=tmp_path / "empty")
    assert (code, "there is no store" in error) == (1, True)


def test_compacted_files_are_smaller_and_the_same_store(state: Path, made: tuple[Path, Past]) -> None:
    """Free pages go, the epoch stays: a store that was written anew is not taken for a copy."""
    epoch = epoch_of(state)[0]
    for name in ("store.db", "history.db"):
        change(state / name, "create table padding as select zeroblob(4000000) as x")
        change(state / name, "drop table padding")
    before = {name: (state / name).stat().st_size for name in ("store.db", "history.db")}
    code, said, error = historian("compact", state=state)
    assert (code, error) == (0, "")
    assert said.count("MiB now") == 2
    assert all((state / name).stat().st_size < size for name, size in before.items())
    assert epoch_of(state) == (epoch, False)
    assert records(state) == made[1].records
    assert historian("verify", state=state)[0] == 0


def test_trip_records_and_archive_go_along(night: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Finished and open ones, and closed segments of the journal; damage in either is found, in a backup and here."""
    state = shutil.copytree(night, tmp_path / "state")
    small_segments(monkeypatch)
    archive_journal(state)
    before = trip_records(state)
    assert {record.because == "" for record in before.values()} == {True, False}
    assert historian("backup", tmp_path / "b", state=state)[0] == 0
    code, said, _ = historian("verify", tmp_path / "b", state=state)
    assert (code, f"{len(before)} trip records" in said) == (0, True)
    assert historian("restore", tmp_path / "b", state=tmp_path / "other")[0] == 0
    assert trip_records(tmp_path / "other") == before
    turn(tmp_path / "other")
    assert trip_records(tmp_path / "other") == before
    code, said, _ = historian("verify", state=tmp_path / "other")
    assert (code, "All of it holds." in said) == (0, True)
    for place, sentence in (("trips/*.zip", "trips/"), ("trips/*/*.gz", "trips/"), ("archive/*", "archive/")):
        (path, *_) = (tmp_path / "other").glob(place)
        kept = path.read_bytes()
        flip(path)
        code, said, _ = historian("verify", state=tmp_path / "other")
        assert (code, sentence in said) == (1, True), said
        path.write_bytes(kept)


def archive_journal(folder: Path) -> None:
    """Close segments of a few rows, as the watch does of ten thousand."""
    with closing(apsw.Connection(str(folder / "store.db"))) as db:
        archive = Archive(folder)
        archive.go_on(db, time.monotonic() + 2.0)
    assert archive.written > 1
