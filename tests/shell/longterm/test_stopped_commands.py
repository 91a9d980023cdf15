"""Commands that are told to end while they write, or that cannot write on: nothing half done stays behind."""

from __future__ import annotations

import fcntl
import os
import shutil
import signal
import subprocess
import sys
from contextlib import ExitStack
from functools import partial
from pathlib import Path

import pytest

from nightrake.cli.stopping import Stopped, stopped_in_order
from nightrake.cli.wholefile import whole_file
from nightrake.longterm.cutoffbackups import clear_cut_off
from peers.warm import python
from shell.longterm.carestores import a_store, historian
from shell.longterm.histories import CONFIG

pytestmark = pytest.mark.timeout(60)  # each runs several commands, which are slow to begin on a busy machine
ENDS = (signal.SIGTERM, signal.SIGHUP)
RUN = "\nfrom nightrake.cli.main import main\nmain()"
AT_THE_NAME = """
import os, signal, sys
def hook(event, args):
    if event == "os.link":  # all is written and on disk, only the name is missing
        for number in map(int, {numbers}):
            os.kill(os.getpid(), number)
sys.addaudithook(hook)
"""
IN_THE_MIDDLE = """
import os, signal
from nightrake.longterm import care
care.reach = lambda name: name == "mid-backup" and os.kill(os.getpid(), {number})
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of an hour and its journal."""
    folder = tmp_path_factory.mktemp("made") / "state"
    a_store(folder, 1, 1)
    return folder


def run(program: str, *words: str | Path, state: Path, ignored: bool = False) -> tuple[int, str]:
    """A command in a process of its own, after some lines of Python: exit code, and what it said on standard error."""

    argv = ("-c", program + RUN, *map(str, words), "--config", str(CONFIG), "--set", f"store.dir={state}")
    if not ignored:
        done = python(*argv)
    else:  # as nohup does
        ignore = partial(signal.signal, signal.SIGHUP, signal.SIG_IGN)
        told = [sys.executable, *argv]
        done = subprocess.run(told, capture_output=True, text=True, timeout=60, check=False, preexec_fn=ignore)
    return done.returncode, " ".join(done.stderr.split())


@pytest.mark.parametrize("number", ENDS)
def test_stopped_export_leaves_nothing(made: Path, tmp_path: Path, number: signal.Signals) -> None:
    """A timer's end or a closed terminal: no half file, in no name."""
    program = AT_THE_NAME.format(numbers=[int(number)])
    code, said = run(program, "journal", "export", "--csv", tmp_path / "x.csv", state=made)

    assert (code, said) == (128 + number, f"nightrake: stopped by {number.name}.")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("number", ENDS)
def test_stopped_backup_leaves_nothing(made: Path, tmp_path: Path, number: signal.Signals) -> None:
    """However many gigabytes were there already."""
    code, said = run(IN_THE_MIDDLE.format(number=int(number)), "historian", "backup", tmp_path / "b", state=made)

    assert (code, said) == (128 + number, f"nightrake: stopped by {number.name}.")
    assert list(tmp_path.iterdir()) == []


def test_hang_up_that_is_ignored_stays_so(made: Path, tmp_path: Path) -> None:
    """Under nohup an export runs to its end."""
    program = AT_THE_NAME.format(numbers=[int(signal.SIGHUP)])
    assert run(program, "journal", "export", "--csv", tmp_path / "x.csv", state=made, ignored=True)[0] == 0
    assert [p.name for p in tmp_path.iterdir()] == ["x.csv"]


def test_second_signal_does_not_disturb_the_clearing_up(tmp_path: Path) -> None:
    """A service manager sends SIGTERM and SIGHUP; afterwards both are as they were."""
    before = [signal.getsignal(number) for number in ENDS]

    def write() -> None:
        with stopped_in_order(), ExitStack() as stack:
            stack.callback(os.kill, os.getpid(), signal.SIGHUP)  # while it is cleared up
            out = stack.enter_context(whole_file(tmp_path / "x.csv", replace=False))
            out.write(b"half")
            os.kill(os.getpid(), signal.SIGTERM)

    with pytest.raises(Stopped) as end:
        write()
    assert (end.value.number, end.value.code) == (signal.SIGTERM, 143)
    assert list(tmp_path.iterdir()) == []
    assert [signal.getsignal(number) for number in ENDS] == before


def test_backup_clears_what_killed_ones_of_other_names_left(made: Path, tmp_path: Path) -> None:
    """Names with a date in them do not recur; what is being made and what is somebody else's stays."""
    assert historian("backup", tmp_path / "b-1", state=made, kill_at="before-backup-list")[0] == -signal.SIGKILL
    assert (tmp_path / ".b-1.part").is_dir()
    beside = {name: tmp_path / f".{name}.part" for name in ("made-now", "empty", "other", "few")}
    for path in beside.values():
        path.mkdir()
    shutil.copytree(made, beside["made-now"], dirs_exist_ok=True)
    (beside["other"] / "store.db").touch()
    (beside["other"] / "letters.txt").write_text("mine")
    (beside["few"] / "trips").mkdir()
    beside["few"].chmod(0o755)
    handle = os.open(beside["made-now"], os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        assert historian("backup", tmp_path / "b-2", state=made)[0] == 0
    finally:
        os.close(handle)

    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(["b-2", *(p.name for p in beside.values())])
    assert clear_cut_off(tmp_path / "nowhere") == []


@pytest.mark.parametrize("unbuffered", ["", "1"])
@pytest.mark.parametrize(
    "words",
    [
        ("journal", "export", "--csv", "-"),
        ("journal", "read"),
        ("history", "PC1", "2026-09-21", "--csv", "-"),
        ("history", "PC1", "2026-09-21"),
    ],
)
def test_full_standard_output_is_a_sentence(made: Path, words: tuple[str, ...], unbuffered: str) -> None:
    """However little is to be written; no traceback."""
    command = [sys.executable, "-m", "nightrake.cli", *words, "--config", str(CONFIG), "--set", f"store.dir={made}"]
    here = os.environ | {"PYTHONUNBUFFERED": unbuffered}
    with open("/dev/full", "wb") as full:
        done = subprocess.run(
            command, stdout=full, stderr=subprocess.PIPE, text=True, timeout=60, check=False, env=here
        )

    said = "nightrake: standard output cannot be written (No space left on device); what stands there is not whole\n"
    assert (done.returncode, done.stderr) == (1, said)


def test_reader_that_has_enough_ends_it_quietly(made: Path) -> None:
    """As `| head` does."""
    ours, theirs = os.pipe()
    os.close(ours)
    command = [sys.executable, "-m", "nightrake.cli", "journal", "read", "--config", str(CONFIG)]
    try:
        done = subprocess.run(
            [*command, "--set", f"store.dir={made}"],
            stdout=theirs,
            stderr=subprocess.PIPE,
            text=True,
            timeout=60,
            check=False,
        )
    finally:
        os.close(theirs)

    assert (done.returncode, done.stderr) == (1, "")
