"""kill -9 at every moment of a commit: what was told durable is there, transactions are whole, no number recurs."""

from __future__ import annotations

import os
import random
from dataclasses import dataclass, field
from pathlib import Path

import apsw
import pytest

from nightrake.crashpoint import STORE, VARIABLE
from nightrake.journal.chain import verify
from nightrake.journal.reader import Reader, read_all
from nightrake.journal.schema import schema_number
from peers.warm import python
from shell.journal import victim

ONCE = ("mid-migration", "before-open-commit", "after-open-commit", "before-close")
"""Moments that come once in a life at most."""
TESTS = Path(__file__).resolve().parents[2]


@dataclass
class Ledger:
    """What one life of the victim said."""

    code: int
    used: list[str] = field(default_factory=list)
    hashes: dict[str, str] = field(default_factory=dict)
    durable: int = 0
    clean: bool = True


def live(state_dir: Path, number: int, kill_at: str) -> Ledger:
    """Let the victim live until its aimed end."""
    paths = os.pathsep.join([str(TESTS), str(TESTS.parent / "service")])
    environment = os.environ | {VARIABLE: kill_at, "PYTHONPATH": paths}
    done = python(victim.__file__, str(state_dir), str(number), env=environment, timeout=15.0)
    assert done.stderr == ""
    look_whole(state_dir)
    ledger = Ledger(done.returncode)
    for words in map(str.split, done.stdout.splitlines()):
        if words[0] == "use":
            ledger.used.append(words[1])
            ledger.hashes[words[1]] = words[2]
        elif words[0] == "durable":
            ledger.durable = int(words[1])
        elif words[0] == "epoch":
            ledger.clean = words[3] == "1"
    return ledger


def look(state_dir: Path, ledgers: list[Ledger]) -> None:
    """Hold the store against everything that was ever said."""
    reader = Reader(state_dir / "store.db")
    rows = list(read_all(reader.rows_after, lambda row: row.seq))
    reader.close()
    kept = {row.id: row.hash.hex() for row in rows}
    said = {k: v for ledger in ledgers for k, v in ledger.hashes.items()}
    used = [used for ledger in ledgers for used in ledger.used]

    assert len(used) == len(set(used)), "a number was used twice"
    assert all(said[key] == value for key, value in kept.items())
    assert verify(rows) == []
    for ledger in ledgers:
        durable = [u for u in ledger.used if int(u.split("-")[1]) <= ledger.durable]
        assert set(durable) <= set(kept), "a durable row is missing"


def look_whole(state_dir: Path) -> None:
    """Rows, state and cursor of one transaction came together: looked at after each end, before anybody mends it."""
    db = apsw.Connection(str(state_dir / "store.db"), flags=apsw.SQLITE_OPEN_READONLY)
    if not schema_number(db):  # killed before there was a journal
        db.close()
        return
    newest = db.execute("select coalesce(max(seq), 0) from journal").get
    state = db.execute("select payload from judgement where key = 'last'").get
    cursor = db.execute("select seq from cursor where name = 'mqtt'").get
    assert db.execute("pragma integrity_check").get == "ok"
    db.close()

    assert int(state or 0) == newest
    assert (cursor or 0) == newest


@pytest.mark.parametrize("point", STORE)
def test_kill_at_each_moment_loses_nothing_durable(tmp_path: Path, point: str) -> None:
    """Killed at this moment once or twice: all that was told durable is there, and no number was used twice."""
    state = tmp_path / "state"
    aims = [f"{point}:1", f"{point}:{random.Random(point).randint(2, 9)}", ""]
    ledgers = [live(state, n, aim) for n, aim in enumerate(aims)]
    assert ledgers[-1].code == 0
    assert ledgers[0].code == -9
    if ledgers[1].code == -9:
        assert not ledgers[2].clean

    look(state, ledgers)


def test_lives_that_end_anyhow_never_use_a_number_twice(tmp_path: Path) -> None:
    """Twenty lives with ends drawn from a seed, clean ones among them, on one store."""
    draw = random.Random(20)
    state, ledgers = tmp_path / "state", []
    for number in range(20):
        point = draw.choice([*STORE, ""])
        count = 1 if point in ONCE else draw.randint(1, 6)
        ledgers.append(live(state, number, f"{point}:{count}" if point else ""))
    assert sum(ledger.code == -9 for ledger in ledgers) >= 10

    look(state, ledgers)
