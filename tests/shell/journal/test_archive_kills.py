"""kill -9 at every moment of a segment's way into a file and out of the store: every durable row is in one of them."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from nightrake.crashpoint import ARCHIVE, VARIABLE
from nightrake.journal.archive import FOLDER, Where
from nightrake.journal.audit import Audit
from nightrake.journal.search import Search
from peers.warm import python
from shell.journal import archive_victim

TESTS = Path(__file__).resolve().parents[2]


def live(state_dir: Path, kill_at: str) -> tuple[int, dict[int, str], int]:
    """One life: exit code, hash of each row by its number, the highest that was told durable."""
    paths = os.pathsep.join([str(TESTS), str(TESTS.parent / "service")])
    environment = os.environ | {VARIABLE: kill_at, "PYTHONPATH": paths}
    done = python(archive_victim.__file__, str(state_dir), env=environment, timeout=30.0)
    assert done.stderr == ""
    lines = [line.split() for line in done.stdout.splitlines()]
    used = {int(words[1].split("-")[1]): words[2] for words in lines if words[0] == "use"}
    return done.returncode, used, max((int(words[1]) for words in lines if words[0] == "durable"), default=0)


def look(state_dir: Path, used: dict[int, str], durable: set[int]) -> None:
    """Everything that was durable is in the store or in a file, unless its file was given up, which its record says."""
    search = Search(state_dir / "store.db")
    audit = Audit({})
    gone = [k.segment for k in search.archives() if k.where is Where.NOWHERE]
    rows = list(search.raw())
    for segment in gone:
        audit.pass_over(segment)
    for row in rows:
        audit.take(row)
    faults = search.archive_faults()
    search.close()

    assert faults == []
    assert [w for w in audit.done().wrong if "no start row says that they were skipped" not in w.text] == []
    assert {row.seq: row.hash.hex() for row in rows}.items() <= used.items()
    given_up = {seq for s in gone for seq in range(s.first_seq, s.last_seq + 1)}
    assert durable - given_up <= {row.seq for row in rows}


@pytest.mark.timeout(60)
@pytest.mark.parametrize("point", ARCHIVE)
def test_kill_on_the_way_into_the_archive_loses_nothing(tmp_path: Path, point: str) -> None:
    """Twice at this moment, looked at after each; then a life to its end, which leaves nothing half done."""
    used: dict[int, str] = {}
    durable: set[int] = set()
    for aim in (f"{point}:1", f"{point}:3", ""):
        code, more, highest = live(tmp_path, aim)
        assert code == (-9 if aim else 0)
        used |= more
        durable |= {seq for seq in more if seq <= highest}
        look(tmp_path, used, durable)

    search = Search(tmp_path / "store.db")
    strangers, kept = search.strangers(), [k for k in search.archives() if k.where is not Where.NOWHERE]
    search.close()
    assert len(strangers) <= 1  # the last life may have ended before the record of its last file
    assert len(list((tmp_path / FOLDER).iterdir())) <= len(kept) + len(strangers) + 1
