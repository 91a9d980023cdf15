"""What is shipped: the package's contents, and the set-up script's behaviour on machines that lack something."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import tarfile
import time
import tomllib
import zipfile
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the wheel and the source archive."""
    folder = tmp_path_factory.mktemp("dist")
    done = subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-d", str(folder)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return folder


def test_wheel_holds_the_whole_package_and_nothing_else(built: Path) -> None:
    """Every file of the package that is no by-product is in the wheel; tests and settings are not."""
    with zipfile.ZipFile(next(built.glob("*.whl"))) as wheel:
        names = {n for n in wheel.namelist() if ".dist-info/" not in n}
    package = ROOT / "service" / "nightrake"
    wanted = {
        str(p.relative_to(package.parent))
        for p in package.rglob("*")
        if p.is_file() and p.suffix not in (".pyc",) and "__pycache__" not in p.parts
    }

    assert names == wanted
    assert "nightrake/py.typed" in names


def test_wheel_has_the_command(built: Path) -> None:
    """Installing it gives `nightrake`."""
    with zipfile.ZipFile(next(built.glob("*.whl"))) as wheel:
        entry_points = next(n for n in wheel.namelist() if n.endswith("entry_points.txt"))
        text = wheel.read(entry_points).decode()

    assert "nightrake = nightrake.cli.main:main" in text


def test_source_archive_holds_settings_deployment_and_tests(built: Path) -> None:
    """Whoever has the source archive can run the demo and the tests."""
    with tarfile.open(next(built.glob("*.tar.gz"))) as archive:
        names = {n.split("/", 1)[1] for n in archive.getnames() if "/" in n}

    assert {"deploy/demo", "deploy/lib.sh", "tests/run", "config/site.toml", "LICENSE", "README.md"} <= names


