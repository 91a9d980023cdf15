"""kill -9 at every moment of backup, restore and compact: never half a backup, never half a store."""

from __future__ import annotations

import os
import shutil
import signal
from contextlib import closing
from pathlib import Path

import apsw
import pytest

from nightrake.crashpoint import CARE, VARIABLE
from nightrake.errors import StoreError
from nightrake.longterm.reading import History
from peers.warm import python
from shell.longterm.carestores import a_store, epoch_of, historian, records, seal
from shell.longterm.histories import Past

pytestmark = pytest.mark.timeout(60)  # each runs several commands, which are slow to begin on a busy machine

BACKUPS = ("mid-backup", "before-backup-list", "before-backup-name")
UNDECIDED = ("mid-restore-copy", "mid-restore-copy:2", "before-restore")
"""Before these the store is the old one."""
DECIDED = ("mid-restore", "mid-restore:2", "mid-restore:4", "mid-restore:5", "mid-restore:8", "before-restored")
COMPACTING = ("mid-compact", "before-compact-name")
KILLED = -signal.SIGKILL


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Past]:
    """A store of two hours; a backup of it as it was with one of them sealed; what is in both."""
    folder = tmp_path_factory.mktemp("made")
    past = a_store(folder / "state", 2, 1)
    assert historian("backup", folder / "b", state=folder / "state")[0] == 0
    seal(folder / "state")
    return folder / "state", folder / "b", past


@pytest.fixture
def state(made: tuple[Path, Path, Past], tmp_path: Path) -> Path:
    """A copy of the store for one test."""
    return shutil.copytree(made[0], tmp_path / "state")


def sealed(folder: Path) -> int:
    """How far a history goes."""
    with History(folder) as history:
        return history.sealed_seq()


def test_every_moment_is_aimed_at() -> None:
    """None is left out below."""
    aims = (*BACKUPS, *UNDECIDED, *DECIDED, *COMPACTING)
    assert {aim.partition(":")[0] for aim in aims} == set(CARE)


@pytest.mark.parametrize("aim", BACKUPS)
def test_killed_backup_is_none(state: Path, made: tuple[Path, Path, Past], tmp_path: Path, aim: str) -> None:
    """There is nothing under its name; the next one clears up and is whole."""
    target = tmp_path / "b"
    assert historian("backup", target, state=state, kill_at=aim)[0] == KILLED
    assert not target.exists()
    if aim != BACKUPS[-1]:
        code, _, error = historian("verify", tmp_path / ".b.part", state=state)
        assert (code, "is no whole backup" in error) == (1, True)
    assert historian("backup", target, state=state)[0] == 0
    assert sorted(p.name for p in tmp_path.iterdir()) == ["b", "state"]
    assert historian("verify", target, state=state)[0] == 0
    assert records(target) == records(state) == made[2].records


@pytest.mark.parametrize("aim", [*UNDECIDED, *DECIDED])
def test_killed_restore_leaves_the_old_store_or_is_finished(
    state: Path, made: tuple[Path, Path, Past], aim: str
) -> None:
    """Nobody can start on a mixture of both; given again it is done, and the old store is kept whole."""
    _, backup, past = made
    old, new = sealed(state), sealed(backup)
    assert historian("restore", backup, "--replace", state=state, kill_at=aim)[0] == KILLED
    if aim in UNDECIDED:
        epoch_of(state)  # a watch starts
        assert (sealed(state), records(state)) == (old, past.records)
    else:
        with pytest.raises(StoreError, match="a restore was cut off; give 'nightrake historian restore' again"):
            epoch_of(state)
        for word in ("verify", "compact"):
            code, said, error = historian(word, state=state)
            assert (code, "a restore was cut off" in said + error) == (1, True)
    code, said, error = historian("restore", backup, "--replace", state=state)
    assert (code, error) == (0, "")
    assert ("A restore that was cut off has been finished" in said) == (aim in DECIDED)
    (aside,) = state.glob("replaced-*")
    assert (sealed(state), sealed(aside)) == (new, old)
    assert records(state) == records(aside) == past.records
    assert not list(state.glob("restoring*"))
    assert epoch_of(state)[1]
    assert historian("verify", state=state)[0] == 0


def test_killed_compact_changes_nothing(state: Path, made: tuple[Path, Path, Past]) -> None:
    """Between the new file and its name."""
    epoch = epoch_of(state)[0]
    assert historian("compact", state=state, kill_at="before-compact-name")[0] == KILLED
    assert records(state) == made[2].records
    assert epoch_of(state) == (epoch, False)
    assert historian("compact", state=state)[0] == 0
    assert not list(state.glob("*.compact*"))
    assert records(state) == made[2].records
    assert historian("verify", state=state)[0] == 0


GIVE_BACK = (
    "import sys; from pathlib import Path; from nightrake.longterm.compacting import give_back\n"
    "from nightrake.longterm.writing import Writing\n"
    "print(give_back(Writing(Path(sys.argv[1]), 0), lambda: None).text)\n"
)


def test_worker_gives_back_in_steps(state: Path, made: tuple[Path, Path, Past]) -> None:
    """Killed after one step; the next goes on to the end, and nothing but free pages went."""
    with closing(apsw.Connection(str(state / "history.db"))) as db:
        db.execute("create table padding(x)")
        for _ in range(10):
            db.execute("insert into padding values(zeroblob(4000000))")
        db.execute("drop table padding")
    before = (state / "history.db").stat().st_size

    def give_back(kill_at: str) -> int:
        return python("-c", GIVE_BACK, str(state), env=os.environ | {VARIABLE: kill_at}).returncode

    assert give_back("mid-compact") == KILLED
    assert records(state) == made[2].records
    assert give_back("") == 0
    assert (state / "history.db").stat().st_size < before - 30_000_000
    assert records(state) == made[2].records
    assert historian("verify", state=state)[0] == 0
