"""Backup, verify, restore and compact where history is lost, damaged, newer or another's: said, and not made worse."""

from __future__ import annotations

import shutil
from contextlib import closing
from pathlib import Path

import apsw
import pytest

from nightrake.longterm import damage
from nightrake.longterm.checking import Checking
from nightrake.longterm.recomputing import Wish, leave_untold, told, untold
from nightrake.longterm.tail import Tail
from nightrake.longterm.writing import Writing
from shell.longterm.carestores import a_store, historian
from shell.longterm.histories import NOON_MS, Past

pytestmark = pytest.mark.timeout(60)  # each runs several commands, which are slow to begin on a busy machine

HOURS = 3


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of three hours, all of them sealed."""
    folder = tmp_path_factory.mktemp("made") / "state"
    a_store(folder, HOURS, HOURS)
    with closing(Tail(folder)) as tail:
        epoch, last = tail.meta("epoch"), tail.span()[1]
    change(folder / "store.db", "insert into cursor values('history', ?, ?, ?)", epoch, last, epoch)
    change(folder / "history.db", "update meta set value = ? where key = 'epoch'", epoch)
    return folder


@pytest.fixture
def state(made: Path, tmp_path: Path) -> Path:
    """A copy of it for one test."""
    return shutil.copytree(made, tmp_path / "state")


def change(path: Path, statement: str, *values: object) -> None:
    """Something in a database is otherwise."""
    db = apsw.Connection(str(path))
    db.execute(statement, values)
    db.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_TRUNCATE)
    db.close()


def spoil(state: Path) -> None:
    """A sealed block is not what was written."""
    change(state / "history.db", "update column_data set data = zeroblob(30) where id % 16777216 = 1")


def test_backup_of_a_damaged_history_is_no_success(state: Path, tmp_path: Path) -> None:
    """Exit code 1, in words, and the copy is kept; of a sound one it is 0, and verify agrees with both."""
    code, said, error = historian("backup", tmp_path / "sound", state=state)
    assert (code, error) == (0, "")
    assert "DAMAGED" not in said
    spoil(state)
    code, said, error = historian("backup", tmp_path / "spoilt", state=state)
    assert (code, error) == (1, "")
    assert "is not what was written" in said
    assert "HISTORY IS LOST OR DAMAGED IN THE STORE" in said
    assert "which is kept. Keep the backups before it" in said
    assert (tmp_path / "spoilt" / "backup.json").exists()
    assert historian("verify", tmp_path / "sound", state=state)[0] == 0
    assert historian("verify", tmp_path / "spoilt", state=state)[0] == 1


def test_backup_after_a_history_was_moved_aside_is_no_success(state: Path, tmp_path: Path) -> None:
    """The new one is sound, but has not what the backups before it have."""
    shutil.copy(state / "history.db", state / "history.db.damaged-1000")
    code, said, _ = historian("backup", tmp_path / "b", state=state)
    assert code == 1
    assert "history was damaged and moved aside" in said


def test_verify_names_what_lies_moved_aside_and_restore_moves_it_away(state: Path, tmp_path: Path) -> None:
    """After a restore the history is there again, and nothing stands told that is over."""
    assert historian("backup", tmp_path / "b", state=state)[0] == 0
    (state / "history.db").rename(state / "history.db.damaged-1000")
    damage.note_loss(state, 2000, "inputs 1 to 9 are gone")
    code, said, _ = historian("verify", state=state)
    assert code == 1
    assert "history.db.damaged-1000: history was damaged and moved aside" in said
    assert "inputs 1 to 9 are gone" in said
    code, said, error = historian("restore", tmp_path / "b", "--replace", state=state)
    assert (code, error) == (0, "")
    assert damage.remains(state) == []
    (aside,) = state.glob("replaced-*")
    assert sorted(p.name for p in aside.iterdir() if "." in p.name and "db." in p.name) == [
        "history.db.damaged-1000",
        "history.db.lost-2000",
    ]
    assert historian("verify", state=state)[0] == 0


def test_history_that_is_gone_is_a_fault(state: Path, tmp_path: Path) -> None:
    """store.db knows how far was sealed."""
    (state / "history.db").unlink()
    code, said, _ = historian("verify", state=state)
    assert code == 1
    assert "history.db: is not there, though inputs up to" in said
    assert historian("backup", tmp_path / "b", state=state)[0] == 1


def test_history_that_was_switched_off_and_taken_away_is_no_fault(state: Path, tmp_path: Path) -> None:
    """On purpose: neither for verify nor for a backup, nor for verify of that backup wherever it lies."""
    (state / "history.db").unlink()
    off = ("--set", "history.enabled=false")
    assert historian("verify", *off, state=state)[0] == 0
    code, said, error = historian("backup", tmp_path / "b", *off, state=state)
    assert (code, error) == (0, "")
    assert "LOST" not in said
    assert historian("verify", tmp_path / "b", state=state)[0] == 0
    damage.note_loss(state, 2000, "inputs 1 to 9 are gone")
    assert historian("verify", *off, state=state)[0] == 1


def test_what_cannot_be_read_at_all_is_one_fault(state: Path) -> None:
    """However often it is met on the way, each fault is said once."""
    (state / "history.db").write_bytes(b"no database at all, for sure")
    code, said, _ = historian("verify", state=state)
    assert code == 1
    assert said.count("is damaged (file is not a database)") == 1


def test_older_or_empty_history_is_a_fault(state: Path) -> None:
    """One that ends before what was sealed was exchanged."""
    change(state / "history.db", "update meta set value = 5 where key = 'sealed'")
    code, said, _ = historian("verify", state=state)
    assert code == 1
    assert "ends at input 5, though inputs up to" in said


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        (
            "insert or replace into meta values('site', 'othermark'), ('epoch', '00000000')",
            "history of the site 'othermark', not of 'fennmark'",
        ),
        ("update meta set value = '00000000' where key = 'epoch'", "history of another store (epoch 00000000)"),
        (
            """insert into meta values('damage', '{"sentence": "block 3 is damaged", "place": 9}')""",
            "block 3 is damaged",
        ),
    ],
)
def test_strange_or_damaged_history_is_a_fault(state: Path, statement: str, words: str) -> None:
    """By its site, its epoch, and by what the worker has met in it."""
    change(state / "history.db", statement)
    code, said, _ = historian("verify", state=state)
    assert (code, words in said) == (1, True)


def test_lives_that_the_journal_never_had_are_named(state: Path) -> None:
    """They may be of a store that was lost, so they are no fault."""
    change(state / "history.db", "insert into life values(7, 'feedbead0000', ?)", NOON_MS)
    code, said, _ = historian("verify", state=state)
    assert code == 0
    assert "under a store that this journal never had: epoch feedbead0000, from 20" in said


def test_life_of_another_site_is_a_fault(state: Path, tmp_path: Path) -> None:
    """Its settings say whose it is; of the same site a store was lost, and that is its own past."""
    ((digest, built),) = rows(state / "history.db", "select digest, built from settings")
    other = built.replace('"id":"fennmark"', '"id":"othermark"', 1)
    assert other != built
    change(state / "history.db", "insert into settings values('d2', 0, '', ?)", other)
    change(state / "history.db", "insert into life values(7, 'feedbead0000', ?)", NOON_MS)
    change(state / "history.db", "insert into period values(7 * 281474976710656 + 1, ?)", digest)
    assert historian("verify", state=state)[0] == 0
    change(state / "history.db", "insert into period values(7 * 281474976710656 + 2, 'd2')")
    code, said, _ = historian("verify", state=state)
    assert code == 1
    assert "holds a time of the site 'othermark' (epoch feedbead0000, from 20" in said
    code, said, _ = historian("backup", tmp_path / "b", state=state)
    assert (code, "othermark" in said) == (1, True)


def test_life_of_another_site_is_known_by_its_blocks_too(state: Path) -> None:
    """Where its settings did not change within it, nothing else names them."""
    ((built,),) = rows(state / "history.db", "select built from settings")
    other = built.replace('"id":"fennmark"', '"id":"othermark"', 1)
    change(state / "history.db", "insert into settings values('d2', 0, '', ?)", other)
    change(state / "history.db", "insert into name values(99, 'd2')")
    change(state / "history.db", "insert into life values(7, 'feedbead0000', ?)", NOON_MS)
    assert list(Checking(state).held("fennmark")) == []
    change(state / "history.db", "update block set digest = 99, cut = cut + 7 * 281474976710656 where id = 1")
    (fault,) = Checking(state).held("fennmark")
    assert "holds a time of the site 'othermark'" in fault


def rows(path: Path, statement: str) -> list[tuple[str, ...]]:
    """What a database answers."""
    db = apsw.Connection(str(path))
    found: list[tuple[str, ...]] = list(db.execute(statement))
    db.close()
    return found


@pytest.mark.parametrize("name", ["history.db", "store.db"])
def test_compact_leaves_a_newer_program_s_file_alone(state: Path, name: str) -> None:
    """Whoever is older does not know what is to be kept in it."""
    change(state / name, "insert into migration values(99, 0)")
    before = (state / name).read_bytes()
    code, _, error = historian("compact", state=state)
    assert code != 0
    assert f"{name}: has schema 99, written by a newer nightrake" in error
    assert "Traceback" not in error
    assert (state / name).read_bytes() == before


def test_word_that_is_left_for_the_journal_is_handed_on_once(state: Path) -> None:
    """In the order in which it was done, however often a watch begins."""
    (curve, *_) = Past().settings.site.drives["PC1"].calibrations.values()
    with closing(Writing(state, NOON_MS)) as writing:
        for number in range(12):
            leave_untold(writing.db, Wish("PC1", curve, number, number + 1), "anna", f"{number} days")
        found = untold(writing.db)
        assert [left["text"] for _, left in found] == [f"{number} days" for number in range(12)]
        assert found[0][1]["actor"] == "anna"
        for key, _ in found[:11]:
            told(writing.db, key)
        leave_untold(writing.db, Wish("PC1", curve, 0, 1), "anna", "more")
        assert [left["text"] for _, left in untold(writing.db)] == ["11 days", "more"]