def test_every_dependency_has_a_floor() -> None:
    """An unpinned floor would let a known-bad release in."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *(d for extra in project["optional-dependencies"].values() for d in extra)]

    assert [d for d in wanted if ">=" not in d and d != "tzdata"] == []
    assert any(d.startswith("pymodbus>=3.16.1") for d in wanted)
    assert any(d.startswith("aiomqtt>=2.5,<3") for d in wanted)


# --- set-up on other machines: only the machine is pretended (id, dpkg-query, apt-get, python3) -----------------------


def pretend(folder: Path, programs: Mapping[str, str]) -> dict[str, str]:
    """Put shell programs of these names first on PATH."""
    for name, body in programs.items():
        program = folder / name
        program.write_text(f"#!/bin/sh\n{body}\n")
        program.chmod(0o755)
    return {**os.environ, "PATH": f"{folder}:/usr/bin:/bin", "LOG": str(folder / "log")}


def set_up(root: Path, calls: str, env: Mapping[str, str]) -> subprocess.CompletedProcess[str]:
    """Run functions of deploy/lib.sh for a checkout."""
    script = f"set -euo pipefail; root={root}; source {ROOT / 'deploy' / 'lib.sh'}; {calls}"
    return subprocess.run(
        ["bash", "-c", script], env=dict(env), capture_output=True, text=True, timeout=15, check=False
    )


NOTHING_INSTALLED = "exit 1"


def test_plain_user_is_told_the_missing_packages_in_one_sentence(tmp_path: Path) -> None:
    """Nothing is tried that only root can do; the sentence names every package."""
    env = pretend(tmp_path, {"id": "echo 1000", "dpkg-query": NOTHING_INSTALLED, "apt-get": "echo ran >>$LOG"})

    done = set_up(tmp_path, "need_packages 'the test suite' mosquitto gcc", env)

    assert done.returncode == 1
    assert len(done.stderr.splitlines()) == 1
    assert "mosquitto gcc" in done.stderr
    assert not (tmp_path / "log").exists()


def test_root_installs_what_is_missing_and_says_what(tmp_path: Path) -> None:
    """Only the missing ones are installed, without asking."""
    some = '[ "$4" = gcc ] && echo installed || exit 1'
    env = pretend(tmp_path, {"id": "echo 0", "dpkg-query": some, "apt-get": 'echo "$@" >>$LOG'})

    done = set_up(tmp_path, "need_packages 'the test suite' mosquitto gcc", env)

    assert done.returncode == 0, done.stderr
    assert "Installing from Debian: mosquitto\n" in done.stderr
    log = (tmp_path / "log").read_text()
    assert log.startswith("install -y")
    assert log.split()[-1] == "mosquitto"


def test_missing_package_lists_are_fetched_once(tmp_path: Path) -> None:
    """On a bare machine the first install fails for want of lists; they are fetched and it is tried again."""
    apt = '[ "$1" = update ] && touch $LOG.lists; echo "$1" >>$LOG; [ -e $LOG.lists ]'
    env = pretend(tmp_path, {"id": "echo 0", "dpkg-query": NOTHING_INSTALLED, "apt-get": apt})

    done = set_up(tmp_path, "need_packages 'the test suite' gcc", env)

    assert done.returncode == 0, done.stderr
    assert (tmp_path / "log").read_text().split() == ["install", "update", "install"]


def test_old_python_is_refused_in_one_sentence(tmp_path: Path) -> None:
    """A Python before 3.11 is named."""
    old = '[ "$1" = --version ] && echo Python 3.9.2 && exit 0; exit 1'
    env = pretend(tmp_path, {"python3": old})

    done = set_up(tmp_path, "find_python", env)

    assert done.returncode == 1
    assert done.stderr == "nightrake set-up: nightrake needs Python 3.11 or newer; this is Python 3.9.2.\n"


def test_second_set_up_installs_nothing_until_the_project_changes(tmp_path: Path) -> None:
    """The environment is made once; changed dependencies are noticed."""
    (tmp_path / "pyproject.toml").write_text("one")
    programs = tmp_path / "programs"
    programs.mkdir()
    bin_folder = tmp_path / ".venv" / "bin"
    bin_folder.mkdir(parents=True)
    env = pretend(programs, {})
    python = bin_folder / "python"
    python.write_text('#!/bin/sh\necho "$*" >>$LOG\n')
    python.chmod(0o755)
    log = programs / "log"

    def installs() -> int:
        return log.read_text().count("pip install") if log.exists() else 0

    first = set_up(tmp_path, "set_up_venv test demo", env)
    after_first = installs()
    second = set_up(tmp_path, "set_up_venv demo", env)
    after_second = installs()
    (tmp_path / "pyproject.toml").write_text("two")
    third = set_up(tmp_path, "set_up_venv demo", env)

    assert [p.returncode for p in (first, second, third)] == [0, 0, 0], first.stderr + second.stderr + third.stderr
    assert (after_first, after_second, installs()) == (1, 1, 2)
    assert second.stderr == ""


def test_failed_install_is_one_clear_sentence_and_is_tried_again(tmp_path: Path) -> None:
    """pip's failure ends the set-up and leaves no mark that all is well."""
    (tmp_path / "pyproject.toml").write_text("one")
    bin_folder = tmp_path / ".venv" / "bin"
    bin_folder.mkdir(parents=True)
    python = bin_folder / "python"
    python.write_text('#!/bin/sh\n[ "$3" = install ] && echo "ERROR: no route" && exit 1\nexit 0\n')
    python.chmod(0o755)

    done = set_up(tmp_path, "set_up_venv demo", pretend(tmp_path, {}))

    assert done.returncode == 1
    assert "ERROR: no route" in done.stderr
    assert "pip could not install the packages" in done.stderr.splitlines()[-1]
    assert list((tmp_path / ".venv").glob(".set-up-*")) == []


@pytest.fixture
def silent_port() -> Iterator[int]:
    """A port that takes connections and never answers."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server.getsockname()[1]


def no_index(tmp_path: Path, port: int) -> dict[str, str]:
    """A checkout whose virtual environment has this Python's pip, and a package index at a port."""
    (tmp_path / "pyproject.toml").write_text('[build-system]\nrequires = ["nothing-of-that-name"]\n')
    (tmp_path / ".venv" / "bin").mkdir(parents=True)
    (tmp_path / ".venv" / "bin" / "python").symlink_to(sys.executable)
    programs = tmp_path / "programs"
    programs.mkdir()
    mine = {k: v for k, v in pretend(programs, {}).items() if not k.startswith("PIP_") and "proxy" not in k.lower()}
    return mine | {"PIP_INDEX_URL": f"http://127.0.0.1:{port}/simple", "PIP_CONFIG_FILE": "/dev/null"}


