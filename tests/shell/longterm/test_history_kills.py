"""kill -9 at every moment of sealing and retention: what was sealed by the worker's word is there, each record once."""

from __future__ import annotations

import hashlib
import json
import os
import random
import time
from itertools import pairwise
from pathlib import Path

import apsw
import pytest

from nightrake.crashpoint import SEALING, VARIABLE
from nightrake.domain.rows import TailRecord
from nightrake.longterm.reading import History
from peers.warm import start
from shell.longterm.histories import Past, forget_tail

ROUNDS = int(os.environ.get("NIGHTRAKE_KILLS", "20"))
RANDOM = "random"
AIMS = (
    "mid-history-migration random before-seal mid-seal before-sealed before-seal-commit after-seal-commit"
    " before-seal-told after-seal-told before-history-checkpoint mid-history-trim after-history-trim random mid-seal"
    " before-seal-commit after-seal-commit before-seal-told mid-history-trim random before-sealed"
).split()
"""Every moment within twenty kills; the first comes in the first life only, retention once there is enough."""
MORE_THAN_ONCE = ("mid-seal", "before-history-checkpoint")
SERVICE = Path(__file__).resolve().parents[3] / "service"
RAW_DAYS = 3.0 / 24


class Worker:
    """One life of the worker.

    Args:
        folder: Of the store. kill_at: Where it is to end; "" = nowhere.
    """

    def __init__(self, folder: Path, kill_at: str = "") -> None:
        job = {"state_dir": str(folder), "seal_s": 240.0, "raw_days": RAW_DAYS, "look_s": 0.05}
        environment = os.environ | {VARIABLE: kill_at, "PYTHONPATH": str(SERVICE)}
        self.process = start("-m", "nightrake.workers.keeping", json.dumps(job), env=environment)
        self.told = 0
        self.said: list[dict[str, object]] = []

    def hear(self) -> bool:
        """One line of it; False when it is gone."""
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        if not line.endswith("\n"):
            return False
        facts = json.loads(line)
        assert facts["error"] == "", facts
        self.said.append(facts)
        self.told = max(self.told, int(facts["sealed"]))
        return True

    def go_on(self, turns: int = 40) -> bool:
        """Hear it until it is gone, or has gone on for so many turns with nothing more to seal; whether it is gone.

        Turns, not seconds: a busy machine has few of them in a second.
        """
        idle, told = 0, self.told
        while idle < turns:
            if not self.hear():
                self.process.wait(10.0)
                return True
            idle, told = (idle + 1, told) if self.told == told else (0, self.told)
        return False

    def end(self) -> None:
        """Close its standard input, as the end of the watch does: it has to be gone at once."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        self.process.wait(5.0)
        self.process.stdout.close()

    def kill(self) -> None:
        """At once."""
        self.process.kill()
        self.end()


def digest(records: list[TailRecord]) -> str:
    """A hash over records."""
    whole = hashlib.sha256()
    for record in records:
        whole.update(repr(record).encode())
    return whole.hexdigest()


def look(folder: Path, told: int) -> None:
    """The file after a death: what was told is in it, whole and once."""
    with History(folder) as history:
        assert history.sealed_seq() >= told
        file = history._file()
        if file is None:
            return
        cuts = file.ask("select first_place, last_place, records from cut order by last_place")
        assert all(before[1] + 1 == after[0] for before, after in pairwise(cuts))
        for _, last, records in cuts:
            blocks = file.in_cut(last)
            assert sum(block.records for block in blocks) == records
            assert all(file.is_whole(block) for block in blocks)
        assert file.ask("select count(*) from block where cut not in (select last_place from cut)")[0][0] == 0
        orphans = "select count(*) from column_data where id / 16777216 not in (select id from block)"
        assert file.ask(orphans)[0][0] == 0


@pytest.mark.timeout(60 + 4 * ROUNDS)
def test_kills_lose_and_double_nothing(tmp_path: Path) -> None:
    """The tail is dropped up to what the worker has told, as the watch does; all hashes agree in the end."""
    chance, past, reached = random.Random(5), Past(), set[str]()
    past.snapshot()
    for number in range(ROUNDS):
        begin = len(past.records)
        past.go(1_500, 10.0)
        past.store(tmp_path, begin)
        aim = AIMS[number % len(AIMS)]
        count = chance.randint(1, 2) if aim in MORE_THAN_ONCE else 1
        worker = Worker(tmp_path, "" if aim == RANDOM else f"{aim}:{count}")
        if aim == RANDOM:
            end_s = time.monotonic() + chance.uniform(0.3, 0.9)
            while time.monotonic() < end_s and worker.hear():
                pass
        else:
            worker.go_on()
        reached |= {aim} if worker.process.poll() == -9 else set()
        worker.kill()
        look(tmp_path, worker.told)
        forget_tail(tmp_path, worker.told)
    worker = Worker(tmp_path)
    while worker.hear() and float(str(worker.said[-1]["behind_s"])) >= 240.0:
        pass
    worker.end()
    look(tmp_path, worker.told)
    with History(tmp_path) as history:
        kept = list(history.records(0, 2**40))
    assert kept
    assert digest(kept) == digest(past.records[-len(kept) :])
    span_ns = past.records[-1].mono_ns - kept[0].mono_ns
    assert span_ns >= min(RAW_DAYS * 86_400e9, past.records[-1].mono_ns - past.records[0].mono_ns)
    assert reached >= set(SEALING)


def test_worker_ends_with_the_watch(tmp_path: Path) -> None:
    """It holds on to nothing when its standard input is closed."""
    past = Past()
    past.go(60)
    past.store(tmp_path)
    worker = Worker(tmp_path)
    assert worker.hear()
    worker.end()
    assert worker.process.returncode == 0


def test_damaged_history_is_moved_aside(tmp_path: Path) -> None:
    """A new one is begun with what the tail still has, and the old file is kept; it is said."""
    past = Past()
    past.go(600, 3.0)
    past.store(tmp_path)
    (tmp_path / "history.db").write_bytes(b"no database at all" * 400)
    worker = Worker(tmp_path)
    assert worker.process.stdout is not None
    said = json.loads(worker.process.stdout.readline())
    assert "is damaged" in said["error"]
    while worker.told == 0:
        assert worker.hear()
    worker.end()
    assert [p.name.rpartition("-")[0] for p in tmp_path.glob("history.db.damaged-*")] == ["history.db.damaged"]
    with History(tmp_path) as history:
        assert list(history.records(0, 2**40)) == past.records


def test_newer_history_is_refused_in_one_sentence(tmp_path: Path) -> None:
    """And nothing in it is touched."""
    past = Past()
    past.go(10)
    past.store(tmp_path)
    worker = Worker(tmp_path)
    assert worker.hear()
    worker.end()
    db = apsw.Connection(str(tmp_path / "history.db"))
    db.execute("insert into migration values(99, 0)")
    db.close()
    worker = Worker(tmp_path)
    assert worker.process.stdout is not None
    said = json.loads(worker.process.stdout.readline())
    worker.end()
    assert "written by a newer nightrake" in said["error"]
    assert "\n" not in said["error"]
