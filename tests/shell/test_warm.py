"""A process that was forked from one that waits is as one that was begun anew: the tests of commands rest on that."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from nightrake.crashpoint import VARIABLE
from peers.warm import python, start

LOOK = """
import os, sys
from nightrake.longterm import care
print(os.getcwd(), os.environ.get("LOOK"), sys.argv, __name__, sys.stdin.read(), sys.stdout.isatty())
sys.stderr.write("beside\\n")
care.reach("mid-backup")
raise SystemExit(7)
"""


@pytest.mark.parametrize("aim", ["", "mid-backup", "mid-backup:2", "mid-restore"])
def test_forked_process_is_as_a_new_one(tmp_path: Path, aim: str) -> None:
    """Folder, environment, words, standard handles, exit code; and where it is aimed at it dies."""
    env = {**os.environ, "LOOK": "here", VARIABLE: aim}
    words = ("-c", LOOK, "a", "b")
    forked = python(*words, env=env, cwd=str(tmp_path))
    command = [sys.executable, *words]
    new = subprocess.run(command, capture_output=True, text=True, env=env, cwd=tmp_path, check=False)

    assert forked.returncode == new.returncode == (-signal.SIGKILL if aim == "mid-backup" else 7)
    assert (forked.stdout, forked.stderr) == (new.stdout, new.stderr)


def test_error_is_told_with_its_place() -> None:
    """As Python tells it: exit code 1."""
    forked = python("-c", "import sys\n1 / 0")

    assert (forked.returncode, forked.stdout) == (1, "")
    assert 'File "<string>", line 2, in <module>\nZeroDivisionError: division by zero\n' in forked.stderr


def test_modules_of_the_environments_path_come_first(tmp_path: Path) -> None:
    """A file of that path is found, as a module and by its name."""
    (tmp_path / "shown.py").write_text("import sys; print(__name__, sys.argv[1:])")
    env = {**os.environ, "PYTHONPATH": str(tmp_path)}

    assert python("-m", "shown", "x", env=env).stdout == "__main__ ['x']\n"
    assert python("-c", "import shown", env=env).stdout == "shown []\n"
    assert python(str(tmp_path / "shown.py"), "y").stdout == "__main__ ['y']\n"


def test_process_is_talked_to_and_ended() -> None:
    """Over pipes, as any other; it lives until it is killed."""
    process = start("-c", "import sys\nfor line in sys.stdin: print(line.upper(), end='', flush=True)")
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write("word\n")
    process.stdin.flush()
    assert process.stdout.readline() == "WORD\n"
    assert process.poll() is None
    with pytest.raises(subprocess.TimeoutExpired):
        process.wait(0.01)
    process.kill()
    assert process.wait(10.0) == -signal.SIGKILL
    assert process.poll() == process.returncode == -signal.SIGKILL
    assert process.stdout.read() == ""
    process.stdin.close()
    process.stdout.close()