def test_dead_index_is_given_up_with_what_to_do(tmp_path: Path, free_port: int) -> None:
    """Nobody listens: it says that it tries again, then one sentence; no traceback, no mark that all is well."""
    env = no_index(tmp_path, free_port) | {"PIP_RETRIES": "1"}

    done = set_up(tmp_path, "set_up_venv demo", env)

    assert done.returncode == 1
    assert "trying again" in done.stderr
    assert "the package index does not answer; connect this machine" in done.stderr.splitlines()[-1]
    assert "Traceback" not in done.stderr
    assert list((tmp_path / ".venv").glob(".set-up-*")) == []


def test_index_that_never_answers_is_given_up(tmp_path: Path, silent_port: int) -> None:
    """It takes the connection and says nothing; a user's own time-out is kept to."""
    env = no_index(tmp_path, silent_port) | {"PIP_RETRIES": "1", "PIP_DEFAULT_TIMEOUT": "1"}

    done = set_up(tmp_path, "set_up_venv demo", env)

    assert done.returncode == 1
    assert "the package index does not answer; connect this machine" in done.stderr.splitlines()[-1]


def test_pip_is_given_short_patience_unless_the_user_says_otherwise(tmp_path: Path) -> None:
    """Three times ten seconds for a package, in place of six times fifteen."""
    (tmp_path / "pyproject.toml").write_text("one")
    (tmp_path / ".venv" / "bin").mkdir(parents=True)
    python = tmp_path / ".venv" / "bin" / "python"
    python.write_text('#!/bin/sh\n[ "$3" = install ] && echo "$PIP_RETRIES $PIP_DEFAULT_TIMEOUT" >>$LOG\nexit 0\n')
    python.chmod(0o755)
    env = {k: v for k, v in pretend(tmp_path, {}).items() if not k.startswith("PIP_")}

    set_up(tmp_path, "set_up_venv demo", env)
    set_up(tmp_path, "set_up_venv test", env | {"PIP_RETRIES": "7", "PIP_DEFAULT_TIMEOUT": "60"})

    assert (tmp_path / "log").read_text().splitlines() == ["2 10", "7 60"]


def test_long_silence_is_told(tmp_path: Path) -> None:
    """Whoever waits sees that it is still at it; a shorter wait stands in for the ten seconds."""
    told = tmp_path / "told"
    told.touch()
    long = f"for _ in {{1..100}}; do grep -q 'still at it' {told} && break; sleep 0.1; done"
    call = f"silence_s=1; {{ echo 'Collecting x (from y)'; {long}; echo 'Installing collected packages: x'; }}"

    set_up(tmp_path, f"{call} | show_progress >{told}", pretend(tmp_path, {}))

    lines = told.read_text().splitlines()
    assert lines[0] == "  Collecting x"
    assert any("still at it" in line for line in lines)
    assert lines[-1] == "  Installing them ..."


def test_stopped_set_up_says_one_sentence(tmp_path: Path) -> None:
    """Ctrl-C at a terminal goes to the script and to what it runs."""
    script = f"set -euo pipefail; root={tmp_path}; source {ROOT / 'deploy' / 'lib.sh'}; say ready; sleep 60"
    with subprocess.Popen(["bash", "-c", script], stderr=subprocess.PIPE, text=True, start_new_session=True) as process:
        try:
            assert process.stderr is not None
            assert process.stderr.readline() == "ready\n"
            wait_for_child(process, "sleep")
            os.killpg(process.pid, signal.SIGINT)
            said = process.communicate(timeout=15)[1]
        finally:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)

    assert process.returncode == 130
    assert said == "nightrake set-up: stopped; run the same again to go on from here.\n"


def wait_for_child(process: subprocess.Popen[str], name: str) -> None:
    """Until a process has started that program: one that has only been forked is still the process itself."""
    end_s = time.monotonic() + 15
    while time.monotonic() < end_s:
        for child in Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text(encoding="ascii").split():
            with contextlib.suppress(OSError):
                if Path(f"/proc/{child}/comm").read_text(encoding="utf-8") == f"{name}\n":
                    return
        assert process.poll() is None, "it has ended"
        time.sleep(0.01)
    pytest.fail(f"no {name} was started")


@pytest.mark.parametrize("name", ["deploy/demo", "tests/run", ".ci/run", "tests/bench/run"])
def test_scripts_can_be_run(name: str) -> None:
    """Each has its run bit, names its interpreter and parses."""
    script = ROOT / name

    assert os.access(script, os.X_OK)
    assert script.read_text(encoding="utf-8").startswith("#!/usr/bin/env bash\n")
    assert subprocess.run(["bash", "-n", str(script)], check=False).returncode == 0
