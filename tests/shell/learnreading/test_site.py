"""A site's drives judged here or by two processes: the same, in the same order, and ended with whoever asked."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from nightrake.errors import StoreError
from nightrake.history.period import Period
from nightrake.learning.days import Side
from nightrake.learning.trend import Trend
from nightrake.learnreading import judging
from nightrake.learnreading import site as reading
from nightrake.learnreading.days import DayReading
from nightrake.learnreading.site import Asked, Failed, Outcome, detailed, journal_of, judged
from shell.learnreading.test_days import FIRST, NOW_MS, Store
from summarydrives import make_drive

SPEC = replace(make_drive(), shutdown_nm=40_000.0, alarm_nm=32_000.0)
ASKED_DAYS = 70
DRIVES = [replace(SPEC, id=f"D{number}") for number in range(12)]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve drives of seventy days; the last has none."""
    made = tmp_path_factory.mktemp("site")
    for number, spec in enumerate(DRIVES[:-1]):
        store = Store(made, spec)
        chance = np.random.default_rng(number)
        for day in range(ASKED_DAYS):
            level = 2_000 + 3 * number * day + int(chance.normal(0, 20))
            store.steady([day], [level, level + 10, level + 20], hours=2)
        store.close()
    return made


def asked_of(folder: Path) -> Asked:
    """All of it."""
    return Asked(folder, Period(0, NOW_MS), (FIRST + ASKED_DAYS) * 86_400_000)


def told(found: list[Outcome]) -> list[tuple[str, str, float]]:
    """Who, and what was said."""
    out = []
    for one in found:
        assert not isinstance(one, Failed), one
        out += [(t.drive, t.sentence, round(t.level_nm, 6) if t.level_nm == t.level_nm else -1.0) for t in one]
    return out


def test_two_processes_say_what_one_says(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same verdicts in the order of the drives, whoever judged them; progress reaches the end."""
    progress: list[tuple[int, int]] = []
    two = told(judged(asked_of(folder), DRIVES, {}, lambda done, of: progress.append((done, of))))
    monkeypatch.setattr(reading, "ALONE", 99)
    assert told(judged(asked_of(folder), DRIVES, {})) == two
    assert [drive for drive, *_ in two] == [spec.id for spec in DRIVES]
    assert progress == [(n, len(DRIVES)) for n in range(1, len(DRIVES) + 1)]


def test_one_drive_in_detail_is_judged_the_same(folder: Path) -> None:
    """With what it was judged by."""
    ((side, trend),) = detailed(asked_of(folder), DRIVES[3], {})
    (again,) = judged(asked_of(folder), DRIVES[3:4], {})
    assert not isinstance(again, Failed)
    assert again[0].sentence == trend.sentence
    assert len(side.days.utc_ms) == ASKED_DAYS


def test_history_that_is_not_there_is_one_sentence(tmp_path: Path) -> None:
    """For few drives and for many, before any process is started."""
    for drives in (DRIVES[:2], DRIVES):
        with pytest.raises(StoreError, match="no readable history"):
            judged(asked_of(tmp_path), drives, {})


def test_journal_that_is_not_there_is_said(tmp_path: Path) -> None:
    """Trends are judged without it."""
    found, lacking = journal_of(tmp_path, Period(0, NOW_MS), NOW_MS)
    assert found == {}
    assert lacking.endswith("there is no journal; function checks and releases are not known")


def test_helper_that_dies_is_a_sentence(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """And the other one ends too."""
    seen: list[int] = []

    def kill(done: int, of: int) -> None:
        children = Path(f"/proc/self/task/{os.getpid()}/children").read_text().split()
        seen.extend(int(pid) for pid in children if b"learnreading.apart" in Path(f"/proc/{pid}/cmdline").read_bytes())
        for pid in seen:
            os.kill(pid, signal.SIGKILL)

    with pytest.raises(StoreError, match="a helping process ended before it had judged the drive"):
        judged(asked_of(folder), DRIVES, {}, kill)
    assert len(seen) == 2
    assert not any(Path(f"/proc/{pid}").exists() for pid in seen)


ORPHANS = """
import os, sys, pathlib
sys.path[:0] = {paths!r}
from shell.learnreading.test_site import DRIVES, asked_of
from nightrake.learnreading.days import DayReading
from nightrake.learnreading.site import judged
def stop(done, of):
    print(*pathlib.Path(f"/proc/self/task/{{os.getpid()}}/children").read_text().split(), flush=True)
    os.kill(os.getpid(), 9)
if __name__ == "__main__":
    judged(asked_of(pathlib.Path({folder!r})), DRIVES, {{}}, stop)
"""


def test_helpers_end_with_whoever_asked(folder: Path, tmp_path: Path) -> None:
    """A kill -9 of the command leaves no process behind."""
    script = tmp_path / "asks.py"
    paths = [str(Path(__file__).resolve().parents[2])]
    script.write_text(ORPHANS.format(paths=paths, folder=str(folder)))
    done = subprocess.run([sys.executable, str(script)], capture_output=True, text=True, timeout=18, check=False)
    assert done.returncode == -9, done.stderr
    pids = [int(pid) for pid in done.stdout.split()]
    assert pids
    for pid in pids:
        descriptor = _descriptor(pid)
        if descriptor >= 0:
            assert _ends(descriptor)


def _descriptor(pid: int) -> int:
    try:
        return os.pidfd_open(pid)
    except ProcessLookupError:
        return -1


def _ends(descriptor: int) -> bool:
    try:
        return bool(select.select([descriptor], [], [], 10.0)[0])
    finally:
        os.close(descriptor)


def test_drive_that_cannot_be_read_leaves_the_others(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sentence in its place."""

    class Sick(DayReading):
        def sides(self, period: Period) -> list[Side]:
            if self._spec.id == "D2":
                raise StoreError("D2: sick")
            return super().sides(period)

    monkeypatch.setattr(judging, "DayReading", Sick)
    found = judged(asked_of(folder), DRIVES[:4], {})
    assert found[2] == Failed("D2", "D2: sick")
    assert all(isinstance(one, list) and isinstance(one[0], Trend) for n, one in enumerate(found) if n != 2)
